"""One call from several trials on disk to the written report of the series."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from trialkit.files import spool, write_whole
from trialkit.findings import Finding
from trialkit.findings.series_story import series_findings
from trialkit.processes import silent
from trialkit.record.series import series_parts
from trialkit.record.writing import spool_record
from trialkit.report import Drawer, put_files, report_files
from trialkit.report_options import USUAL, ReportOptions
from trialkit.series.combine import combine, read_series
from trialkit.series.options import SeriesOptions
from trialkit.series.options_file import NAME
from trialkit.series.result import SeriesAnalysis
from trialkit.series.rows import SeriesTables
from trialkit.series.start import start_text

Trials = Path | str | Iterable[Path | str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WrittenSeries:
    """What a run over several trials made.

    Attributes
    ----------
    series : SeriesAnalysis
        With its findings.
    paths : tuple of Path
        The files, in the order in which a reader wants them.

    Examples
    --------
    >>> import trialkit
    >>> trials = trialkit.example_series("bean_aphids")
    >>> [path.name for path in trialkit.report_series(trials, "beans", formats=()).paths]
    ['record.json']
    """

    series: SeriesAnalysis
    paths: tuple[Path, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the series shows, the weightiest first."""
        return self.series.findings


def report_series(
    trials: SeriesAnalysis | Trials,
    out: Path | str,
    *,
    options: SeriesOptions | Mapping[str, Any] | Path | str | None = None,
    formats: Collection[str] = USUAL,
    report: ReportOptions | None = None,
    progress: Callable[[str], None] = silent,
    made: datetime | None = None,
) -> WrittenSeries:
    """Combine several trials, and write report, tables and record of the series.

    Parameters
    ----------
    trials : SeriesAnalysis, Path, str, or iterable of paths
        A series, or what `trialkit.combine` takes; combine on processes or an executor of your
        own beforehand.
    out : Path or str
        Folder for the files; made where it is missing.
    options, progress
        As of `trialkit.combine`.
    formats : collection of str
        Any of ``html``, ``docx``, ``pdf``, ``xlsx`` and ``csv``; ``record.json`` is always written.
    report : ReportOptions, optional
        More to choose from; its formats stand for ``formats``.
    made : datetime, optional
        Time that the report and the record carry; now, when left out.

    Raises
    ------
    TrialError
        When a trial or the options have problems; nothing is written then.
    OSError
        When a file cannot be written.

    Examples
    --------
    >>> import trialkit
    >>> trials = trialkit.example_series("bean_aphids")
    >>> written = trialkit.report_series(trials, "beans", formats=("xlsx",))
    >>> [path.name for path in written.paths]
    ['tables.xlsx', 'record.json']
    """
    folder, wanted = Path(out), report or ReportOptions(formats=formats)
    when = made or datetime.now(UTC)
    with spool() as record, Drawer() as drawer:
        if not isinstance(trials, SeriesAnalysis):
            trials = combine(trials, options=options, progress=progress)
        if wanted.drawn:
            drawer.start()
        series = with_findings(trials)
        digest = spool_record(series_parts(series, when), record)
        files = report_files(
            SeriesTables(series),
            series.findings,
            wanted,
            progress=progress,
            made=when,
            drawer=drawer,
            digest=digest,
        )
        progress("Writing the files")
        paths = put_files(folder, files, record)
    return WrittenSeries(series=series, paths=paths)


def with_findings(series: SeriesAnalysis) -> SeriesAnalysis:
    """A series with the sentences that tell it, where it has none yet."""
    return series if series.findings else replace(series, findings=series_findings(series))


def start_series(
    trials: Trials,
    out: Path | str,
    *,
    options: SeriesOptions | Mapping[str, Any] | Path | str | None = None,
    jobs: int | None = None,
    executor: Executor | None = None,
) -> Path:
    """Read and match several trials, and write ``series.toml`` with every match filled in.

    Parameters
    ----------
    trials, options, jobs, executor
        As of `trialkit.combine`.
    out : Path or str
        Folder, made where it is missing.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    FileExistsError
        When the folder has a ``series.toml`` already.
    TrialError
        When a trial has problems.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.start_series(trialkit.example_series("bean_aphids"), "beans", jobs=1).name
    'series.toml'
    """
    target = Path(out) / NAME
    if target.exists():
        raise FileExistsError(f"{target} is there already; take another folder, or edit it.")
    found = read_series(trials, options=options, jobs=jobs, executor=executor)
    write_whole(target, start_text(found).encode("utf-8"))
    return target
