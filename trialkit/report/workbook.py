"""The Document as a workbook: one sheet a table, numbers as numbers."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.figures.identity import plain_line
from trialkit.files import write_whole
from trialkit.report.document import Cell, Column, Document, Findings, Kind, Missing, Table
from trialkit.report.html import shade

if TYPE_CHECKING:
    from openpyxl import Workbook

#: Limits of the file format.
LONGEST_NAME, LONGEST_TEXT = 31, 32767
CONTENTS = "Contents"
_BARRED = re.compile(r"[\[\]:*?/\\']")
_FORMULA_STARTS = ("=", "+", "-", "@")
#: Every file carries this time inside, so that the same document gives the same file.
_FIXED_TIME = (2000, 1, 1, 0, 0, 0)
_FILLS = {
    "held": "7FB3D9",
    "near": "B5D3EA",
    "half": "D6E6F3",
    "some": "EDF4FA",
    "below": "F6D9C2",
}


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
        base = " ".join(base.split())[:LONGEST_NAME].strip() or "Table"
        name, number = base, 1
        while name.casefold() in taken:
            number += 1
            tail = f" {number}"
            name = base[: LONGEST_NAME - len(tail)].rstrip() + tail
        taken.add(name.casefold())
        names.append(name)
    return names


def number_format(column: Column) -> str:
    """Choose how a spreadsheet shows the numbers of a column; the numbers stay whole."""
    if column.kind is Kind.P_VALUE:
        return "0.0000"
    if column.digits is None:
        return "General"
    return "#,##0" if column.digits == 0 else "#,##0." + "0" * column.digits


class _Writer:
    """Styled cells of one workbook; each style is made once and then shared."""

    def __init__(self, book: Workbook) -> None:
        self._book = book
        self._styles: dict[tuple[str, str, bool, bool], Any] = {}

    def text(self, sheet: Any, value: str, *, bold: bool = False) -> Any:
        """Make a cell of text that no program takes for a formula."""
        cell = self._cell(sheet, "General", "", bold, value.startswith(_FORMULA_STARTS))
        cell.value = plain_line(value)[:LONGEST_TEXT]
        cell.data_type = "s"
        return cell

    def number(self, sheet: Any, value: float, shown: str, fill: str) -> Any:
        """Make a cell of a number."""
        cell = self._cell(sheet, shown, fill, False, False)
        cell.value = value
        return cell

    def _cell(self, sheet: Any, shown: str, fill: str, bold: bool, quoted: bool) -> Any:
        from openpyxl.cell import WriteOnlyCell

        cell: Any = WriteOnlyCell(sheet)
        key = (shown, fill, bold, quoted)
        style = self._styles.get(key)
        if style is None:
            style = self._style(cell, key)
            self._styles[key] = style
        cell._style = style
        return cell

    @staticmethod
    def _style(cell: Any, key: tuple[str, str, bool, bool]) -> Any:
        from openpyxl.styles import Alignment, Font, PatternFill

        shown, fill, bold, quoted = key
        cell.number_format = shown
        if fill:
            cell.fill = PatternFill("solid", start_color=fill, end_color=fill)
        if bold:
            cell.font = Font(bold=True)
            cell.alignment = Alignment(wrap_text=True, vertical="bottom")
        if quoted:
            cell.quotePrefix = True
        return cell._style


def _width(table: Table, place: int) -> float:
    column = table.columns[place]
    if column.kind is not Kind.TEXT:
        return max(9.0, min(16.0, 1.1 * max(len(word) for word in column.title.split() or [""])))
    longest = max((len(str(row[place] or "")) for row in table.rows), default=0)
    return float(max(9, min(60, max(longest, len(column.title)) + 1)))


def _table_sheet(writer: _Writer, sheet: Any, table: Table) -> None:
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "B2"
    for place in range(len(table.columns)):
        letter = get_column_letter(place + 1)
        sheet.column_dimensions[letter].width = _width(table, place)
    titles = (
        f"{column.title} ({column.under})" if column.under else column.title
        for column in table.columns
    )
    sheet.append([writer.text(sheet, title, bold=True) for title in titles])
    formats = [number_format(column) for column in table.columns]
    for row in table.rows:
        sheet.append(
            [
                _body_cell(writer, sheet, value, column, shown, table.target)
                for value, column, shown in zip(row, table.columns, formats, strict=True)
            ]
        )
    notes = [*table.notes, *_reasons(table)]
    if notes:
        sheet.append([])
        for note in notes:
            sheet.append([writer.text(sheet, note)])


def _body_cell(
    writer: _Writer,
    sheet: Any,
    value: Cell,
    column: Column,
    shown: str,
    target: float | None,
) -> Any:
    if value is None or isinstance(value, Missing) or value == "":
        return None
    if isinstance(value, str):
        return writer.text(sheet, value)
    fill = ""
    if target is not None and column.kind is Kind.NUMBER:
        fill = _FILLS.get(shade(value, target), "")
    return writer.number(sheet, value, shown, fill)


def _reasons(table: Table) -> list[str]:
    found = {
        value.reason: f"{row[0]}, {column.title}: {value.reason}."
        for row in table.rows
        for value, column in zip(row, table.columns, strict=True)
        if isinstance(value, Missing) and value.reason
    }
    return [f"Empty: {reason}." for reason in found]


def _contents_sheet(
    writer: _Writer,
    sheet: Any,
    document: Document,
    entries: Sequence[tuple[str, str]],
) -> None:
    from openpyxl.styles import Font
    from openpyxl.worksheet.hyperlink import Hyperlink

    sheet.column_dimensions["A"].width = 32
    sheet.column_dimensions["B"].width = 100
    sheet.freeze_panes = "A5"
    sheet.append([writer.text(sheet, document.title, bold=True)])
    where = ", ".join(part for part in (document.subtitle, document.made) if part)
    sheet.append([writer.text(sheet, where) if where else None])
    sheet.append([])
    sheet.append(
        [writer.text(sheet, "Sheet", bold=True), writer.text(sheet, "What it holds", bold=True)]
    )
    for row, (name, question) in enumerate(entries, start=5):
        link = writer.text(sheet, name)
        link.hyperlink = Hyperlink(ref=f"A{row}", location=f"'{name}'!A1", display=name)
        link.font = Font(color="1F4F7A", underline="single")
        sheet.append([link, writer.text(sheet, question)])


def _shows_table(document: Document) -> tuple[Table, ...]:
    items = [
        item for block in document.blocks() if isinstance(block, Findings) for item in block.items
    ]
    if not items:
        return ()
    return (
        Table(
            key="findings",
            question="What the trial shows, in sentences",
            columns=(Column(title="What the trial shows"),),
            rows=tuple((item,) for item in items),
            sheet="What it shows",
        ),
    )


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
    from openpyxl import Workbook

    tables = (*_shows_table(document), *document.tables(), *document.annex)
    names = sheet_names([CONTENTS, *(table.sheet or table.question for table in tables)])
    book = Workbook(write_only=True)
    writer = _Writer(book)
    first = book.create_sheet(names[0])
    entries = [(name, table.question) for name, table in zip(names[1:], tables, strict=True)]
    _contents_sheet(writer, first, document, entries)
    for name, table in zip(names[1:], tables, strict=True):
        _table_sheet(writer, book.create_sheet(name), table)
    book.properties.creator = "trialkit"
    book.properties.title = document.title
    stream = io.BytesIO()
    book.save(stream)
    return _settled(stream.getvalue(), made)


def _settled(content: bytes, made: datetime | None) -> bytes:
    """Take the hour of writing out of a workbook, and put the given one in."""
    stamp = (made or datetime(*_FIXED_TIME, tzinfo=UTC)).strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for item in old.infolist():
            part = old.read(item)
            if item.filename == "docProps/core.xml":
                part = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp, part)
            entry = zipfile.ZipInfo(item.filename, _FIXED_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, part)
    return stream.getvalue()


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
