"""Columns that tell something about the treatments: rate, cultivar, cost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from trialkit.problems import quoted
from trialkit.reading.cells import Cell, Ledger, variable_section
from trialkit.reading.headers import ASIDE, COMPARED, field_of, normal
from trialkit.reading.names import Names
from trialkit.reading.numbers import cell_is_number, plain_number
from trialkit.reading.tables import Column, Table

#: Field of a column that tells something about the treatment.
ATTRIBUTE = "about the treatment"
_AMOUNTS = frozenset({
    "conc", "concentration", "concn", "nitro", "nitrogen", "nrate", "depth", "density", "spacing",
    "seedrate", "seedingrate",
})  # fmt: skip


def holds_numbers(table: Table, column: Column) -> bool:
    """Whether at least half of the filled cells of a column are numbers."""
    filled = [cell for cell in table.cells(column) if cell.text]
    return bool(filled) and 2 * sum(map(cell_is_number, filled)) >= len(filled)


def is_rate(column: Column) -> bool:
    """Whether a heading names an amount that was given."""
    return field_of("treatments", column.header) == "rate" or normal(column.header) in _AMOUNTS


_ABOUT = frozenset({"rate", "rate_unit", "mode_of_action", "cost_per_ha", "cost_per_acre", "parts"})


def _is_word(column: Column) -> bool:
    return normal(column.header) in COMPARED


def _value(cell: Cell) -> str | float:
    number = plain_number(cell.text)
    return cell.text if number is None else number


def with_attributes(table: Table, names: Names, ledger: Ledger) -> Table:
    """Find the columns that are the same in all plots of a treatment: rate, cultivar, cost."""
    key = table.column("treatment")
    if key is None:
        return table
    groups: dict[str, list[int]] = {}
    for index, cell in enumerate(table.cells(key)):
        if cell.text:
            groups.setdefault(cell.text, []).append(index)
    several = [rows for rows in groups.values() if len(rows) > 1]
    columns = list(table.columns)
    for place, column in enumerate(columns):
        known = field_of("treatments", column.header) in _ABOUT if column.header else False
        if column.field is not None or column.day is not None or names.knows(column.header):
            continue
        if not column.header or len(groups) < 2 or len(several) * 2 < len(groups):
            continue
        if normal(column.header) in ASIDE and not known and not _is_word(column):
            continue
        cells = table.cells(column)
        same = all(len({_value(cells[i]) for i in rows}) == 1 for rows in groups.values())
        levels = {_value(cell) for cell in cells}
        response = names.is_percent(column.header) or names.is_yield(column.header)
        if not same and (is_rate(column) or _is_crossed(table, groups, column)):
            _tell_crossed(table, column, ledger)
            columns[place] = replace(column, field="unclear")
            continue
        if same and (known or (len(levels) > 1 and not response)):
            columns[place] = replace(column, field=ATTRIBUTE)
            if holds_numbers(table, column) and not known:
                ledger.warn(
                    "attribute",
                    f"{quoted(column.header)} is the same in all plots of a treatment; it was "
                    "taken for a property of the treatments and not for something counted.",
                    f"Nothing needs to be done if that is right; else describe it under "
                    f"{variable_section(column.header)}.",
                    table.header_place(column),
                )
    return table.with_columns(_with_name(table, columns, len(groups)))


def _with_name(table: Table, columns: list[Column], treatments: int) -> list[Column]:
    """Take the one column of hybrids or products beside entries by number for their names."""
    key = table.column("treatment")
    words = [
        column
        for column in columns
        if column.field == ATTRIBUTE
        and _is_word(column)
        and not holds_numbers(table, column)
        and len({cell.text for cell in table.cells(column)}) == treatments
    ]
    if key is None or table.column("name") is not None or len(words) != 1:
        return columns
    if not all(cell_is_number(cell) for cell in table.cells(key)):
        return columns
    return [replace(column, field="name") if column is words[0] else column for column in columns]


def _is_crossed(table: Table, groups: Mapping[str, Sequence[int]], column: Column) -> bool:
    """Whether few numbers stand equally often in all treatments, as levels of a factor do.

    With blocks that is asked about where plots are told apart.
    """
    told_apart = table.column("block") is not None or table.column("plot") is not None
    if told_apart or not holds_numbers(table, column):
        return False
    cells = table.cells(column)
    found = {tuple(sorted(cells[i].text for i in rows)) for rows in groups.values()}
    if len(found) != 1:
        return False
    levels = Counter(next(iter(found)))
    return 2 <= len(levels) <= 6 and len(set(levels.values())) == 1 and min(levels.values()) > 1


def _tell_crossed(table: Table, column: Column, ledger: Ledger) -> None:
    ledger.error(
        "crossed-factor",
        f"{quoted(column.header)} differs within treatments and seems to be a factor of its own.",
        "Head the column treatment otherwise, so that both make the treatments, or give one name "
        "to each combination; if it was counted, describe it: "
        f"{variable_section(column.header)}.",
        table.header_place(column),
    )
