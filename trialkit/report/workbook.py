"""The Document as a workbook: one sheet a table, numbers as numbers."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

from trialkit.figures.identity import plain_line
from trialkit.files import write_whole
from trialkit.report.document import (
    Cell,
    Column,
    Document,
    Findings,
    Kind,
    Listing,
    Missing,
    Table,
)
from trialkit.report.html import shade
from trialkit.report.sheets import Sheet, SheetCell, Shown, Style, spreadsheet

#: Longest name of a sheet that the format allows.
LONGEST_NAME = 31
CONTENTS = "Contents"
#: Four decimals, and a word for what is smaller than they can show.
P_VALUE_FORMAT = '[<0.0001]"<0.0001";0.0000'
_BARRED = re.compile(r"[\[\]:*?/\\']")
_HEADING = Style(font="bold")
_FILLS = {
    "held": "7FB3D9",
    "near": "B5D3EA",
    "half": "D6E6F3",
    "some": "EDF4FA",
    "below": "F6D9C2",
    "harm-2": "FBE9D7",
    "harm-3": "F3C79E",
    "harm-4": "E79F63",
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


def _table_sheet(name: str, table: Table | Listing) -> Sheet:
    titles = [
        f"{column.title} ({column.under})" if column.under else column.title
        for column in table.columns
    ]
    styles = [Style(shown=number_format(column)) for column in table.columns]
    columns: Sequence[Sequence[Cell]]
    body: Sequence[Sequence[Shown]]
    if isinstance(table, Listing):
        columns = body = table.cells
        notes = []
    else:
        columns = list(zip(*table.rows, strict=True)) or [()] * len(titles)
        body = [
            _body_cells(table, place, cells, style)
            for place, (cells, style) in enumerate(zip(columns, styles, strict=True))
        ]
        notes = [*table.notes, *_reasons(table)]
    widths = [_width(*column) for column in zip(table.columns, columns, strict=True)]
    return Sheet(
        name=name,
        head=[[SheetCell(title, _HEADING) for title in titles]],
        body=body,
        foot=[[], *([note] for note in notes)] if notes else [],
        widths=widths,
        styles=styles,
        head_lines=_head_lines(titles, widths),
    )


def _body_cells(table: Table, place: int, cells: Sequence[Cell], style: Style) -> Sequence[Shown]:
    """Cells of one column; what is missing stays empty."""
    values = [_shown(cell) for cell in cells]
    names: Sequence[str] = ()
    if table.target is not None and table.columns[place].kind is Kind.NUMBER:
        target = table.target
        names = [shade(value, target) for value in values]
    elif table.shades:
        names = [row[place] for row in table.shades]
    if not names:
        return values
    filled = {name: Style(style.shown, _FILLS.get(name, "")) for name in set(names) if name}
    return [
        SheetCell(value, filled[name])
        if name and value is not None and not isinstance(value, str)
        else value
        for value, name in zip(values, names, strict=True)
    ]


def _shown(value: Cell) -> float | str | None:
    if isinstance(value, str):
        return value or None
    if value is None or isinstance(value, Missing) or not math.isfinite(value):
        return None
    return value


def _reasons(table: Table) -> list[str]:
    found = dict.fromkeys(
        value.reason
        for row in table.rows
        for value in row
        if isinstance(value, Missing) and value.reason
    )
    return [f"Empty: {reason}." for reason in found]


def _contents_sheet(document: Document, entries: Sequence[tuple[str, str]]) -> Sheet:
    where = ", ".join(part for part in (document.subtitle, document.made) if part)
    rows: list[Sequence[Shown]] = [
        [SheetCell(document.title, _HEADING)],
        [where or None],
        [],
        [SheetCell("Sheet", _HEADING), SheetCell("What it holds", _HEADING)],
    ]
    link = Style(font="link")
    rows += [[SheetCell(name, link), question] for name, question in entries]
    return Sheet(
        name=CONTENTS,
        head=rows,
        widths=(34.0, 100.0),
        frozen=(0, 4),
        links=tuple((row, name) for row, (name, _) in enumerate(entries, start=5)),
    )


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
    tables: tuple[Table | Listing, ...] = (
        *_shows_table(document),
        *document.tables(),
        *document.annex,
    )
    names = sheet_names([CONTENTS, *(table.sheet or table.question for table in tables)])[1:]
    entries = [(name, table.question) for name, table in zip(names, tables, strict=True)]
    sheets = [
        _contents_sheet(document, entries),
        *(_table_sheet(name, table) for name, table in zip(names, tables, strict=True)),
    ]
    return spreadsheet(sheets, document.title, made)


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
