"""Dates from cells: in every form that can be read in one way only."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta

from trialkit.problems import quoted
from trialkit.reading.cells import Cell, Grid, Ledger, undash
from trialkit.reading.months import month_number
from trialkit.reading.numbers import Located, plain_number, tell_fault

_COMPACT = re.compile(r"(19\d\d|20\d\d)(\d\d)(\d\d)")
_CLOSE = re.compile(r"(\d{1,2})([^\W\d_]{3,10})(\d{4})")
#: The time of day of a date is of no matter here.
_TIME = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?)?"
_ISO = re.compile(rf"(\d{{4}})-(\d{{1,2}})-(\d{{1,2}}){_TIME}")
_YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})\.?")
_PARTS = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})")
_MONTH = r"([^\W\d_]{3,10})\.?"
_NAMED = re.compile(
    rf"(\d{{1,2}})(?:\.|st|nd|rd|th|er|º|°)?[ -](?:de |of )?{_MONTH}[ -](?:de )?(\d{{4}}|\d{{2}})"
)
_NAMED_FIRST = re.compile(rf"{_MONTH} (\d{{1,2}})(?:st|nd|rd|th)?,? (\d{{4}})")
_YEARLESS = re.compile(rf"(\d{{1,2}})(?:\.|st|nd|rd|th|er|º|°)?[ -]?(?:de |of )?{_MONTH}")
_YEARLESS_FIRST = re.compile(rf"{_MONTH}[ -]?(\d{{1,2}})(?:st|nd|rd|th)?")
#: With a point behind the month too it is no decimal number, and the day comes first.
_YEARLESS_POINTS = re.compile(r"(\d{1,2})\. ?(\d{1,2})\.")
_DAY_AND_MONTH = re.compile(r"\d{1,2}\s?[./-]\s?\d{1,2}\.?")
_WEEKDAY = re.compile(r"[^\W\d_]{2,10}[.,]? (?=\d)")
#: A date without a year lies so many days before the first application, or up to a year after.
_SEASON_BEFORE = 90
_NEAR_DAYS = 400
#: Days since 1900 as spreadsheets count them, from 1980 to 2079.
_SERIALS = (29_220, 65_745)


def _make(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def plain_date(text: str) -> date | None:
    """Read a date that can be read in one way only: ISO, year first, or with a month's name."""
    text = _spaced(undash(text))
    found = _plain_date(text)
    if found is None and _WEEKDAY.match(text):
        return _plain_date(_WEEKDAY.sub("", text, count=1))
    return found


def _spaced(text: str) -> str:
    """The same with plain single spaces: a date is often pasted with others."""
    return " ".join(text.split())


def certain_date(text: str, order: str = "") -> date | None:
    """Read a date by itself: as `plain_date`, with points day first, or where one order fits.

    ``order`` is that of all dates of the trial, as `order_of` finds it.
    """
    found = plain_date(text) or _short_year(text, None)
    match = _PARTS.fullmatch(undash(text).strip())
    if found is not None or match is None:
        return found
    short = len(match[4]) == 2
    a, b, year = int(match[1]), int(match[3]), int(match[4]) + 2000 * short
    orders = _ORDERS if short else _ORDERS[:1] if match[2] == "." else _ORDERS[:2]
    orders = tuple(item for item in orders if item[0] == order) or orders
    made = {day for _, read in orders if (day := read(a, b, year)) is not None}
    return made.pop() if len(made) == 1 else None


def _plain_date(text: str) -> date | None:
    if match := (_ISO.fullmatch(text) or _YEAR_FIRST.fullmatch(text) or _COMPACT.fullmatch(text)):
        return _make(*(int(part) for part in match.groups()[:3]))
    if match := _NAMED.fullmatch(text) or _CLOSE.fullmatch(text):
        day, name, year = match.groups()
    elif match := _NAMED_FIRST.fullmatch(text):
        name, day, year = match.groups()
    else:
        return None
    month = month_number(name)
    if month is None or len(year) == 2:
        return None
    return _make(int(year), month, int(day))


def yearless(text: str) -> tuple[int, int] | None:
    """Month and day of a date without its year: ``11 Jun``, ``June 11``, ``11.06.``."""
    text = _spaced(undash(text))
    if match := _YEARLESS.fullmatch(text):
        day, name = match.groups()
    elif match := _YEARLESS_FIRST.fullmatch(text):
        name, day = match.groups()
    elif match := _YEARLESS_POINTS.fullmatch(text):
        day, name = match.groups()
    else:
        return None
    month = int(name) if name.isdigit() else month_number(name)
    return None if month is None or _make(2024, month, int(day)) is None else (month, int(day))


def _short_year(text: str, applied: date | None) -> date | None:
    """Read ``11-Jun-25``, as spreadsheets show a date, where it lies near the application."""
    match = _NAMED.fullmatch(_spaced(undash(text)))
    month = None if match is None else month_number(match[2])
    if match is None or month is None or len(match[3]) != 2:
        return None
    made = _make(2000 + int(match[3]), month, int(match[1]))
    if made is None or applied is None:
        return made  # what day it is after the application is asked anyway
    return made if abs((made - applied).days) <= _NEAR_DAYS else None


def _in_season(month: int, day: int, applied: date) -> date | None:
    """The date of a month and day in the season of an application."""
    made = [_make(applied.year + step, month, day) for step in (-1, 0, 1)]
    first = applied - timedelta(days=_SEASON_BEFORE)
    return next((one for one in made if one is not None and one >= first), None)


def is_dated(cell: Cell) -> bool:
    """Whether a cell holds a date, in whatever form."""
    text = undash(cell.text)
    return (
        cell.day is not None
        or plain_date(text) is not None
        or _PARTS.fullmatch(text) is not None
        or yearless(text) is not None
    )


_Order = Callable[[int, int, int], date | None]
_ORDERS: tuple[tuple[str, _Order], ...] = (
    ("day, month, year", lambda a, b, c: _make(c, b, a)),
    ("month, day, year", lambda a, b, c: _make(c, a, b)),
    ("year, month, day", lambda a, b, c: _make(2000 + a, b, c - 2000)),
)


def read_dates(
    cells: Sequence[Cell], table: Located, ledger: Ledger, applied: date | None = None
) -> list[date | None]:
    """Read a column of dates.

    Real dates of a workbook and ISO dates are taken as they are. Dates such as 19.06.2025 and
    19/06/2025 are read where only one order of day and month fits the whole column, and this
    is said; dates with points are taken as day, month, year where that fits. Otherwise each
    such date is an error that asks for ISO.

    Returns
    -------
    list of date or None
        None where the cell is empty or could not be read.
    """
    dates: list[date | None] = []
    open_cells: dict[int, tuple[int, int, int]] = {}
    for index, cell in enumerate(cells):
        found = cell.day
        if cell.fault and cell.fault != "time":
            tell_fault(cell, table, ledger)
        elif found is None and cell.text:
            found = plain_date(cell.text)
            match = _PARTS.fullmatch(undash(cell.text))
            if found is None and match is not None:
                a, _, b, c = match.groups()
                open_cells[index] = (int(a), int(b), int(c) + (2000 if len(c) == 2 else 0))
            elif found is None:
                found = _without_year(cell, table, ledger, applied)
                if found is None:
                    _tell_date(cell, table, ledger)
        dates.append(found)
    if open_cells:
        _settle_order(cells, open_cells, dates, table, ledger, applied)
    return dates


def _without_year(cell: Cell, table: Located, ledger: Ledger, applied: date | None) -> date | None:
    """Take the year of the application for a date that gives none, and say so."""
    parts = yearless(cell.text)
    found = None if parts is None or applied is None else _in_season(*parts, applied)
    short = _short_year(cell.text, applied) if found is None else None
    found = found or short
    if found is not None:
        what = "no year" if short is None else "a year of two figures"
        ledger.warn_once(
            "date-year",
            f"Dates here have {what}; {quoted(cell.text)} was taken for {found.isoformat()}"
            f"{', by the date of the first application' if applied is not None else ''}.",
            "Nothing needs to be done if that is right; dates such as 2025-06-19 leave no doubt.",
            table.place(cell),
        )
    return found


def _tell_mixed(
    cells: Sequence[Cell],
    open_cells: dict[int, tuple[int, int, int]],
    dates: Sequence[date | None],
    table: Located,
    ledger: Ledger,
) -> bool:
    """Say so where dates stand in two forms and the one may be turned round.

    A spreadsheet that takes 12/06 for 6 December leaves 13/06 as text: real dates that could
    have been turned, beside texts with day and month in figures, cannot be trusted.
    """
    turned = [i for i, day in enumerate(dates) if day is not None and day.day <= 12]
    if not turned:
        return False
    first, text = cells[turned[0]], cells[next(iter(open_cells))]
    ledger.error(
        "dates-mixed",
        f"{quoted(text.text)} stands as text beside the date {first.text}, of which day and month "
        "may have been exchanged when the file was opened.",
        "Write all dates of the column in one form, such as 2025-06-19.",
        table.place(text),
    )
    return True


def _settle_order(
    cells: Sequence[Cell],
    open_cells: dict[int, tuple[int, int, int]],
    dates: list[date | None],
    table: Located,
    ledger: Ledger,
    applied: date | None,
) -> None:
    first = cells[next(iter(open_cells))]
    short = all(len(re.split(r"[./-]", undash(cells[i].text))[2]) == 2 for i in open_cells)
    fitting: list[tuple[str, dict[int, date]]] = []
    for name, order in _ORDERS:
        if name.startswith("year") and not short:
            continue
        read = {i: made for i, parts in open_cells.items() if (made := order(*parts)) is not None}
        if len(read) < len(open_cells):
            continue
        near = applied is None or any(
            abs((day - applied).days) <= _NEAR_DAYS for day in read.values()
        )
        if near or not short:
            fitting.append((name, read))
    if fitting and _tell_mixed(cells, open_cells, dates, table, ledger):
        return
    points = all("." in cells[i].text for i in open_cells)
    if len({tuple(read.values()) for _, read in fitting}) > 1 and points and not short:
        fitting = [item for item in fitting if item[0].startswith("day")] or fitting
    if len({tuple(read.values()) for _, read in fitting}) > 1 and ledger.date_order:
        fitting = [item for item in fitting if item[0] == ledger.date_order] or fitting
    if len({tuple(read.values()) for _, read in fitting}) == 1:
        name, read = fitting[0]
        for index, day in read.items():
            dates[index] = day
        shown = read[next(iter(open_cells))]
        ledger.warn(
            "date-order",
            f"Dates here were read as {name}; {quoted(first.text)} is {shown.isoformat()}.",
            "Nothing needs to be done if that is right; dates such as 2025-06-19 leave no doubt.",
            table.place(first),
        )
        return
    for index in open_cells:
        cell = cells[index]
        if fitting:
            ways = " or ".join(sorted({read[index].isoformat() for _, read in fitting}))
            ledger.error(
                "date-unclear",
                f"The date {quoted(cell.text)} can be read in more than one way ({ways}).",
                "Write year, month and day with hyphens, such as 2025-06-19.",
                table.place(cell),
            )
        else:
            _tell_date(cell, table, ledger)


def order_of(grids: Iterable[Grid]) -> str:
    """Order of day and month that all dates of some tables allow; empty where it is not one."""
    found = [
        match.groups()
        for grid in grids
        for row in grid.rows
        for cell in row
        if cell.text[:1].isdigit()
        and len(cell.text) <= _LONGEST
        and (match := _PARTS.fullmatch(undash(cell.text))) is not None
    ]
    parts = [(int(a), int(b), int(c) + (2000 if len(c) == 2 else 0)) for a, _, b, c in found]
    orders = [
        name for name, order in _ORDERS[:2] if all(order(*item) is not None for item in parts)
    ]
    return orders[0] if parts and len(orders) == 1 else ""


_LONGEST = 10


def _tell_date(cell: Cell, table: Located, ledger: Ledger) -> None:
    number = plain_number(cell.text)
    if number is not None and _SERIALS[0] <= number <= _SERIALS[1]:
        meant = date(1899, 12, 30) + timedelta(days=int(number))
        ledger.error(
            "day-unreadable",
            f"{quoted(cell.text)} is no date but the number that spreadsheets keep for "
            f"{meant.isoformat()}, if they count from 1900.",
            "Give the column the format of a date before saving, or write 2025-06-19.",
            table.place(cell),
        )
        return
    lacks = yearless(cell.text) is not None or _DAY_AND_MONTH.fullmatch(undash(cell.text))
    ledger.error(
        "day-unreadable",
        f"{quoted(cell.text)} {'has no year' if lacks else 'is no date that can be read'}.",
        "Write year, month and day with hyphens, such as 2025-06-19.",
        table.place(cell),
    )
