"""The day of each row or column of counts: days after the first application, or dates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from trialkit.problems import quoted
from trialkit.reading.cells import Cell, Ledger, undash
from trialkit.reading.dates import plain_date, read_dates
from trialkit.reading.headers import normal
from trialkit.reading.headings import DayHeader, day_header
from trialkit.reading.numbers import plain_number, tell_fault
from trialkit.reading.tables import Column, Table
from trialkit.reading.zero import Zero

#: T-1 is a day before treatment where others are written T+3.
_PLUS = re.compile(r"(?<![^\W\d_])[TDJ]0?\s?\+\d", re.IGNORECASE)
_MINUS = re.compile(r"(?<![^\W\d_])[TDJ]0?\s?-\d", re.IGNORECASE)
#: DAS is days after sowing, and beside DBS (days before spraying) days after spraying.
_AFTER_S = re.compile(r"(?<![^\W\d_])DAS(?![^\W\d_])", re.IGNORECASE)
_BEFORE_SPRAYING = re.compile(r"(?<![^\W\d_])DBS(?![^\W\d_])", re.IGNORECASE)
_SOWN = (
    "DAS was read as days after sowing.",
    "Nothing needs to be done if that is right; for days after spraying write DAT.",
)
_DAY_FIELDS = ("days_after", "days_before", "days_planting", "hours_after", "weeks_after")
_SCALES = {"hours_after": 1 / 24, "weeks_after": 7.0}
#: Headings that may mean the day of the year, or of the month, as well.
_LOOSE = frozenset({"day", "days", "dayno", "timing"})


def row_days(table: Table, zero: Zero, ledger: Ledger) -> list[float | None] | None:
    """Day of each row; None where the table has no column for it.

    Where both days and dates are given they have to agree; where day 0 is not known it
    follows from them.
    """
    days_column = next((c for name in _DAY_FIELDS if (c := table.column(name))), None)
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
    days = _read_days(table, days_column, zero, ledger)
    if date_column is not None:
        _compare(table, date_column, days, dates, zero, ledger)
    return days


def header_days(
    table: Table, columns: Sequence[Column], zero: Zero, ledger: Ledger
) -> list[float | None]:
    """Day of each column that has one in its heading; None, with an error, where it has not."""
    dated = [
        column.cell._replace(text=column.day.date_text or column.cell.text, day=column.day.date)
        for column in columns
        if column.day is not None and column.day.day is None
    ]
    dates = iter(read_dates(dated, table, ledger, zero.day))
    plus = any(_PLUS.search(undash(column.header)) for column in columns)
    sprayed = any(_BEFORE_SPRAYING.search(column.header) for column in columns)
    days: list[float | None] = []
    for column in columns:
        place = table.header_place(column)
        if column.day is not None and column.day.day is not None:
            header = column.day
            if plus and header.unclear and _MINUS.search(undash(column.header)):
                header = replace(header, unclear=False, day=-abs(column.day.day))
            if header.since and _AFTER_S.search(column.header):
                header = replace(header, since="") if sprayed else header
                if not sprayed:
                    ledger.warn_once("days-sown", *_SOWN, place)
            days.append(zero.of(header, column.label, place, ledger))
        else:
            day = next(dates)
            days.append(None if day is None else zero.after(day, place, ledger))
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


def _read_days(table: Table, column: Column, zero: Zero, ledger: Ledger) -> list[float | None]:
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
                known[cell.text] = _day_in(cell, column, table, zero, ledger)
            days.append(known[cell.text])
    return days


def _day_in(cell: Cell, column: Column, table: Table, zero: Zero, ledger: Ledger) -> float | None:
    """Day in one cell, by what its column counts."""
    place = table.place(cell)
    header = day_in_text(cell.text, cell.number)
    if header is None or header.day is None:
        ledger.error(
            "day-unreadable",
            f"{quoted(cell.text)} is no day.",
            "Give the days after the first application as a number, -1 for the day before it.",
            place,
        )
        return None
    day = header.day * _SCALES.get(column.field or "", 1.0)
    if header.span or header.unclear or header.since or header.application > 1:
        return zero.of(header, cell.text, place, ledger)
    if column.field == "days_planting":
        return zero.after_planting(day, place, ledger)
    if column.field == "days_before":
        day = -abs(day)
    loose = normal(column.header) in _LOOSE
    return zero.count(day, place, loose=loose, sure=not loose)


def day_in_text(text: str, number: float | None = None) -> DayHeader | None:
    """Read a day: ``7``, ``-1``, ``7 DAT``, ``1 DBT``, ``day 7``; None where it is none."""
    if number is None:
        number = plain_number(text)
    if number is None and text.count(",") == 1:
        number = plain_number(text.replace(",", "."))
    if number is not None:
        return DayHeader("", day=number)
    header = day_header(Cell(text, 1, 1))
    return header if header is not None and not header.variable else None


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
