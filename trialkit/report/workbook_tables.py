"""One table on a sheet: heading, numbers with their format, notes, filter, and how it prints."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from trialkit.report.document import Cell, Column, Kind, Missing, Table
from trialkit.report.laid_out import FILLS, shade

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

#: Four decimals, and a word for what is smaller than they can show.
P_VALUE_FORMAT = '[<0.0001]"<0.0001";0.0000'
#: Tables with at least so many rows get a filter.
FILTERED_FROM = 12
#: Characters in a line of a note, where the table is that wide.
NOTE_WIDTH = 90.0

#: What a sheet cannot hold.
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
#: What the format takes for the number of a sign.
_ESCAPED = re.compile("_x[0-9A-Fa-f]{4}_")


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


def write_table(sheet: Worksheet, table: Table, line: int) -> int:
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


def for_print(sheet: Worksheet, head: int) -> None:
    """Let a sheet be printed across the width of a page, its first rows on each."""
    from openpyxl.worksheet.properties import PageSetupProperties

    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    if head:
        sheet.print_title_rows = f"1:{head}"
