"""Room above what is drawn."""

from __future__ import annotations


def nice_ceiling(value: float) -> float:
    """Give some air above the largest value of an axis."""
    return value * 1.04 if value > 0 else 1.0
