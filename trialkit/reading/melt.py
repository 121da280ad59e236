"""Tables of values in their three shapes, melted into strips: one variable over many rows."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.days import header_days, row_days
from trialkit.reading.doubles import REPEATED
from trialkit.reading.headers import PLACES, TIMES, is_aside, normal
from trialkit.reading.names import Names
from trialkit.reading.numbers import (
    begins_as_number,
    cell_is_number,
    is_missing,
    nearly_number,
    plain_number,
)
from trialkit.reading.plan_columns import warn_unknown_column
from trialkit.reading.sheet_top import day_above
from trialkit.reading.sums import without_summaries
from trialkit.reading.tables import Column, Table
from trialkit.reading.value_rows import Rows
from trialkit.reading.zero import Zero
from trialkit.trial import UNDATED

_NAMELESS = "count"


@dataclass(frozen=True, slots=True)
class Strip:
    """Values of one variable (or numbers examined) under one heading, as rows of a long table.

    Attributes
    ----------
    written : str
        The variable as written.
    head : Cell
        Where the variable is named.
    rows : sequence of int
        Which rows of the table the cells stand in.
    cells : sequence of Cell
    days : sequence of float or None
        Day of each cell; None where it is not known, which is said already.
    dated : bool
        Whether the table gives days for these values at all.
    long : bool
        Whether the values stand under one heading with those of other variables.
    """

    written: str
    head: Cell
    rows: Sequence[int]
    cells: Sequence[Cell]
    days: Sequence[float | None]
    dated: bool
    long: bool = False


def melt(rows: Rows, names: Names, zero: Zero, ledger: Ledger, *, in_yield: bool) -> list[Strip]:
    """Melt a table of counts or yields, whatever its shape.

    Parameters
    ----------
    rows : Rows
    names : Names
    zero : Zero
        Day 0, for headings and columns with dates.
    ledger : Ledger
    in_yield : bool
        Whether this is a table of yields, which have no day.
    """
    table = rows.table
    days = None if in_yield else row_days(table, zero, ledger)
    if days is None and not in_yield:
        above = day_above(table, zero, ledger)
        days = None if above is None else [above] * len(table.rows)
    if table.column("variable") is not None and table.column("value") is not None:
        return list(_of_long(table, days, names, ledger))
    caption = None if in_yield else table.caption
    if days is None and caption is not None and caption.dated:
        days = _days_of_caption(table, zero, ledger)
    columns = _value_columns(table, days, names, ledger, in_yield=in_yield)
    headed = [c for c in columns if c.day is not None and not names.knows(c.header)]
    if in_yield or days is not None:
        headed = []
    found_days = header_days(table, headed, zero, ledger)
    by_column = {column.index: day for column, day in zip(headed, found_days, strict=True)}
    everywhere = range(len(table.rows))
    strips = []
    # Beside variables with names a heading of a day alone belongs to one of them, or to none.
    mixed = any(c.written for c in headed) and names.single() is None and not table.caption
    for column in columns:
        own = column.index in by_column
        written = column.written if own else column.above or column.header
        written = written or ("" if mixed else _nameless(table, names))
        if not written or (own and plain_number(written) is not None):
            _tell_no_variable(table, column, ledger)
            continue
        when = [by_column[column.index]] * len(table.rows) if own else days
        if own and all(is_missing(cell.text) for cell in table.cells(column)):
            _tell_empty(table, column, ledger)
        strips.append(
            Strip(
                written,
                column.cell,
                everywhere,
                table.cells(column),
                when if when is not None else [UNDATED] * len(table.rows),
                when is not None,
            )
        )
    return strips


def _days_of_caption(table: Table, zero: Zero, ledger: Ledger) -> list[float | None]:
    """Day of the whole table, from the name of its sheet or file."""
    caption = table.caption
    assert caption is not None  # noqa: S101 - the caller looked
    head = Column(1, table.grid.name, None, Cell(caption.date_text, 1, 1), "", caption)
    days = header_days(table, [head], zero, ledger) * len(table.rows)
    if days and days[0] is not None:
        ledger.understand(table.grid.name, table.grid.name, f"the assessment on day {days[0]:g}")
    return days


def _value_columns(
    table: Table,
    days: Sequence[float | None] | None,
    names: Names,
    ledger: Ledger,
    *,
    in_yield: bool,
) -> list[Column]:
    """Columns that hold values; those that do not are told."""
    found: list[Column] = []
    plots = table.column("plot")
    for column in table.columns:
        if column.field is not None:
            continue
        if names.knows(column.header):
            found.append(column)
        elif normal(column.header) in PLACES and _has_places(table):
            ledger.understand(table.grid.name, column.label, "a place in the field")
        elif table.column("main_plot") and normal(column.header) in _SUBPLOTS:
            ledger.understand(table.grid.name, column.label, "the place in the main plot")
        elif plots is not None and _repeats(table, column, plots):
            ledger.understand(table.grid.name, column.label, "the plots again")
        elif plots is None and _numbers_plots(table, column):
            ledger.warn(
                "plot-heading",
                f"{quoted(column.label)} numbers the plots and was not read as a count.",
                "Head it plot to have the plots called so.",
                table.header_place(column),
            )
        elif _numbers_rows(table, column):
            ledger.understand(table.grid.name, column.label, "the number of the row")
        elif column.day is not None and not in_yield:
            if days is not None and column.day.certain:
                _tell_two_days(table, column, ledger)
            elif (days is None and _may_hold(table, column, names)) or _is_variable(
                table, column, names
            ):
                found.append(column)
            else:
                warn_unknown_column(table, column, ledger)
        elif _is_variable(table, column, names):
            found.append(column)
        elif column.header or any(cell.text for cell in table.cells(column)):
            warn_unknown_column(table, column, ledger)
    return without_summaries(table, found, names, ledger)


def _has_places(table: Table) -> bool:
    return {normal(column.header) for column in table.columns} >= PLACES


def _repeats(table: Table, column: Column, plots: Column) -> bool:
    """Whether a column holds the plot numbers again, and so no values."""
    if len(table.rows) < 2:
        return False
    pairs = zip(table.cells(column), table.cells(plots), strict=True)
    return all(
        a.text == b.text or (a.text and plain_number(a.text) == plain_number(b.text) is not None)
        for a, b in pairs
    )


def _numbers_plots(table: Table, column: Column) -> bool:
    """Whether a column numbers plots: one number for each treatment of a block, no two alike.

    In tables of one row a plot only numbers that begin with that of their block, as 203 does.
    """
    block, treatment = table.column("block"), table.column("treatment") or table.column("name")
    if column.day is not None or block is None or treatment is None:
        return False
    numbers = [plain_number(cell.text) for cell in table.cells(column)]
    where = [
        (a.text, b.text) for a, b in zip(table.cells(block), table.cells(treatment), strict=True)
    ]
    owner: dict[float, tuple[str, str]] = {}
    for number, plot in zip(numbers, where, strict=True):
        if number is None or not number.is_integer() or owner.setdefault(number, plot) != plot:
            return False
    if len(set(where)) != len(owner) or len(owner) < _FEWEST_PLOTS:
        return False
    if len(owner) < len(numbers):
        return True
    places = zip(numbers, where, strict=True)
    return all(number and number // 100 == plain_number(block) for number, (block, _) in places)


_FEWEST_PLOTS = 4
_SUBPLOTS = frozenset({"sp", "subplotno", "subplotnr", "subplotid", "subplotnumber"})


def _numbers_rows(table: Table, column: Column) -> bool:
    """Whether a column numbers the rows from 1, or from 0: the first one, or named like that."""
    if column.day is not None or not (column.index == 1 or normal(column.header) in _SERIAL):
        return False
    numbers = [plain_number(cell.text) for cell in table.cells(column)]
    first = numbers[0] if numbers else None
    if len(numbers) < 6 or first not in {0.0, 1.0}:
        return False
    return numbers == [first + place for place in range(len(numbers))]


_SERIAL = frozenset({
    "no", "nr", "number", "serial", "serialno", "sl", "slno", "sno", "line", "seq", "sequence",
    "row", "count", "nummer",
})  # fmt: skip


def _tell_two_days(table: Table, column: Column, ledger: Ledger) -> None:
    taken = next((item for field in TIMES if (item := table.column(field)) is not None), None)
    what = f"the column {quoted(taken.header)}" if taken else f"the name {quoted(table.grid.name)}"
    ledger.error(
        "day-twice",
        f"Both {what} and the heading {quoted(column.header)} hold a day.",
        f"Take {what} out, or write only the variable into the heading.",
        table.header_place(column),
    )


def _may_hold(table: Table, column: Column, names: Names) -> bool:
    """Whether a column under a day holds values and not, say, remarks of that day."""
    if not column.written or names.knows(column.written):
        return True
    if is_aside(column.written):
        return False
    if _mostly_numbers(table, column) is not False:
        return True
    # Texts that begin with numbers are values spoilt, and no remarks of that day.
    filled = [cell for cell in table.cells(column) if not is_missing(cell.text)]
    return 2 * sum(map(begins_as_number, filled)) >= len(filled)


def _is_variable(table: Table, column: Column, names: Names) -> bool:
    """Whether a column holds values: it is described, or at least half of it are numbers."""
    if not column.header:
        return column.made
    if names.knows(column.written):
        return True
    if is_aside(column.written):
        return False
    return _mostly_numbers(table, column) is True


def _mostly_numbers(table: Table, column: Column) -> bool | None:
    """Whether at least half of the filled cells are numbers; None where nothing is filled.

    What stands for a number counts too: ``<1``, ``45 %``, an error of a formula.
    """
    filled = [cell for cell in table.cells(column) if not is_missing(cell.text)]
    if not filled:
        return None
    like = sum(cell_is_number(cell) or nearly_number(cell) for cell in filled)
    return 2 * like >= len(filled)


def _nameless(table: Table, names: Names) -> str:
    """Name the values under a heading that holds only a day."""
    caption = table.caption
    if caption is not None and caption.variable:
        return caption.variable
    return names.single() or ("" if names.declared else _NAMELESS)


def _tell_no_variable(table: Table, column: Column, ledger: Ledger) -> None:
    ledger.error(
        "no-variable",
        f"The heading {quoted(column.label)} holds a day and no variable.",
        f"Write the variable before the day, such as 'larvae {column.header}'.",
        table.header_place(column),
    )


def _tell_empty(table: Table, column: Column, ledger: Ledger) -> None:
    ledger.warn(
        "empty-column",
        f"No plot has a value under {quoted(column.label)}.",
        "Nothing needs to be done if nothing was counted then; the day is left out.",
        table.header_place(column),
    )


def _of_long(
    table: Table, days: Sequence[float | None] | None, names: Names, ledger: Ledger
) -> Iterator[Strip]:
    """One strip for each variable that a long table names."""
    variable, value = table.column("variable"), table.column("value")
    assert variable is not None and value is not None  # noqa: S101 - the caller looked
    for column in table.columns:
        unread = column.field is None and names.number_of(column.header) is None
        if unread and (column.header or any(cell.text for cell in table.cells(column))):
            warn_unknown_column(table, column, ledger)
    chosen: dict[str, list[int]] = {}
    heads = table.cells(variable)
    for index, cell in enumerate(heads):
        if cell.text:
            chosen.setdefault(cell.text, []).append(index)
        else:
            ledger.error(
                "no-variable",
                "This row has no variable.",
                "Fill in the column variable, or clear the row.",
                table.place(cell),
            )
    cells = table.cells(value)
    for written, indices in chosen.items():
        yield Strip(
            written,
            heads[indices[0]],
            indices,
            [cells[index] for index in indices],
            [UNDATED if days is None else days[index] for index in indices],
            days is not None,
            long=True,
        )


def told_columns(table: Table, ledger: Ledger) -> None:
    """Record what the columns that name rows were taken for."""
    for column in table.columns:
        if column.field is None or column.field in {REPEATED, "unclear"}:
            continue
        again = column.field in _REPEATS and table.kind in {"counts", "yield"}
        meaning = f"{column.field}, compared with the plan" if again else column.field
        ledger.understand(table.grid.name, column.header, meaning)


_REPEATS = frozenset({
    "treatment", "block", "replicate", "row", "column", "main_plot", "main_factor", "sub_factor",
    "name", "role",
})  # fmt: skip


_BEFORE = re.compile(
    r"(?<![a-z])(?:pre|before|baseline|initial)(?![a-z])|pre-?(?:treat|count|spray)", re.IGNORECASE
)


def tell_no_day(table: Table, strips: Sequence[Strip], ledger: Ledger) -> None:
    """Say which values have no day, where others have one or there are several of them."""
    headers = listing(dict.fromkeys(quoted(strip.written) for strip in strips))
    before = _BEFORE.search(strips[0].written)
    one = len({strip.written for strip in strips}) == 1
    ledger.error(
        "no-day",
        f"{headers} {'has' if one else 'have'} no day: there is none in the heading or the table.",
        "Write how many days before treatment it was counted, such as 'larvae 1 DBT', or "
        "'larvae 0 DAT' for the same day."
        if before
        else "Add a column days_after or date, or put the day into the heading, such as "
        f"'{strips[0].written} 7 DAT'.",
        table.place(strips[0].head),
    )
