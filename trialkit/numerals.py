"""How numbers are written: for a person, one rule for terminal, findings and report; for files."""

from __future__ import annotations

import math
from collections.abc import Iterable
from math import isfinite
from typing import TypeGuard

MINUS = "\N{MINUS SIGN}"
#: Between thousands.
THOUSANDS = ","
#: What stands in a file where there is no number.
UNDEFINED = "null"
#: Beyond this a float is no longer one certain whole number.
LARGEST_WHOLE = 2.0**53


#: Last signs of what Python writes of numbers that are whole, or none.
_OTHERWISE = frozenset("0fn")


def _digits(number: float) -> str:
    if not isfinite(number):
        return UNDEFINED
    whole = number.is_integer() and abs(number) < LARGEST_WHOLE
    return repr(int(number)) if whole else repr(number)


class Digits(list[str]):
    """Numbers as files hold them: every digit, whole ones as integers, ``null`` where undefined."""

    @classmethod
    def of(cls, numbers: Iterable[float]) -> Digits:
        """Write numbers."""
        kept = list(numbers)
        known = set(kept)
        if 2 * len(known) < len(kept):  # days, degrees of freedom, what is missing
            texts = {number: _digits(number) for number in known}
            return cls([texts[number] for number in kept])
        return cls(
            [
                text if text[-1] not in _OTHERWISE else _digits(number)
                for number, text in zip(kept, map(repr, kept), strict=True)
            ]
        )

    def numbers(self) -> list[float | None]:
        """Read the numbers; None where undefined."""
        return [None if text == UNDEFINED else float(text) for text in self]


def _signed(text: str) -> str:
    if text.startswith("-"):
        body = text[1:]
        return body if not body.strip("0., ") else MINUS + body
    return text


def is_number(value: object) -> TypeGuard[float]:
    """Whether a value is a number; a truth value is none."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def plural(amount: int | str, word: str) -> str:
    """Write a number, or what stands for it, with its noun: "1 block", "4 blocks", "0.5 points"."""
    return f"{amount} {word}" if str(amount).lstrip(MINUS) == "1" else f"{amount} {word}s"


def decimals_for(value: float, digits: int = 3) -> int:
    """Decimals that show a number with so many significant digits, and no more than needed."""
    if value == 0 or not isfinite(value):
        return 0
    return max(0, digits - 1 - math.floor(math.log10(abs(value))))


def number(value: float, digits: int = 3) -> str:
    """Write a number with so many significant digits, whole numbers whole."""
    if not isfinite(value):
        raise ValueError("an undefined number cannot be written; say why instead")
    decimals = min(decimals_for(value, digits), 6)
    text = f"{value:,.{decimals}f}"
    if "." in text and abs(value) >= 10 ** (digits - 1):
        text = text.rstrip("0").rstrip(".")
    return _signed(text.replace(",", THOUSANDS))


def fixed(value: float, decimals: int) -> str:
    """Write a number with so many decimals."""
    return _signed(f"{value:,.{decimals}f}".replace(",", THOUSANDS))


def whole(value: float) -> str:
    """Write a number without decimals."""
    return _signed(f"{value:,.0f}".replace(",", THOUSANDS))


def percent(value: float) -> str:
    """Write a percentage without decimals."""
    return f"{whole(value)}%"


def day(value: float) -> str:
    """Write a day, with a decimal only where it is not whole.

    A day of less than a second stands for one that was not given.
    """
    if 0.0 < value < 1e-5:
        return "not given"
    return _signed(f"{value:g}")


def p_value(value: float) -> str:
    """Write a p-value: three decimals, or that it is beyond what they can show."""
    if value > 0.9995:
        return "p > 0.999"
    return f"p < {0.001:g}" if value < 0.001 else f"p = {value:.3f}"
