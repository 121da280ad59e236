"""How numbers are written: one rule for every writer."""

from __future__ import annotations

import math
from collections.abc import Iterable

from trialkit.numerals import MINUS, THOUSANDS
from trialkit.report.document import Cell, Column, Kind, Missing

DASH = "\N{EM DASH}"
#: Most decimals that a table shows.
MOST_DIGITS = 6
#: Most decimals of values that are shown as they were entered.
MOST_ENTERED = 3


def decimals_for_error(errors: Iterable[float], means: Iterable[float]) -> int:
    """Choose how many decimals the means of a table need.

    A small standard error of the table (its lower quartile) keeps one digit that counts, and one
    more where it starts with 1 or 2: 22.41 with error 0.18, 22.4 with error 0.5, 4133 with error
    160. Without errors the typical mean keeps 3 digits.

    Parameters
    ----------
    errors, means : iterable of float
        NaN and values not above 0 are left out.
    """
    kept = sorted(value for value in errors if math.isfinite(value) and value > 0)
    if kept:
        typical = kept[len(kept) // 4]
        place = math.floor(math.log10(typical))
        lead = typical / 10.0**place
        return max(0, min(MOST_DIGITS, -place + (1 if lead < 3 and place < 1 else 0)))
    return decimals_for_size(means)


def decimals_for_least(values: Iterable[float], digits: int) -> int:
    """Add decimals, two at most, until the least value above zero does not look like none."""
    least = min((value for value in values if value > 0), default=1.0)
    for more in range(3):
        if round(least, digits + more) > 0:
            return digits + more
    return digits + 2


def decimals_for_size(values: Iterable[float], significant: int = 3) -> int:
    """Choose how many decimals leave ``significant`` digits to the typical value."""
    kept = sorted(abs(value) for value in values if math.isfinite(value) and value != 0)
    if not kept:
        return 0
    typical = kept[len(kept) // 2]
    return max(0, min(MOST_DIGITS, significant - 1 - math.floor(math.log10(typical))))


def decimals_as_entered(values: Iterable[float]) -> int:
    """Choose the least decimals that show all values as they are, `MOST_ENTERED` where none do."""
    kept = [value for value in values if math.isfinite(value)]
    for digits in range(MOST_ENTERED):
        if all(abs(value - round(value, digits)) <= 1e-9 * max(1.0, abs(value)) for value in kept):
            return digits
    return MOST_ENTERED


def write_number(value: float, digits: int | None = None) -> str:
    """Write a number with a true minus sign and narrow spaces between thousands.

    Parameters
    ----------
    value : float
    digits : int, optional
        Decimals; without it 3 significant digits, and whole numbers as they are.

    Raises
    ------
    ValueError
        When the number is not finite: what is undefined has no digits.
    """
    number = float(value)
    if not math.isfinite(number):
        raise ValueError("a number that is not finite cannot be written")
    if digits is None:
        digits = 0 if number.is_integer() else decimals_for_size([number])
    text = f"{abs(number):,.{digits}f}".replace(",", THOUSANDS)
    negative = number < 0 and any(mark in "123456789" for mark in text)
    return MINUS + text if negative else text


def as_number(value: object) -> float:
    """Bring a cell of a data frame to a number; what is none becomes NaN."""
    if type(value) is float:  # as most are
        return value
    return float(value) if isinstance(value, int | float) else math.nan


def percent_text(value: float) -> str:
    """Write a percentage without decimals, unless that would make it look whole.

    What is below 100 is never written as 100, and what is not 0 never as 0.
    """
    if 0 < abs(value) <= 0.5:
        return write_number(math.copysign(max(abs(value), 0.1), value), 1)
    if 99.5 <= value < 100.0:
        return write_number(min(value, 99.9), 1)
    return write_number(value, 0)


def percent_digits(values: Iterable[object]) -> int:
    """Decimals for a column of percentages, so many that none below 100 is written as 100."""
    near = max((value for value in map(as_number, values) if 99.5 <= value < 100.0), default=0.0)
    return next((n for n in range(MOST_DIGITS) if round(near, n) < 100.0), MOST_DIGITS)


def percent_column(title: str, values: Iterable[object], under: str = "") -> Column:
    """Make a column of percentages of which none looks whole that is not."""
    return Column(title=title, under=under, kind=Kind.NUMBER, digits=percent_digits(values))


def write_p(value: float) -> str:
    """Write a p-value: 0.012, <0.001 or >0.999."""
    if value < 0.001:
        return "<0.001"
    return ">0.999" if value >= 0.9995 else f"{value:.3f}"


def write_share(share: float) -> str:
    """Write a share such as 0.05 as ``5%``."""
    return f"{100 * share:g}%"


def write_cell(value: Cell, column: Column) -> str:
    """Write one cell of a table as text; what is undefined becomes a dash."""
    if isinstance(value, Missing):
        return DASH
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if not math.isfinite(value):
        return DASH
    if column.kind is Kind.P_VALUE:
        return write_p(value)
    return write_number(value, column.digits)
