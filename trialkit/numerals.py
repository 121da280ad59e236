"""How numbers are written for a person: one rule for terminal, findings and report."""

from __future__ import annotations

import math

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"


def _signed(text: str) -> str:
    if text.startswith("-"):
        body = text[1:]
        return body if not body.strip("0., ") else MINUS + body
    return text


def decimals_for(value: float, digits: int = 3) -> int:
    """Decimals that show a number with so many significant digits, and no more than needed."""
    if value == 0 or not math.isfinite(value):
        return 0
    return max(0, digits - 1 - math.floor(math.log10(abs(value))))


def number(value: float, digits: int = 3) -> str:
    """Write a number with so many significant digits, whole numbers whole."""
    if not math.isfinite(value):
        raise ValueError("an undefined number cannot be written; say why instead")
    decimals = min(decimals_for(value, digits), 6)
    text = f"{value:,.{decimals}f}"
    if "." in text and abs(value) >= 10 ** (digits - 1):
        text = text.rstrip("0").rstrip(".")
    return _signed(text.replace(",", THIN))


def fixed(value: float, decimals: int) -> str:
    """Write a number with so many decimals."""
    return _signed(f"{value:,.{decimals}f}".replace(",", THIN))


def whole(value: float) -> str:
    """Write a number without decimals."""
    return _signed(f"{value:,.0f}".replace(",", THIN))


def percent(value: float) -> str:
    """Write a percentage without decimals."""
    return f"{whole(value)} %"


def day(value: float) -> str:
    """Write a day, with a decimal only where it is not whole."""
    return _signed(f"{value:g}")


def p_value(value: float) -> str:
    """Write a p-value: three decimals, or that it is smaller than they can show."""
    return f"p < {0.001:g}" if value < 0.001 else f"p = {value:.3f}"
