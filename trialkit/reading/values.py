"""Numbers and dates from cells: missing tokens, decimal commas, days and orders of dates."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from typing import Protocol

from trialkit.problems import Place
from trialkit.reading.cells import Cell, Ledger, quoted

MISSING = frozenset({"", ".", "-", "na", "n/a", "*"})
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+")
_DOT_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:\.[0-9]{3})+(?:,[0-9]+)?")
_COMMA_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]+)?")
_SPACED = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[\s'][0-9]{3})+(?:[.,][0-9]+)?")
_SOME_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?")


class Located(Protocol):
    """What can point at one of its cells."""

    def place(self, cell: Cell) -> Place:
        """Point at a cell."""
        ...


def is_missing(text: str) -> bool:
    """Whether a value cell says that there is no value."""
    return text.casefold() in MISSING


def plain_number(text: str) -> float | None:
    """Read a number written with a point; None where it is none."""
    if text.isascii() and text.isdigit():
        return float(text)
    tidy = text.replace("−", "-")
    if _NUMBER.fullmatch(tidy) is None:
        return None
    value = float(tidy)
    return value if math.isfinite(value) else None


def looks_numeric(text: str) -> bool:
    """Whether a text is a number, with point or comma."""
    return plain_number(text) is not None or _COMMA.fullmatch(text) is not None


def cell_is_number(cell: Cell) -> bool:
    """Whether a cell holds a number, as number or as text."""
    return cell.number is not None or looks_numeric(cell.text)


def commas_are_decimal(texts: Iterable[str], separator: str) -> bool:
    """Whether commas in the numbers of a table are decimal commas.

    They are in a file whose columns are separated by semicolons, and where any number shows
    it (``12,5``, ``0,125``); ``1,234`` alone shows nothing.
    """
    if separator == ";":
        return True
    return any(
        "," in text and _COMMA.fullmatch(text) is not None and _THOUSANDS.fullmatch(text) is None
        for text in texts
    )


def read_numbers(
    cells: Sequence[Cell],
    table: Located,
    ledger: Ledger,
    *,
    commas: bool,
    percent: bool = False,
) -> list[float | None]:
    """Read a column of value cells.

    Parameters
    ----------
    cells : sequence of Cell
    table : Located
        Points at the cells.
    ledger : Ledger
        Gets an error for each cell that is no number, a warning for decimal commas.
    commas : bool
        Whether commas are decimal commas in this table.
    percent : bool
        Whether a number that a workbook shows as 45 % (and stores as 0.45) means 45.

    Returns
    -------
    list of float or None
        NaN where the cell is missing, None where it was no number.
    """
    values: list[float | None] = []
    with_comma: Cell | None = None
    scaled: Cell | None = None
    mixed = commas and any("," in cell.text for cell in cells)
    for cell in cells:
        if cell.fault or cell.day is not None:
            tell_fault(cell, table, ledger)
            values.append(None)
        elif cell.number is not None:
            value = cell.number
            if percent and cell.percent:
                value, scaled = value * 100, scaled or cell
            values.append(value)
        elif cell.text.casefold() in MISSING:
            values.append(math.nan)
        else:
            number, comma = _text_number(cell.text, commas=commas, mixed=mixed)
            if number is None:
                _tell_text(cell, table, ledger, commas=commas)
            elif comma and with_comma is None:
                with_comma = cell
            values.append(number)
    if with_comma is not None:
        first = with_comma.text
        ledger.warn_once(
            "decimal-comma",
            f"Numbers in this table have a decimal comma; {quoted(first)} was read as "
            f"{first.replace(',', '.')}.",
            "Nothing needs to be done if that is right.",
            table.place(with_comma),
        )
    if scaled is not None and scaled.number is not None:
        ledger.warn(
            "percent-format",
            f"The cells are shown as percentages; {scaled.text} was read as "
            f"{scaled.number * 100:g} percent.",
            "Nothing needs to be done if that is right.",
            table.place(scaled),
        )
    return values


def _text_number(text: str, *, commas: bool, mixed: bool) -> tuple[float | None, bool]:
    """Number of a text cell, and whether it has a decimal comma."""
    tidy = text.replace("−", "-")
    if "," not in tidy:
        # Beside decimal commas a point before three digits may stand for thousands.
        unclear = mixed and _DOT_THOUSANDS.fullmatch(tidy) is not None
        return (None if unclear else plain_number(tidy)), False
    if commas and _COMMA.fullmatch(tidy):
        return plain_number(tidy.replace(",", ".")), True
    return None, False


def _tell_text(cell: Cell, table: Located, ledger: Ledger, *, commas: bool) -> None:
    text = cell.text
    offer = ""
    if _THOUSANDS.fullmatch(text) and not commas:
        whole, point = text.replace(",", ""), text.replace(",", ".", 1)
        offer = f"Type {whole}" + (f", or {point}" if text.count(",") == 1 else "")
        offer += ", whichever is meant."
    elif _DOT_THOUSANDS.fullmatch(text):
        whole = text.replace(".", "").replace(",", ".")
        offer = f"Type the number without signs for thousands: {whole}."
    elif _COMMA_THOUSANDS.fullmatch(text):
        offer = f"Type the number without signs for thousands: {text.replace(',', '')}."
    elif _SPACED.fullmatch(text):
        whole = re.sub(r"[\s']", "", text).replace(",", ".")
        offer = f"Type the number without signs for thousands: {whole}."
    elif text.casefold() in {"o", "nil", "none", "zero", "null"}:
        offer = "Type 0 if nothing was found, or leave the cell empty if it was not looked at."
    else:
        inside = _SOME_NUMBER.findall(text)
        if len(inside) == 1:
            offer = f"Type the number alone: {inside[0].replace(',', '.')}."
    remedy = offer or "Type a number; leave the cell empty where there is no value."
    ledger.error("text-in-number", f"{quoted(text)} is no number.", remedy, table.place(cell))


def tell_fault(cell: Cell, table: Located, ledger: Ledger) -> None:
    """Say what is wrong with a workbook cell that cannot be read as a number."""
    place = table.place(cell)
    if cell.fault == "formula":
        ledger.error(
            "formula-without-value",
            "The cell holds a formula whose result is not stored in the file.",
            "Open the workbook in a spreadsheet, let it calculate, and save it; or type the value.",
            place,
        )
    elif cell.fault == "error":
        ledger.error(
            "error-cell",
            f"The cell shows the error {cell.text}.",
            "Mend the formula, type the value, or leave the cell empty.",
            place,
        )
    elif cell.fault == "switch":
        ledger.error(
            "text-in-number",
            f"{quoted(cell.text)} is no number.",
            "Type a number; leave the cell empty where there is no value.",
            place,
        )
    else:
        ledger.error(
            "date-in-number",
            f"The cell holds a date or time ({cell.text}), no number.",
            "Type the number again and give the cell the number format 'General'.",
            place,
        )


# --- dates -------------------------------------------------------------------------------

_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]00:00(?::00(?:\.0+)?)?)?")
_YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})\.?")
_PARTS = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})")
_NAMED = re.compile(r"(\d{1,2})\.?[ -]([a-z]{3,9})\.?[ -](\d{4}|\d{2})", re.IGNORECASE)
_NAMED_FIRST = re.compile(r"([a-z]{3,9})\.? (\d{1,2}),? (\d{4})", re.IGNORECASE)
_MONTHS = {
    name: number
    for number, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), 1
    )
}  # fmt: skip
_NEAR_DAYS = 400


def _make(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def plain_date(text: str) -> date | None:
    """Read a date that can be read in one way only: ISO, year first, or with a month's name."""
    if match := _ISO.fullmatch(text) or _YEAR_FIRST.fullmatch(text):
        return _make(*(int(part) for part in match.groups()[:3]))
    if match := _NAMED.fullmatch(text):
        day, name, year = match.groups()
    elif match := _NAMED_FIRST.fullmatch(text):
        name, day, year = match.groups()
    else:
        return None
    month = _MONTHS.get(name[:3].casefold())
    if month is None or len(year) == 2:
        return None
    return _make(int(year), month, int(day))


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
            match = _PARTS.fullmatch(cell.text)
            if found is None and match is not None:
                a, _, b, c = match.groups()
                open_cells[index] = (int(a), int(b), int(c) + (2000 if len(c) == 2 else 0))
            elif found is None:
                _tell_date(cell, table, ledger)
        dates.append(found)
    if open_cells:
        _settle_order(cells, open_cells, dates, table, ledger, applied)
    return dates


def _settle_order(
    cells: Sequence[Cell],
    open_cells: dict[int, tuple[int, int, int]],
    dates: list[date | None],
    table: Located,
    ledger: Ledger,
    applied: date | None,
) -> None:
    first = cells[next(iter(open_cells))]
    short = all(len(re.split(r"[./-]", cells[i].text)[2]) == 2 for i in open_cells)
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
    points = all("." in cells[i].text for i in open_cells)
    if len({tuple(read.values()) for _, read in fitting}) > 1 and points and not short:
        fitting = [item for item in fitting if item[0].startswith("day")] or fitting
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


def _tell_date(cell: Cell, table: Located, ledger: Ledger) -> None:
    ledger.error(
        "day-unreadable",
        f"{quoted(cell.text)} is no date that can be read.",
        "Write year, month and day with hyphens, such as 2025-06-19.",
        table.place(cell),
    )
