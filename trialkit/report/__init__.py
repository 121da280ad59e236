"""Analysis to a Document, and the Document to files."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, NamedTuple

from trialkit.files import write_set
from trialkit.processes import silent
from trialkit.report.apart import Apart, hand_back
from trialkit.report.compose import Sentence, compose
from trialkit.report.directions import isolating
from trialkit.report.document import Document
from trialkit.report.drawing import Drawer, draw_figures
from trialkit.report.html import render_html
from trialkit.report.number_style import restyled_drawings, words_of_trial
from trialkit.report.rewriting import rewritten, rewritten_drawings
from trialkit.report.tidy_files import series_tidy_files, tidy_files
from trialkit.report.workbook import workbook_bytes, write_tables
from trialkit.report_choices import SERIES_PARTS, NumberStyle, choosable, report_choices
from trialkit.report_options import FILES, FORMATS, TIDY, USUAL, ReportOptions
from trialkit.rows import Tables

if TYPE_CHECKING:
    from trialkit.analysis import Analysis
    from trialkit.series.result import SeriesAnalysis
    from trialkit.series.rows import SeriesTables

__all__ = [
    "FILES",
    "FORMATS",
    "USUAL",
    "Drawer",
    "ReportOptions",
    "compose",
    "draw_figures",
    "write_report",
    "write_tables",
]

#: The one format that is written in this process.
HTML = "html"


def write_report(
    analysis: Analysis,
    findings: Sequence[Sentence],
    out: Path,
    options: ReportOptions | Collection[str] | None = None,
    *,
    progress: Callable[[str], None] | None = None,
    made: datetime | None = None,
    drawer: Drawer | None = None,
) -> tuple[Path, ...]:
    """Write the report and the tables of an analysis.

    All files are made before the first is moved into place, so that a run which fails or is
    interrupted on the way leaves older files as they were.

    Parameters
    ----------
    analysis : Analysis
    findings : sequence
        What the trial shows; anything with a ``text``.
    out : Path
        Folder, made where it is missing.
    options : ReportOptions, or collection of str
        What to write; format names alone will do.
    progress : callable, optional
        Is told each step.
    made : datetime, optional
        The time that the files carry; without it they carry none.
    drawer : Drawer, optional
        One that was started before; the figures are drawn in this process without.

    Returns
    -------
    tuple of Path

    Raises
    ------
    ValueError
        When a format is not known.
    OSError
        When a file cannot be written.
    """
    if options is None:
        options = ReportOptions()
    elif not isinstance(options, ReportOptions):
        options = ReportOptions(formats=options)
    files = report_files(
        Tables(analysis), findings, options, progress=progress or silent, made=made, drawer=drawer
    )
    write_set({Path(out) / path: content for path, content in files.items()})
    return tuple(Path(out) / path for path in files)


def report_files(
    tables: Tables | SeriesTables,
    findings: Sequence[Sentence],
    options: ReportOptions,
    *,
    progress: Callable[[str], None] = silent,
    made: datetime | None = None,
    drawer: Drawer | None = None,
    digest: str = "",
) -> dict[Path, bytes]:
    """Make the files of a report, in the order in which a reader wants them.

    Parameters
    ----------
    tables : Tables or SeriesTables
        The analysis of a trial or a series, and its tables as rows.
    findings, options, progress, made, drawer
        See `write_report`.
    digest : str
        That of the record, for the foot of each page.

    Returns
    -------
    dict of Path to bytes
        Content by path below the folder of the report; figures may lie elsewhere.
    """
    told, drawer = _told(tables), drawer or Drawer()
    wanted = [name for name in FILES if name in options.formats]
    contents: dict[str, bytes] = {}
    drawings: dict[str, str] = {}
    if wanted or options.figures:
        document = told.compose(
            told.source, findings, made=made, options=options, tables=tables, digest=digest
        )
        long = tables.forget()
        if long:
            hand_back()
        if options.drawn:
            drawer.begin(told.source, document, long=long)
        if "xlsx" in wanted:
            progress("Writing the tables")
            contents["xlsx"] = workbook_bytes(document, made)
        if options.drawn:
            progress("Drawing the figures")
            if drawer.apart:
                _load_writers(options)
            drawings = restyled_drawings(drawer.drawings(), told.own, told.style)
            isolate = isolating(told.own)
            if isolate:
                document = rewritten(document, isolate)
                drawings = rewritten_drawings(drawings, isolate)
            progress("Writing the report")
            contents |= _pages(document, drawings, options, made, long=long)
    files = {Path(FILES[name]): contents[name] for name in wanted}
    if options.figures:
        files |= _figure_files(drawings, options.figures.resolve())
    if TIDY in options.formats:
        files |= {Path(TIDY) / name: content for name, content in told.tidy().items()}
    return files


class _Told(NamedTuple):
    """What a report tells of, one trial or a series, by which functions and in whose words."""

    source: Analysis | SeriesAnalysis
    compose: Callable[..., Document]
    own: tuple[str, ...]
    style: NumberStyle
    tidy: Callable[[], dict[str, bytes]]


def _told(tables: Tables | SeriesTables) -> _Told:
    if isinstance(tables, Tables):
        trial = tables.trial
        style = report_choices(trial.report, choosable(trial)).numbers
        own = tuple(words_of_trial(trial))
        return _Told(tables.analysis, compose, own, style, lambda: tidy_files(tables))
    from trialkit.report.series.compose import compose_series
    from trialkit.report.series.context import words_of_series

    series = tables.series
    style = report_choices(series.options.report, {}, SERIES_PARTS).numbers
    own = tuple(words_of_series(series))
    return _Told(series, compose_series, own, style, lambda: series_tidy_files(tables))


def put_files(folder: Path, files: Mapping[Path, bytes], record: IO[bytes]) -> tuple[Path, ...]:
    """Move the files of a report and its record, which was spooled, into place together.

    Returns
    -------
    tuple of Path
        In the order in which a reader wants them, the record last; of tidy files their folder.
    """
    last = folder / "record.json"
    write_set({**{folder / path: content for path, content in files.items()}, last: record})
    paths = dict.fromkeys(folder / (TIDY if path.parts[0] == TIDY else path) for path in files)
    return (*paths, last)


def _load_writers(options: ReportOptions) -> None:
    """Load what writes pages while figures are drawn elsewhere."""
    for name, module in (("docx", "docx"), ("pdf", "typst"), ("html", "jinja2")):
        if name in options.formats:
            importlib.import_module(module)


def _pages(
    document: Document,
    drawings: Mapping[str, str],
    options: ReportOptions,
    made: datetime | None,
    *,
    long: bool,
) -> dict[str, bytes]:
    """Make the formats that show figures; their writers are loaded only where one is asked for.

    Word and PDF are each made in a process of their own: of a long document one after the other,
    since each takes much memory.
    """
    if "docx" in options.formats:
        from trialkit.report.word import word_bytes
    if "pdf" in options.formats:
        from trialkit.report.pdf import pdf_bytes
    writers: dict[str, Callable[[], bytes]] = {
        HTML: lambda: render_html(document, drawings).encode("utf-8"),
        "docx": lambda: word_bytes(document, drawings, made, options.template),
        "pdf": lambda: pdf_bytes(document, drawings, made, options.paper),
    }
    wanted = [name for name in writers if name in options.formats]
    if long:
        return {name: _alone(writers[name]) for name in wanted}
    with ExitStack() as stack:
        begun = {name: stack.enter_context(Apart(writers[name])) for name in wanted if name != HTML}
        return {name: begun[name].take() if name in begun else writers[name]() for name in wanted}


def _alone(write: Callable[[], bytes]) -> bytes:
    """Make a file in a process of its own, with no other beside it."""
    hand_back()
    with Apart(write) as other:
        return other.take()


def _figure_files(drawings: Mapping[str, str], folder: Path) -> dict[Path, bytes]:
    from trialkit.report.pixels import png_of

    pixels = png_of([(svg, FIGURE_WIDTH) for svg in drawings.values()])
    files = {}
    for (key, svg), png in zip(drawings.items(), pixels, strict=True):
        files[folder / f"{key}.svg"] = svg.encode("utf-8")
        files[folder / f"{key}.png"] = png
    return files


#: Width of a figure for slides, in points.
FIGURE_WIDTH = 620.0
