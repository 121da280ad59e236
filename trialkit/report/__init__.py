"""Analysis to a Document, and the Document to files."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.files import write_whole
from trialkit.report.compose import Sentence, compose
from trialkit.report.drawing import Drawer, draw_figures
from trialkit.report.html import render_html, write_html
from trialkit.report.workbook import workbook_bytes, write_tables
from trialkit.rows import Tables

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

#: File name by format.
FILES = {"html": "report.html", "xlsx": "tables.xlsx"}

__all__ = [
    "FILES",
    "Drawer",
    "compose",
    "draw_figures",
    "write_html",
    "write_report",
    "write_tables",
]


def _silent(step: str) -> None:
    del step


def write_report(
    analysis: Analysis,
    findings: Sequence[Sentence],
    out: Path,
    formats: Collection[str] = ("html", "xlsx"),
    progress: Callable[[str], None] | None = None,
    made: datetime | None = None,
    drawer: Drawer | None = None,
    tables: Tables | None = None,
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
    formats : collection of str
        Any of ``html`` and ``xlsx``.
    progress : callable, optional
        Is told each step.
    made : datetime, optional
        The time that the files carry; without it they carry none.
    drawer : Drawer, optional
        One that was started before; the figures are drawn in this process without.
    tables : Tables, optional
        The tables of the analysis as rows, where they are at hand.

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
    unknown = sorted(set(formats) - set(FILES))
    if unknown:
        raise ValueError(
            f"no report can be written as {', '.join(unknown)}; known: {', '.join(FILES)}"
        )
    if not formats:
        return ()
    tell = progress or _silent
    document = compose(analysis, findings, made=made, formats=formats, tables=tables)
    made_files: dict[str, bytes] = {}
    draw = drawer or Drawer()
    if "html" in formats:
        draw.begin(analysis, document)
    if "xlsx" in formats:
        tell("Writing the tables")
        made_files["xlsx"] = workbook_bytes(document, made)
    if "html" in formats:
        tell("Drawing the figures")
        drawings = draw.drawings()
        tell("Writing the report")
        page = render_html(document, drawings).encode("utf-8")
        made_files = {"html": page, **made_files}
    paths = []
    for name, content in made_files.items():
        path = Path(out) / FILES[name]
        write_whole(path, content)
        paths.append(path)
    return tuple(paths)
