"""One call from a trial on disk to its written report."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from trialkit.analysis import Analysis, analyse
from trialkit.files import spool
from trialkit.findings import Finding, make_findings
from trialkit.processes import silent
from trialkit.reading import read_trial
from trialkit.record.writing import record_parts, spool_record
from trialkit.report import Drawer, put_files, report_files
from trialkit.report_options import USUAL, ReportOptions
from trialkit.rows import Tables
from trialkit.summaries import summary_lines
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Written:
    """What a report run made.

    Attributes
    ----------
    analysis : Analysis
    findings : tuple of Finding
    paths : tuple of Path
        The files, in the order in which a reader wants them.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_beetle_potato")
    >>> [path.name for path in trialkit.report_trial(trial, "report", formats=()).paths]
    ['record.json']
    """

    analysis: Analysis
    findings: tuple[Finding, ...]
    paths: tuple[Path, ...]


def report_trial(
    trial: Trial | Path | str,
    out: Path | str,
    *,
    formats: Collection[str] = USUAL,
    options: ReportOptions | None = None,
    progress: Callable[[str], None] = silent,
    made: datetime | None = None,
) -> Written:
    """Read and analyse a trial, and write its report, tables and record.

    Parameters
    ----------
    trial : Trial, Path or str
        A trial, or the folder, workbook or flat table that holds one.
    out : Path or str
        Folder for the files; made where it is missing.
    formats : collection of str
        Any of ``html``, ``docx``, ``pdf``, ``xlsx`` and ``csv``; ``record.json`` is always written.
    options : ReportOptions, optional
        More to choose from; its formats stand for ``formats``.
    progress : callable
        Is told each step.
    made : datetime, optional
        Time that the report and the record carry; now, when left out.

    Raises
    ------
    TrialError
        When the trial has problems; nothing is written then.
    OSError
        When a file cannot be written.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_beetle_potato")
    >>> written = trialkit.report_trial(trial, "report", formats=("xlsx",))
    >>> [path.name for path in written.paths]
    ['tables.xlsx', 'record.json']
    """
    folder, wanted = Path(out), options or ReportOptions(formats=formats)
    when = made or datetime.now(UTC)
    with spool() as record, Drawer() as drawer:
        if wanted.drawn:
            drawer.start()
        if not isinstance(trial, Trial):
            progress("Reading the trial")
            trial = read_trial(trial)
        progress("Testing treatments")
        analysis = analyse(trial)
        tables = Tables(analysis)
        findings = make_findings(analysis, tables)
        digest = spool_record(record_parts(analysis, findings, when, tables), record)
        files = report_files(
            tables,
            findings,
            wanted,
            progress=progress,
            made=when,
            drawer=drawer,
            digest=digest,
        )
        progress("Writing the files")
        paths = put_files(folder, files, record)
    return Written(analysis=analysis, findings=findings, paths=paths)


def front_page_lines(trial: Trial | Path | str) -> list[str]:
    """Write the first page of the report of a trial as lines for a terminal.

    Parameters
    ----------
    trial : Trial, Path or str

    Returns
    -------
    list of str
        At most 80 columns wide.

    Raises
    ------
    TrialError
        When the trial has problems.
    """
    return summary_lines(analyse(trial))
