"""The Document as a workbook for people: one sheet a part of the report, numbers as numbers.

The long forms of all results are files of their own (see `trialkit.report.tidy_files`).
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.figures.identity import plain_line
from trialkit.files import write_whole
from trialkit.report.document import (
    Aside,
    Cell,
    Column,
    Document,
    Findings,
    Glance,
    Ink,
    Kind,
    Missing,
    Table,
)
from trialkit.report.laid_out import FILLS, shade
from trialkit.report.packages import same_archive
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
#: Four decimals, and a word for what is smaller than they can show.
P_VALUE_FORMAT = '[<0.0001]"<0.0001";0.0000'
#: Tables with at least so many rows get a filter.
FILTERED_FROM = 12
#: Characters in a line of a note, where the table is that wide.
NOTE_WIDTH = 90.0
#: Empty lines between the tables of a sheet.
GAP = 2

_BARRED = re.compile(r"[\[\]:*?/\\']")
#: What a sheet cannot hold.
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
#: What the format takes for the number of a sign.
_ESCAPED = re.compile("_x[0-9A-Fa-f]{4}_")
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


def number_format(column: Column) -> str:
    """Choose how a spreadsheet shows the numbers of a column; the numbers stay whole."""
    if column.kind is Kind.P_VALUE:
        return P_VALUE_FORMAT
    if column.digits is None:
        return "General"
    return "#,##0" if column.digits == 0 else "#,##0." + "0" * column.digits


def _width(column: Column, cells: Sequence[Cell]) -> float:
    if column.kind not in {Kind.TEXT, Kind.SPAN}:
        longest = max((len(word) for word in column.title.split()), default=0)
        return max(9.0, min(16.0, 1.3 * longest))
    longest = max((len(str(cell or "")) for cell in set(cells)), default=0)
    return float(max(9, min(60, max(longest, len(column.title)) + 2)))


def _head_lines(titles: Sequence[str], widths: Sequence[float]) -> int:
    """Estimate how many lines the tallest heading takes in its column."""
    most = 1
    for title, width in zip(titles, widths, strict=True):
        lines, used = 1, 0
        for word in title.split():
            if used and used + 1 + len(word) > width / 1.15:
                lines, used = lines + 1, len(word)
            else:
                used += (1 if used else 0) + len(word)
        most = max(most, lines)
    return most


def _shown(cell: Cell) -> float | str | None:
    if isinstance(cell, str):
        return cell or None
    if cell is None or isinstance(cell, Missing) or not math.isfinite(cell):
        return None
    return cell


def _reasons(table: Table) -> list[str]:
    found = dict.fromkeys(
        value.reason
        for row in table.rows
        for value in row
        if isinstance(value, Missing) and value.reason
    )
    return [f"Empty: {reason}." for reason in found]


def put(sheet: Worksheet, row: int, column: int, value: float | str | None, **look: Any) -> None:
    """Set a cell: text stays text, whatever it begins with.

    Parameters
    ----------
    sheet : Worksheet
    row, column : int
        From 1.
    value : float, str or None
    **look
        Attributes of the cell, such as ``font`` or ``number_format``.
    """
    if value is None:
        return
    cell: Any = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = _ESCAPED.sub(r"_x005F\g<0>", _UNWRITABLE.sub("", value))
        cell.data_type = "s"
        cell.quotePrefix = value[:1] in {"=", "+", "-", "@"}
    else:
        cell.value = value
    for name, wanted in look.items():
        setattr(cell, name, wanted)


def _write_table(sheet: Worksheet, table: Table, line: int) -> int:
    """Write a table with its question above and its notes below; return the line after it."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    titles = _titles(table)
    widths = _set_widths(sheet, table, titles)
    question = f"{table.label}. {table.question}" if table.label else table.question
    put(sheet, line, 1, question, font=Font(bold=True, size=12))
    under = Border(bottom=Side(style="medium"))
    head = line + 1
    for place, (title, column) in enumerate(zip(titles, table.columns, strict=True), start=1):
        right = column.kind not in {Kind.TEXT, Kind.SPAN, Kind.LETTERS, Kind.SIGN}
        look = Alignment(wrap_text=True, vertical="bottom", horizontal="right" if right else "left")
        put(sheet, head, place, title, font=Font(bold=True), alignment=look, border=under)
    sheet.row_dimensions[head].height = 15.0 * _head_lines(titles, widths)
    fills = {name: PatternFill("solid", fgColor=colour) for name, colour in FILLS.items()}
    for step, cells in enumerate(table.rows):
        for place, (cell, column) in enumerate(zip(cells, table.columns, strict=True)):
            look_of: dict[str, Any] = {}
            name = _shade_name(table, step, place, cell, column)
            if name in fills:
                look_of["fill"] = fills[name]
            if column.kind in {Kind.NUMBER, Kind.P_VALUE, Kind.SPAN}:
                look_of["number_format"] = number_format(column)
            put(sheet, head + 1 + step, place + 1, _shown(cell), **look_of)
    last = head + len(table.rows)
    if len(table.rows) >= FILTERED_FROM:
        _filter(sheet, titles, head, last)
    for note in [*filter(None, (table.about,)), *table.notes, *_reasons(table)]:
        last += 1
        _write_note(sheet, note, last, widths)
    return last + 1


def _write_note(sheet: Worksheet, note: str, line: int, widths: Sequence[float]) -> None:
    """Write a note below a table across its columns, in as many lines as it takes."""
    from openpyxl.styles import Alignment, Font

    across, room = 1, widths[0]
    while room < NOTE_WIDTH and across < len(widths):
        room += widths[across]
        across += 1
    look = Alignment(wrap_text=True, vertical="top")
    put(sheet, line, 1, note, font=Font(italic=True, color="566168"), alignment=look)
    if across > 1:
        sheet.merge_cells(start_row=line, end_row=line, start_column=1, end_column=across)
    sheet.row_dimensions[line].height = 15.0 * math.ceil(1.1 * len(note) / room)


def _titles(table: Table) -> list[str]:
    """Headings in one line each, every one different, as a filter wants them."""
    titles: list[str] = []
    for column in table.columns:
        title = f"{column.title} ({column.under})" if column.under else column.title
        before = titles[-1] if titles else ""
        if title in titles and column.kind in {Kind.LETTERS, Kind.SIGN, Kind.SPAN}:
            title = f"{title}: {before}"
        titles.append(title)
    return titles


def _set_widths(sheet: Worksheet, table: Table, titles: Sequence[str]) -> list[float]:
    """Make the columns of a sheet as wide as the widest of its tables wants them."""
    from openpyxl.utils import get_column_letter

    columns = list(zip(*table.rows, strict=True)) or [()] * len(titles)
    widths = []
    for place, pair in enumerate(zip(table.columns, columns, strict=True), start=1):
        column = sheet.column_dimensions[get_column_letter(place)]
        set_before = column.width if column.customWidth else 0.0
        column.width = max(set_before, _width(*pair))
        widths.append(column.width)
    return widths


def _filter(sheet: Worksheet, titles: Sequence[str], head: int, last: int) -> None:
    """Let the rows of a long table be filtered; a sheet may have several such tables."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.table import Table as Filtered
    from openpyxl.worksheet.table import TableStyleInfo

    if len({title.casefold() for title in titles}) < len(titles) or "" in titles:
        return
    book: Any = sheet.parent
    count = sum(len(other.tables) for other in book.worksheets)
    area = Filtered(
        displayName=f"Rows_{count + 1}", ref=f"A{head}:{get_column_letter(len(titles))}{last}"
    )
    area.tableStyleInfo = TableStyleInfo(name=None, showRowStripes=False)
    sheet.add_table(area)


def _shade_name(table: Table, row: int, place: int, cell: Cell, column: Column) -> str:
    if isinstance(_shown(cell), str) or _shown(cell) is None:
        return ""
    if table.target is not None and column.kind is Kind.NUMBER:
        return shade(cell, table.target)
    return table.shades[row][place] if table.shades else ""


def _for_print(sheet: Worksheet, head: int) -> None:
    """Let a sheet be printed across the width of a page, its first rows on each."""
    from openpyxl.worksheet.properties import PageSetupProperties

    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    if head:
        sheet.print_title_rows = f"1:{head}"


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
    _for_print(sheet, 1)


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
            line = _write_table(sheet, table, line) + GAP
        alone = len(tables) == 1
        sheet.freeze_panes = "B3" if alone else "B1"
        _for_print(sheet, 2 if alone else 0)
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
