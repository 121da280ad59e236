"""Values of plots: counts in their three shapes, and yields, each with its cell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from trialkit.problems import Place
from trialkit.reading.cells import Cell, Ledger, listing, quoted
from trialkit.reading.days import Zero, row_days
from trialkit.reading.headers import ASIDE, DayHeader, day_header, normal
from trialkit.reading.names import Names
from trialkit.reading.plan import warn_unknown_column
from trialkit.reading.rows import Rows
from trialkit.reading.sheet_top import day_above
from trialkit.reading.tables import Column, Table
from trialkit.reading.values import (
    cell_is_number,
    is_missing,
    read_dates,
    read_numbers,
)

_REPEATS = frozenset({
    "treatment", "block", "row", "column", "main_plot", "main_factor", "sub_factor", "name", "role",
})  # fmt: skip


class Number(NamedTuple):
    """How many units a share is of, with its cell."""

    value: float
    cell: Cell
    table: Table


class Record(NamedTuple):
    """One value of a plot with its cell; the day of a yield is 0.

    ``number`` is how many units were examined, where the value counts those hit.
    """

    plot: str
    variable: str
    day: float
    sample: str | None
    value: float
    cell: Cell
    table: Table
    number: Number | None = None


@dataclass(slots=True)
class Values:
    """What the tables of counts and yields hold.

    ``numbers`` are the numbers examined of shares k of n, with their key in the place of the
    variable; ``lasting`` those that stand under no day and hold on all days (their day is 0).
    """

    counts: list[Record] = field(default_factory=list)
    yields: list[Record] = field(default_factory=list)
    numbers: list[Record] = field(default_factory=list)
    lasting: list[Record] = field(default_factory=list)


def read_values(
    rows: Rows, names: Names, zero: Zero, values: Values, ledger: Ledger, *, in_yield: bool = False
) -> None:
    """Read the values of one table of counts or yields, whatever its shape."""
    table = rows.table
    for column in table.columns:
        if column.field is not None:
            again = column.field in _REPEATS and table.kind in {"counts", "yield"}
            meaning = f"{column.field}, compared with the plan" if again else column.field
            ledger.understand(table.grid.name, column.header, meaning)
    days = None if in_yield else row_days(table, zero, ledger)
    if days is None and not in_yield:
        above = day_above(table, zero, ledger)
        days = None if above is None else [above] * len(table.rows)
    if table.column("variable") is not None and table.column("value") is not None:
        _read_long(rows, days, names, values, ledger, in_yield=in_yield)
        for column in table.columns:
            if column.field is not None or names.number_of(column.header) is not None:
                continue
            if column.header or _filled(table, column):
                warn_unknown_column(table, column, ledger)
        return
    by_day: list[tuple[Column, DayHeader]] = []
    by_name: list[Column] = []
    for column in table.columns:
        if column.field is not None:
            continue
        header = None if in_yield or names.knows(column.header) else day_header(column.cell)
        if header is not None and days is not None and header.certain:
            _tell_two_days(table, column, ledger)
        elif header is not None and days is None and _may_hold(table, column, header, names):
            by_day.append((column, header))
        elif _is_variable(table, column, names):
            by_name.append(column)
        elif column.header or _filled(table, column):
            warn_unknown_column(table, column, ledger)
    if by_day:
        _read_by_day(rows, by_day, names, zero, values, ledger)
    _read_by_variable(rows, by_name, days, names, values, ledger, in_yield=in_yield, wide=by_day)


def _tell_two_days(table: Table, column: Column, ledger: Ledger) -> None:
    taken = next(
        item
        for field in ("days_after", "days_before", "date")
        if (item := table.column(field)) is not None
    )
    ledger.error(
        "day-twice",
        f"Both the column {quoted(taken.header)} and the heading {quoted(column.header)} hold a "
        "day.",
        f"Take the column {quoted(taken.header)} out, or write only the variable into the heading.",
        table.header_place(column),
    )


def _may_hold(table: Table, column: Column, header: DayHeader, names: Names) -> bool:
    """Whether a column under a day holds values and not, say, remarks of that day."""
    if not header.variable or names.knows(header.variable):
        return True
    if normal(header.variable) in ASIDE:
        return False
    return _mostly_numbers(table, column) is not False


def _filled(table: Table, column: Column) -> bool:
    return any(cell.text for cell in table.cells(column))


def _is_variable(table: Table, column: Column, names: Names) -> bool:
    """Whether a column holds values: it is described, or at least half of it are numbers."""
    if not column.header:
        return False
    if names.knows(column.header):
        return True
    if normal(column.header) in ASIDE:
        return False
    return _mostly_numbers(table, column) is True


def _mostly_numbers(table: Table, column: Column) -> bool | None:
    """Whether at least half of the filled cells are numbers; None where nothing is filled."""
    filled = [cell for cell in table.cells(column) if not is_missing(cell.text)]
    if not filled:
        return None
    return 2 * sum(cell_is_number(cell) for cell in filled) >= len(filled)


def _column_values(
    rows: Rows, column: Column, header: str, names: Names, ledger: Ledger
) -> list[float | None]:
    cells = rows.table.cells(column)
    return read_numbers(
        cells, rows.table, ledger, commas=rows.commas, percent=names.is_percent(header)
    )


def _read_by_variable(
    rows: Rows,
    columns: Sequence[Column],
    days: Sequence[float | None] | None,
    names: Names,
    values: Values,
    ledger: Ledger,
    *,
    in_yield: bool,
    wide: Sequence[object],
) -> None:
    table = rows.table
    without_day: list[Column] = []
    for column in columns:
        key = names.number_of(column.header)
        if key is not None:
            target = values.numbers if days is not None else values.lasting
            _read_numbers_examined(rows, column, key, days, names, target, ledger)
            continue
        to_yield = in_yield or names.is_yield(column.header)
        if in_yield and names.is_share(column.header):
            _tell_share_in_yield(column.header, table.header_place(column), ledger)
            continue
        if not to_yield and days is None:
            without_day.append(column)
            continue
        place = table.header_place(column)
        name = names.meet(column.header, place, in_yield=to_yield)
        what = "yield variable" if to_yield else "variable"
        ledger.understand(table.grid.name, column.header, f"{what} {name}")
        numbers = _column_values(rows, column, column.header, names, ledger)
        target = values.yields if to_yield else values.counts
        when = [0.0] * len(numbers) if to_yield or days is None else days
        for plot, day, sample, value, cell in zip(
            rows.plots, when, rows.samples, numbers, table.cells(column), strict=True
        ):
            if plot is not None and day is not None and value is not None:
                target.append(
                    Record(plot, name, day, None if to_yield else sample, value, cell, table)
                )
    if without_day:
        headers = listing([quoted(column.header) for column in without_day])
        where = "its heading" if wide else "the table"
        ledger.error(
            "no-day",
            f"{headers} {'has' if len(without_day) == 1 else 'have'} no day: there is none in "
            f"{where}.",
            "Add a column days_after or date, or put the day into the heading, such as "
            f"'{without_day[0].header} 7 DAT'.",
            table.header_place(without_day[0]),
        )


def _read_by_day(
    rows: Rows,
    columns: Sequence[tuple[Column, DayHeader]],
    names: Names,
    zero: Zero,
    values: Values,
    ledger: Ledger,
) -> None:
    table = rows.table
    days = _header_days(table, columns, zero, ledger)
    for (column, header), day in zip(columns, days, strict=True):
        written = header.variable or _variable_above(table, column, names)
        if not written:
            written = names.single() or ("" if names.declared else "count")
        if not written:
            ledger.error(
                "no-variable",
                f"The heading {quoted(column.label)} holds a day and no variable.",
                f"Write the variable before the day, such as 'larvae {column.header}'.",
                table.header_place(column),
            )
            continue
        key = names.number_of(written)
        if key is not None:
            when = [day] * len(table.rows)
            _read_numbers_examined(rows, column, key, when, names, values.numbers, ledger)
            continue
        name = names.meet(written, table.header_place(column), in_yield=False)
        numbers = _column_values(rows, column, written, names, ledger)
        if day is None:
            continue
        ledger.understand(table.grid.name, column.label, f"variable {name} on day {day:g}")
        if all(is_missing(cell.text) for cell in table.cells(column)):
            ledger.warn(
                "empty-column",
                f"No plot has a value under {quoted(column.label)}.",
                "Nothing needs to be done if nothing was counted then; the day is left out.",
                table.header_place(column),
            )
        for plot, sample, value, cell in zip(
            rows.plots, rows.samples, numbers, table.cells(column), strict=True
        ):
            if plot is not None and value is not None:
                values.counts.append(Record(plot, name, day, sample, value, cell, table))


def _read_numbers_examined(
    rows: Rows,
    column: Column,
    key: str,
    days: Sequence[float | None] | None,
    names: Names,
    target: list[Record],
    ledger: Ledger,
) -> None:
    """Read a column that says how many units were examined."""
    table = rows.table
    names.met_numbers.add(key)
    on = " on every day" if days is None else ""
    meaning = f"number examined of {names.number_names(key)}{on}"
    ledger.understand(table.grid.name, column.label, meaning)
    cells = table.cells(column)
    numbers = read_numbers(cells, table, ledger, commas=rows.commas)
    when = [0.0] * len(cells) if days is None else days
    for plot, day, sample, value, cell in zip(
        rows.plots, when, rows.samples, numbers, cells, strict=True
    ):
        if plot is not None and day is not None:
            known = math.inf if value is None else value
            target.append(Record(plot, key, day, sample, known, cell, table))


def _tell_share_in_yield(header: str, place: Place, ledger: Ledger) -> None:
    ledger.error(
        "share-in-yield",
        f"{quoted(header)} is counted out of a number examined, which yields are not.",
        "Put it among the counts, with the day of the assessment.",
        place,
    )


def _header_days(
    table: Table, columns: Sequence[tuple[Column, DayHeader]], zero: Zero, ledger: Ledger
) -> list[float | None]:
    dated = [
        column.cell._replace(text=header.date_text or column.cell.text)
        for column, header in columns
        if header.day is None
    ]
    dates = iter(read_dates(dated, table, ledger, zero.day))
    days: list[float | None] = []
    for column, header in columns:
        place = table.header_place(column)
        if header.unclear:
            ledger.error(
                "day-unreadable",
                f"The heading {quoted(column.header)} may mean day {-(header.day or 0):g} or day "
                f"{header.day:g}.",
                f"Write '{header.variable} {abs(header.day or 0):g} DAT' for days after treatment, "
                f"'{header.variable} {abs(header.day or 0):g} DBT' for days before it.",
                place,
            )
            days.append(None)
        elif header.day is not None:
            days.append(header.day)
        else:
            day = next(dates)
            days.append(None if day is None else zero.after(day, place, ledger))
    return days


def _variable_above(table: Table, column: Column, names: Names) -> str:
    """Variable in a row above the days: a merged heading, or one that is described."""
    for row in reversed([row for row in table.grid.rows if row[0].row < table.header_row]):
        number = row[0].row
        for span in table.grid.merged:
            inside = span.first_column <= column.index <= span.last_column
            if inside and span.first_row <= number <= span.last_row and span.first_column > 1:
                text = row[span.first_column - 1].text if len(row) >= span.first_column else ""
                if text:
                    return text
        before = [cell.text for cell in row[: column.index] if cell.text]
        if before and names.knows(before[-1]):
            return before[-1]
    return ""


def _read_long(
    rows: Rows,
    days: Sequence[float | None] | None,
    names: Names,
    values: Values,
    ledger: Ledger,
    *,
    in_yield: bool,
) -> None:
    table = rows.table
    variable, value = table.column("variable"), table.column("value")
    assert variable is not None and value is not None  # noqa: S101 - the caller looked
    by_header: dict[str, list[int]] = {}
    for index, cell in enumerate(table.cells(variable)):
        if cell.text:
            by_header.setdefault(cell.text, []).append(index)
        else:
            ledger.error(
                "no-variable",
                "This row has no variable.",
                "Fill in the column variable, or clear the row.",
                table.place(cell),
            )
    cells = table.cells(value)
    beside = _numbers_beside(rows, names, ledger)
    no_day = None
    for header, indices in by_header.items():
        first = table.place(table.rows[indices[0]][variable.index - 1])
        key = names.number_of(header)
        to_yield = key is None and (in_yield or names.is_yield(header))
        if in_yield and names.is_share(header):
            _tell_share_in_yield(header, first, ledger)
            continue
        if key is None:
            name = names.meet(header, first, in_yield=to_yield)
            ledger.understand(table.grid.name, header, f"variable {name}")
        else:
            name = key
            names.met_numbers.add(key)
            meaning = f"number examined of {names.number_names(key)}"
            ledger.understand(table.grid.name, header, meaning)
        chosen = [cells[index] for index in indices]
        numbers = read_numbers(
            chosen, table, ledger, commas=rows.commas, percent=names.is_percent(header)
        )
        target = values.yields if to_yield else values.counts if key is None else values.numbers
        own = beside.get(names.number_key_of(name) or "", {})
        for index, number in zip(indices, numbers, strict=True):
            plot = rows.plots[index]
            day = 0.0 if to_yield else days[index] if days is not None else None
            if days is None and not to_yield:
                no_day = no_day or header
            if plot is not None and day is not None and number is not None:
                sample = None if to_yield else rows.samples[index]
                cell, examined = cells[index], own.get(index)
                target.append(Record(plot, name, day, sample, number, cell, table, examined))
            elif key is not None and plot is not None and day is not None:
                target.append(Record(plot, name, day, None, math.inf, cells[index], table))
    if no_day is not None:
        ledger.error(
            "no-day",
            "The table has no column days_after or date.",
            "Add one of them.",
            table.header_place(),
        )


def _numbers_beside(rows: Rows, names: Names, ledger: Ledger) -> Mapping[str, Mapping[int, Number]]:
    """Numbers examined in columns beside the values of a long table, by key and row."""
    table = rows.table
    found: dict[str, dict[int, Number]] = {}
    for column in table.columns:
        key = names.number_of(column.header) if column.field is None else None
        if key is None:
            continue
        names.met_numbers.add(key)
        meaning = f"number examined of {names.number_names(key)}"
        ledger.understand(table.grid.name, column.header, meaning)
        cells = table.cells(column)
        numbers = read_numbers(cells, table, ledger, commas=rows.commas)
        found[key] = {
            index: Number(math.inf if value is None else value, cell, table)
            for index, (value, cell) in enumerate(zip(numbers, cells, strict=True))
            if value is None or not math.isnan(value)
        }
    return found
