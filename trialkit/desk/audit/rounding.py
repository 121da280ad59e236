"""Printed numbers as intervals: all values that would have been printed so."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from trialkit.numerals import number
from trialkit.reading.cells import undash
from trialkit.reading.numbers import MISSING

#: What arithmetic in floating point may lose, as a share.
_SLACK = 1e-9
#: Whole numbers from here on may have been rounded to fewer digits than they show.
_LARGE = 1000.0
_PRINTED = re.compile(r"([<>]=?|≤|≥)?\s*([+-]?(?:\d[\d,]*\.?\d*|\.\d+))\s*%?\s*(.*)", re.DOTALL)
_SPREAD = re.compile(r"(.*?\d)\s*(?:±|\+/-|\+-)\s*([\d.,]+)(.*)", re.DOTALL)
_FROM_TO = re.compile(r"(\d+)\s*(?:-|–|to)\s*(\d+)")
_COMMA_DECIMAL = re.compile(r"[+-]?\d+,\d{1,2}|[+-]?0,\d+")


@dataclass(frozen=True, slots=True)
class Range:
    """All values that a number can have had before it was rounded, ends included.

    Examples
    --------
    >>> Range(1.0, 2.0).meets(Range(2.0, 3.0))
    True
    """

    low: float
    high: float

    def meets(self, other: Range) -> bool:
        """Whether some value is in both; ends that touch within floating point count."""
        slack = _SLACK * max(1.0, *(abs(end) for end in self._ends(other) if math.isfinite(end)))
        return self.low <= other.high + slack and other.low <= self.high + slack

    def _ends(self, other: Range) -> tuple[float, ...]:
        return self.low, self.high, other.low, other.high

    def __add__(self, other: Range) -> Range:
        return Range(self.low + other.low, self.high + other.high)

    def times(self, factor: float) -> Range:
        """Multiply by a number not below zero."""
        return Range(self.low * factor, self.high * factor)

    def away_from(self, other: Range) -> Range:
        """Return the distance between a value of each."""
        least = max(0.0, self.low - other.high, other.low - self.high)
        return Range(least, max(self.high - other.low, other.high - self.low))

    def __str__(self) -> str:
        if math.isinf(self.high):
            return f"{number(self.low, 4)} or more"
        if math.isinf(self.low):
            return f"{number(self.high, 4)} or less"
        if self.low == self.high:
            return f"{self.low:.4g}"
        low, high = number(self.low, 4), number(self.high, 4)
        return low if low == high else f"{low} to {high}"


@dataclass(frozen=True, slots=True)
class Printed:
    """A number as it is printed.

    Attributes
    ----------
    text : str
        Its own text.
    value : float
    decimals : int
    rest : str
        What follows it in the cell, letters of a mean separation as a rule.
    sign : str
        ``<`` or ``>`` before it.
    upto : float or None
        Of a range such as "2-3" its end.
    """

    text: str
    value: float
    decimals: int
    rest: str = ""
    sign: str = ""
    upto: float | None = None

    @property
    def range(self) -> Range:
        """All values that are rounded to it, halves either way.

        Whole numbers of 1,000 and more that end in zeros may have been rounded to these zeros.
        """
        if self.upto is not None:
            return Range(self.value, self.upto)
        if self.sign == "<":
            return Range(-math.inf, self.value)
        if self.sign == ">":
            return Range(self.value, math.inf)
        half = 0.5 * 10.0**-self.decimals
        if self.decimals == 0 and abs(self.value) >= _LARGE:
            digits = f"{abs(self.value):.0f}"
            half *= 10.0 ** (len(digits) - len(digits.rstrip("0")))
        return Range(self.value - half, self.value + half)

    @property
    def range_if_cut(self) -> Range:
        """All values that give it where digits are cut off and not rounded."""
        if self.upto is not None or self.sign:
            return self.range
        step, negative = 10.0**-self.decimals, self.text.startswith("-")
        # A zero without a sign may have been cut from either side.
        low = self.value - step if negative or self.value == 0 else self.value
        return Range(low, self.value if negative else self.value + step)

    @property
    def range_of_whole(self) -> Range:
        """What it can be where it is a number of plots, which is not rounded."""
        return Range(self.value, self.value if self.upto is None else self.upto)


def read_printed(text: str) -> Printed | None:
    """Read a printed number with what follows it; None where there is none.

    Raises
    ------
    ValueError
        When the text begins with no number.

    Examples
    --------
    >>> found = read_printed("12.30 ab")
    >>> found.value, found.decimals, found.rest
    (12.3, 2, 'ab')
    """
    tidy = undash(text).strip()
    if tidy.casefold() in MISSING:
        return None
    match = _PRINTED.fullmatch(tidy)
    if match is None:
        raise ValueError(text)
    sign, digits, rest = match.groups()
    if _COMMA_DECIMAL.fullmatch(digits):
        digits = digits.replace(",", ".")
    digits = digits.replace(",", "")
    decimals = len(digits.partition(".")[2])
    plain = {"≤": "<", "≥": ">"}.get(sign or "", (sign or "")[:1])
    return Printed(digits, float(digits), decimals, rest.strip(), plain)


def split_spread(text: str) -> tuple[str, str]:
    """Take what follows a plus-minus sign out of a cell.

    Examples
    --------
    >>> split_spread("39.3 ± 0.4 a"), split_spread("39.3 a")
    (('39.3 a', '0.4'), ('39.3 a', ''))
    """
    match = _SPREAD.fullmatch(text.strip())
    if match is None:
        return text, ""
    mean, spread, rest = match.groups()
    return f"{mean} {rest.strip()}".strip(), spread


def read_from_to(text: str) -> Printed | None:
    """Read a number of plots that is printed as a range; None where it is none.

    Examples
    --------
    >>> found = read_from_to("2–3")
    >>> found.range.low, found.range.high
    (2.0, 3.0)
    """
    match = _FROM_TO.fullmatch(text.strip())
    if match is None:
        return None
    low, high = sorted(float(part) for part in match.groups())
    return Printed(text.strip(), low, 0, upto=high)
