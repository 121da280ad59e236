"""The Document as a workbook for people: one sheet a part of the report, numbers as numbers.

The long forms of all results are files of their own (see `trialkit.report.tidy_files`).
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.figures.identity import plain_line
from trialkit.files import write_whole
from trialkit.report.document import Aside, Document, Findings, Table
from trialkit.report.glance_block import Glance, Ink
from trialkit.report.packages import same_archive
from trialkit.report.workbook_tables import for_print, put, write_table
from trialkit.report_choices import PARTS

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

#: Parts of few tables that stand on the sheet of another.
SHARED_WITH = {
    "pest-days": "course",
    "neighbours": "reliability",
    "notes": "reliability",
    "assessments": "treatments",
}
#: Longest name of a sheet that the format allows.
LONGEST_NAME = 31
CONTENTS = "Contents"
FRONT = "In short"
#: Empty lines between the tables of a sheet.
GAP = 2

_BARRED = re.compile(r"[\[\]:*?/\\']")
_INK_COLOURS = {Ink.SHOWN: "1D2529", Ink.HARM: "B4552D", Ink.ESTIMATE: "6B767D"}


def sheet_names(wanted: Iterable[str]) -> list[str]:
    """Make names that a workbook allows: short, without barred marks, each different.

    Parameters
    ----------
    wanted : iterable of str
        Any text.
    """
    taken = {"history"}  # spreadsheet programs keep this name for themselves
    names = []
    for text in wanted:
        base = _BARRED.sub(" ", plain_line(text))
        base = _cut(" ".join(base.split())) or "Table"
        name, number = base, 1
        while name.casefold() in taken:
            number += 1
            tail = f" {number}"
            name = base[: LONGEST_NAME - len(tail)].rstrip() + tail
        taken.add(name.casefold())
        names.append(name)
    return names


def _cut(text: str) -> str:
    """Cut a name to what the format allows, between words where there are any."""
    if len(text) <= LONGEST_NAME:
        return text
    short = text[: LONGEST_NAME + 1].rpartition(" ")[0] or text[:LONGEST_NAME]
    return short.removesuffix(" and").rstrip(" ,;")


def _write_front(sheet: Worksheet, document: Document) -> None:
    """Write the first page: title, sentences, the table at a glance."""
    from openpyxl.styles import Alignment, Font

    soft = Font(color="566168")
    put(sheet, 1, 1, document.title, font=Font(bold=True, size=14))
    line = 2
    for text in (document.subtitle, document.design):
        if text:
            put(sheet, line, 1, text, font=soft)
            line += 1
    line += 1
    for block in document.front:
        if isinstance(block, Findings):
            if block.title:
                put(sheet, line, 1, block.title, font=Font(bold=True))
                line += 1
            for item in block.items:
                put(sheet, line, 1, item)
                line += 1
            line += 1
        elif isinstance(block, Glance):
            line = _write_glance(sheet, block, line)
        elif isinstance(block, Aside):
            put(sheet, line, 1, block.text, font=soft)
            line += 1
    sheet.column_dimensions["A"].width = 30
    for row in sheet.iter_rows(min_row=1, max_row=line, max_col=1):
        row[0].alignment = Alignment(vertical="top")
    for_print(sheet, 1)


def _write_glance(sheet: Worksheet, block: Glance, line: int) -> int:
    from openpyxl.styles import Alignment, Border, Font, Side
    from openpyxl.utils import get_column_letter

    under, soft = Border(bottom=Side(style="medium")), Font(color="566168")
    wrapped = Alignment(wrap_text=True, vertical="bottom", horizontal="right")
    put(sheet, line, 1, block.title, font=Font(bold=True, size=12))
    line += 1
    put(sheet, line, 1, "Treatment", font=Font(bold=True), border=under)
    put(sheet, line, 2, "Rate and role", font=Font(bold=True), border=under)
    sheet.column_dimensions["B"].width = 22
    for place, (title, small) in enumerate(block.heads):
        for step, text in enumerate((f"{title} {small}".strip(), "Interval or note")):
            column = 3 + 2 * place + step
            put(sheet, line, column, text, font=Font(bold=True), border=under, alignment=wrapped)
            sheet.column_dimensions[get_column_letter(column)].width = 14
    for row in block.rows:
        line += 1
        put(sheet, line, 1, row.name, font=Font(bold=not row.base))
        put(sheet, line, 2, row.under or None, font=soft)
        for place, cell in enumerate(row.cells):
            colour = Font(color=_INK_COLOURS[cell.ink], bold=cell.ink is not Ink.ESTIMATE)
            text = f"{cell.text} {cell.beside}".strip()
            right = Alignment(horizontal="right")
            put(sheet, line, 3 + 2 * place, text or None, font=colour, alignment=right)
            put(
                sheet,
                line,
                4 + 2 * place,
                cell.under or None,
                font=Font(color="566168"),
                alignment=right,
            )
    line += 1
    for note in block.notes:
        put(sheet, line, 1, note, font=Font(italic=True, color="566168"))
        line += 1
    return line + 1


@dataclass(frozen=True, slots=True)
class _Entry:
    """A line of the contents: a table, and where it begins."""

    sheet: str
    line: int
    table: Table


def _write_contents(sheet: Worksheet, entries: Sequence[_Entry]) -> None:
    from openpyxl.styles import Border, Font, Side
    from openpyxl.worksheet.hyperlink import Hyperlink

    under = Border(bottom=Side(style="medium"))
    for place, title in enumerate(("Sheet", "Table", "What it holds"), start=1):
        put(sheet, 1, place, title, font=Font(bold=True), border=under)
    for line, entry in enumerate(entries, start=2):
        put(sheet, line, 1, entry.sheet, font=Font(color="1F4F7A", underline="single"))
        target = f"'{entry.sheet}'!A{entry.line}"
        sheet.cell(line, 1).hyperlink = Hyperlink(ref=f"A{line}", location=target)
        put(sheet, line, 2, entry.table.label or None)
        put(sheet, line, 3, entry.table.question)
    for letter, width in (("A", 34), ("B", 11), ("C", 100)):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A2"


def _by_sheet(document: Document) -> dict[str, list[Table]]:
    """Tables by the section that they belong to, wherever they are printed; short parts share."""
    found: dict[str, list[Table]] = {}
    for section in document.sections:
        tables = [block for block in section.blocks if isinstance(block, Table)]
        if tables:
            host = SHARED_WITH.get(section.key.removesuffix("-beside"))
            found.setdefault(PARTS[host] if host else section.title, []).extend(tables)
    return found


def _book(document: Document) -> Workbook:
    from openpyxl import Workbook

    by_sheet = _by_sheet(document)
    first = [FRONT] if document.front else []
    names = sheet_names([*first, CONTENTS, *by_sheet])[len(first) + 1 :]
    book = Workbook()
    book.remove(book.worksheets[0])
    if document.front:
        _write_front(book.create_sheet(FRONT), document)
    contents = book.create_sheet(CONTENTS)
    entries = []
    for name, tables in zip(names, by_sheet.values(), strict=True):
        sheet = book.create_sheet(name)
        line = 1
        for table in tables:
            entries.append(_Entry(name, line, table))
            line = write_table(sheet, table, line) + GAP
        alone = len(tables) == 1
        sheet.freeze_panes = "B3" if alone else "B1"
        for_print(sheet, 2 if alone else 0)
    _write_contents(contents, entries)
    return book


def workbook_bytes(document: Document, made: datetime | None = None) -> bytes:
    """Write a document as a workbook.

    Parameters
    ----------
    document : Document
    made : datetime, optional
        Time that the file carries as its own; without it a fixed one.

    Returns
    -------
    bytes
        The same document gives the same bytes.
    """
    book = _book(document)
    book.properties.title, book.properties.creator = document.title, "trialkit"
    stream = io.BytesIO()
    book.save(stream)
    return same_archive(stream.getvalue(), made)


def write_tables(document: Document, path: Path, made: datetime | None = None) -> None:
    """Write a document as a workbook, moved into place when it is whole.

    Parameters
    ----------
    document : Document
    path : Path
    made : datetime, optional
        See `workbook_bytes`.
    """
    write_whole(path, workbook_bytes(document, made))
