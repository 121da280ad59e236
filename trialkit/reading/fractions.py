"""Cells such as ``7/20``: how many of how many, brought to two columns."""

from __future__ import annotations

import re
from dataclasses import replace

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Ledger, Row, undash
from trialkit.reading.heading_units import HIT
from trialkit.reading.headings import DayHeader
from trialkit.reading.names import Names
from trialkit.reading.numbers import is_missing
from trialkit.reading.tables import Column, Table

_OF = re.compile(r"(\d{1,6})\s*/\s*(\d{1,6})")
_FEWEST = 4
_OF_MANY = re.compile(r"\bof\b|\bout of\b|/|\bincidence\b", re.IGNORECASE)


def split_fractions(table: Table, names: Names, ledger: Ledger) -> Table:
    """Make two columns of one whose cells all say how many of how many, such as ``7/20``.

    Only where no cell says more than all of them, the variable is not described, and its heading
    speaks of some of many: ``6/12`` may be a date.
    """
    found = [column for column in table.columns if _holds_fractions(table, column, names)]
    if not found:
        return table
    columns = list(table.columns)
    rows: list[Row] = [tuple(row) for row in table.rows]
    for column in found:
        written = column.written or column.header
        number = f"number examined of {written}"
        place = column.index - 1
        pairs = [_parts(row[place]) for row in rows]
        index = len(columns) + 1
        day: DayHeader | None = column.day and replace(column.day, variable=number)
        columns.append(Column(index, number, None, column.cell, "", day, made=True))
        rows = [
            (*row[:place], hit, *row[place + 1 :], of._replace(column=index))
            for row, (hit, of) in zip(rows, pairs, strict=True)
        ]
        if not names.knows(written):
            names.declare_share(written, table.header_place(column), number)
    heads = listing([quoted(column.label) for column in found], 4)
    ledger.warn(
        "fractions",
        f"Cells under {heads} say how many of how many; each is a percent of its number.",
        "Nothing needs to be done if that is right.",
        table.header_place(found[0]),
    )
    return replace(table, columns=tuple(columns), rows=tuple(rows))


def _parts(cell: Cell) -> tuple[Cell, Cell]:
    match = _OF.fullmatch(undash(cell.text).strip())
    if match is None:
        return cell, cell
    return cell._replace(text=match[1], number=None), cell._replace(text=match[2], number=None)


def _holds_fractions(table: Table, column: Column, names: Names) -> bool:
    written = column.written or column.header
    if column.field is not None or not written or names.knows(written):
        return False
    if HIT.fullmatch(written) is None and _OF_MANY.search(written) is None:
        return False
    filled = [cell for cell in table.cells(column) if not is_missing(cell.text)]
    matches = [_OF.fullmatch(undash(cell.text).strip()) for cell in filled]
    sound = all(match is not None and int(match[1]) <= int(match[2]) > 0 for match in matches)
    return sound and len(filled) >= _FEWEST
