"""The day of each row or column of counts: days after the first application, or dates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from trialkit.problems import Place
from trialkit.reading.cells import Cell, Ledger, quoted
from trialkit.reading.headers import day_header
from trialkit.reading.tables import Column, Table
from trialkit.reading.values import plain_date, plain_number, read_dates, tell_fault

_FAR_DAYS = 800


@dataclass(slots=True)
class Zero:
    """Day 0: the date of the first application, where it is known.

    ``dates`` collects every date that was turned into a day, to see whether they make sense.
    """

    day: date | None = None
    place: Place = field(default_factory=Place)
    told: bool = False
    dates: list[tuple[date, Place]] = field(default_factory=list)

    def after(self, day: date, place: Place, ledger: Ledger) -> float | None:
        """Days from the first application to a date."""
        if self.day is None:
            if not self.told:
                self.told = True
                ledger.error(
                    "no-day-zero",
                    "Assessments are given by date, and the date of the first application is not "
                    "known.",
                    "Give it as applied = 2025-06-12 in the settings, list it under applications, "
                    "or give the column days_after.",
                    place,
                )
            return None
        self.dates.append((day, place))
        return float((day - self.day).days)

    def check(self, ledger: Ledger) -> None:
        """Say so where dates and the first application cannot both be right."""
        if self.day is None or not self.dates:
            return
        far = [item for item in self.dates if abs((item[0] - self.day).days) > _FAR_DAYS]
        seen: set[date] = set()
        for day, place in far:
            if day not in seen:
                seen.add(day)
                years = abs((day - self.day).days) / 365.25
                side = "after" if day > self.day else "before"
                ledger.error(
                    "days-out-of-order",
                    f"{day.isoformat()} is {years:.1f} years {side} the first application "
                    f"({self.day.isoformat()}).",
                    "Correct the date, or the key applied.",
                    place,
                )
        if not far and all(day < self.day for day, _ in self.dates):
            last, place = max(self.dates, key=lambda item: item[0])
            ledger.error(
                "days-out-of-order",
                f"All assessments come before the first application ({self.day.isoformat()}); "
                f"the last is of {last.isoformat()}.",
                "Correct the key applied, or the dates.",
                place,
            )


def row_days(table: Table, zero: Zero, ledger: Ledger) -> list[float | None] | None:
    """Day of each row; None where the table has no column for it.

    Where both days and dates are given they have to agree; where day 0 is not known it
    follows from them.
    """
    days_column = table.column("days_after") or table.column("days_before")
    date_column = table.column("date")
    if days_column is not None and holds_dates(table.cells(days_column)):
        date_column, days_column = date_column or days_column, None
    if days_column is None and date_column is None:
        return None
    dates: list[date | None] = [None] * len(table.rows)
    if date_column is not None:
        dates = read_dates(table.cells(date_column), table, ledger, zero.day)
    if days_column is None and date_column is not None:
        return _days_of_dates(table, date_column, dates, zero, ledger)
    assert days_column is not None  # noqa: S101 - one of the two is there
    days = _read_days(table, days_column, ledger)
    if date_column is not None:
        _compare(table, date_column, days, dates, zero, ledger)
    return days


def holds_dates(cells: Sequence[Cell]) -> bool:
    """Whether all cells of a column of days with something in them are dates."""
    filled = [cell for cell in cells if cell.text]
    return bool(filled) and all(
        cell.day is not None
        or (plain_number(cell.text) is None and (plain_date(cell.text) or _is_date(cell)))
        for cell in filled
    )


def _is_date(cell: Cell) -> bool:
    header = day_header(cell)
    return header is not None and bool(header.date_text) and not header.variable


def _days_of_dates(
    table: Table, column: Column, dates: Sequence[date | None], zero: Zero, ledger: Ledger
) -> list[float | None]:
    days: list[float | None] = []
    for cell, day in zip(table.cells(column), dates, strict=True):
        if day is None:
            if not cell.text:
                _tell_no_day(cell, table, ledger)
            days.append(None)
        else:
            days.append(zero.after(day, table.place(cell), ledger))
    return days


def _read_days(table: Table, column: Column, ledger: Ledger) -> list[float | None]:
    before = column.field == "days_before"
    known: dict[str, float | None] = {}
    days: list[float | None] = []
    for cell in table.cells(column):
        if cell.fault or cell.day is not None:
            tell_fault(cell, table, ledger)
            days.append(None)
        elif not cell.text:
            _tell_no_day(cell, table, ledger)
            days.append(None)
        else:
            if cell.text not in known:
                known[cell.text] = cell.number if cell.number is not None else day_of(cell.text)
            day = known[cell.text]
            if day is None:
                ledger.error(
                    "day-unreadable",
                    f"{quoted(cell.text)} is no day.",
                    "Give the days after the first application as a number, -1 for the day "
                    "before it.",
                    table.place(cell),
                )
            days.append(-abs(day) if before and day is not None else day)
    return days


def day_of(text: str) -> float | None:
    """Read a day: ``7``, ``-1``, ``7 DAT``, ``1 DBT``, ``day 7``."""
    number = plain_number(text)
    if number is None and text.count(",") == 1:
        number = plain_number(text.replace(",", "."))
    if number is not None:
        return number
    header = day_header(Cell(text, 1, 1))
    return header.day if header is not None and not header.variable else None


def _tell_no_day(cell: Cell, table: Table, ledger: Ledger) -> None:
    ledger.error(
        "day-unreadable",
        "This row has no day.",
        "Fill in the days after the first application, or the date.",
        table.place(cell),
    )


def _compare(
    table: Table,
    column: Column,
    days: Sequence[float | None],
    dates: Sequence[date | None],
    zero: Zero,
    ledger: Ledger,
) -> None:
    pairs = [
        (cell, day, when)
        for cell, day, when in zip(table.cells(column), days, dates, strict=True)
        if day is not None and when is not None
    ]
    if not pairs:
        return
    ordinal = {when.toordinal() - day for _, day, when in pairs}
    if zero.day is None and len(ordinal) == 1 and float(min(ordinal)).is_integer():
        zero.day = date.fromordinal(int(min(ordinal)))
        ledger.warn(
            "applied-found",
            f"From days and dates the first application was on {zero.day.isoformat()}.",
            "Nothing needs to be done if that is right; else give the key applied.",
            table.header_place(column),
        )
    told: set[tuple[float, date]] = set()
    for cell, day, when in pairs:
        if zero.day is None:
            expected = when.toordinal() - min(ordinal)
        else:
            expected = float((when - zero.day).days)
        if abs(expected - day) >= 1 and (day, when) not in told:
            told.add((day, when))
            since = f" ({zero.day.isoformat()})" if zero.day else ""
            ledger.error(
                "days-out-of-order",
                f"{when.isoformat()} and day {day:g} do not agree: by the first application"
                f"{since} it would be day {expected:g}.",
                "Correct the day, the date, or the key applied.",
                table.place(cell),
            )
