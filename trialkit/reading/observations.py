"""Values of plots: counts and yields, each with its cell."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from trialkit.problems import Place, quoted
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.melt import Strip, melt, told_columns
from trialkit.reading.names import Names
from trialkit.reading.numbers import read_numbers
from trialkit.reading.tables import Table
from trialkit.reading.value_rows import Rows
from trialkit.reading.zero import Zero


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
    ``undated`` are the values for which no day is given, by the table that they stand in.
    """

    counts: list[Record] = field(default_factory=list)
    yields: list[Record] = field(default_factory=list)
    numbers: list[Record] = field(default_factory=list)
    lasting: list[Record] = field(default_factory=list)
    undated: list[tuple[Table, Strip]] = field(default_factory=list)


def read_values(
    rows: Rows, names: Names, zero: Zero, values: Values, ledger: Ledger, *, in_yield: bool = False
) -> None:
    """Read the values of one table of counts or yields, whatever its shape."""
    told_columns(rows.table, ledger)
    strips = melt(rows, names, zero, ledger, in_yield=in_yield)
    _Reader(rows, names, values, ledger, in_yield=in_yield).read(strips)


class _Reader:
    """Reads the strips of one table into records."""

    def __init__(
        self, rows: Rows, names: Names, values: Values, ledger: Ledger, *, in_yield: bool
    ) -> None:
        self.rows, self.names, self.values, self.ledger = rows, names, values, ledger
        self.in_yield = in_yield
        self.table = rows.table

    def read(self, strips: list[Strip]) -> None:
        """Read all strips; numbers examined that stand beside a long table belong to its rows."""
        beside = self._numbers_beside() if any(strip.long for strip in strips) else {}
        for strip in strips:
            key = self.names.number_of(strip.written)
            if key is not None:
                self._read_numbers_examined(strip, key)
            else:
                self._read_variable(strip, beside)

    def _read_variable(self, strip: Strip, beside: Mapping[str, Mapping[int, Number]]) -> None:
        names, place = self.names, self.table.place(strip.head)
        to_yield = self.in_yield or names.is_yield(strip.written)
        if self.in_yield and names.is_share(strip.written):
            _tell_share_in_yield(strip.written, place, self.ledger)
            return
        if not to_yield and not strip.dated:
            self.values.undated.append((self.table, strip))
        name = names.meet(strip.written, place, in_yield=to_yield)
        self._tell(strip, name, to_yield=to_yield)
        numbers, shown = read_numbers(
            strip.cells,
            self.table,
            self.ledger,
            marks=self.rows.marks,
            percent=names.is_percent(strip.written),
            alone=False,
        )
        if shown:
            names.found[name].shown_percent = True
        own = beside.get(names.number_key_of(name) or "", {})
        target = self.values.yields if to_yield else self.values.counts
        for index, day, value, cell in zip(
            strip.rows, strip.days, numbers, strip.cells, strict=True
        ):
            plot = self.rows.plots[index]
            day = 0.0 if to_yield else day
            if plot is not None and day is not None and value is not None:
                sample = None if to_yield else self.rows.samples[index]
                number = own.get(index)
                target.append(Record(plot, name, day, sample, value, cell, self.table, number))

    def _tell(self, strip: Strip, name: str, *, to_yield: bool) -> None:
        what = "yield variable" if to_yield else "variable"
        on = ""
        day = strip.days[0] if strip.days else None
        single = strip.dated and not strip.long and len(set(strip.days)) == 1
        if single and day is not None and not to_yield:
            on = f" on day {day:g}"
        header = strip.head.text or strip.written
        self.ledger.understand(self.table.grid.name, header, f"{what} {name}{on}")

    def _read_numbers_examined(self, strip: Strip, key: str) -> None:
        """Read how many units were examined."""
        self.names.met_numbers.add(key)
        on = "" if strip.dated else " on every day"
        meaning = f"number examined of {self.names.number_names(key)}{on}"
        header = strip.head.text or strip.written
        self.ledger.understand(self.table.grid.name, header, meaning)
        numbers, _ = read_numbers(strip.cells, self.table, self.ledger, marks=self.rows.marks)
        target = self.values.numbers if strip.dated else self.values.lasting
        for index, day, value, cell in zip(
            strip.rows, strip.days, numbers, strip.cells, strict=True
        ):
            plot = self.rows.plots[index]
            if plot is not None and day is not None:
                known = math.inf if value is None else value
                sample = self.rows.samples[index]
                day = day if strip.dated else 0.0
                target.append(Record(plot, key, day, sample, known, cell, self.table))

    def _numbers_beside(self) -> Mapping[str, Mapping[int, Number]]:
        """Numbers examined in columns beside the values of a long table, by key and row."""
        found: dict[str, dict[int, Number]] = {}
        for column in self.table.columns:
            key = self.names.number_of(column.header) if column.field is None else None
            if key is None:
                continue
            self.names.met_numbers.add(key)
            meaning = f"number examined of {self.names.number_names(key)}"
            self.ledger.understand(self.table.grid.name, column.header, meaning)
            cells = self.table.cells(column)
            numbers, _ = read_numbers(cells, self.table, self.ledger, marks=self.rows.marks)
            found[key] = {
                index: Number(math.inf if value is None else value, cell, self.table)
                for index, (value, cell) in enumerate(zip(numbers, cells, strict=True))
                if value is None or not math.isnan(value)
            }
        return found


def _tell_share_in_yield(header: str, place: Place, ledger: Ledger) -> None:
    ledger.error(
        "share-in-yield",
        f"{quoted(header)} is counted out of a number examined, which yields are not.",
        "Put it among the counts, with the day of the assessment.",
        place,
    )
