"""Which scale the course of a variable is drawn on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.figures.placing import nice_ceiling
from trialkit.trial import Kind

#: Counts are drawn on a square-root scale when the highest mean is so many times a low one.
UNEVEN = 8.0
#: The scale reaches so many times the highest mean; bars of intervals beyond are cut.
REACH = 1.6
#: Control is drawn from here to there, in percent, whatever lies beyond.
LOWEST, HIGHEST = -150.0, 99.5
_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class Scale:
    """A vertical scale.

    Attributes
    ----------
    low, top : float
        Its ends, in the units of the variable.
    root : bool
        Distances are those of square roots.
    cut : bool
        Some bars run beyond the top.
    """

    low: float
    top: float
    root: bool = False
    cut: bool = False

    def place(self, value: float) -> float:
        """Place of a value on the paper, cut at the ends of the scale."""
        inside = min(max(value, self.low), self.top) if not math.isnan(value) else value
        return math.sqrt(inside) if self.root else inside

    def breaks(self) -> list[float]:
        """Values that get a number on a square-root scale, from 0 up, not too close."""
        kept = [0.0]
        least = 0.15 * math.sqrt(self.top)
        power = 10.0 ** (math.floor(math.log10(self.top)) - 3)
        while power <= self.top:
            for step in _STEPS:
                value = step * power
                if value <= self.top and math.sqrt(value) - math.sqrt(kept[-1]) >= least:
                    kept.append(value)
            power *= 10.0
        return kept

    def note(self) -> str:
        """Say what a reader must know about the scale."""
        parts = []
        if self.root:
            parts.append("The scale is that of square roots, so that low counts can be read.")
        if self.cut:
            parts.append("Bars that run past the top are cut off there.")
        return " ".join(parts)


def course_scale(means: Sequence[float], uppers: Sequence[float], kind: Kind) -> Scale:
    """Choose the scale for the course of a variable.

    Parameters
    ----------
    means, uppers : sequence of float
        Means, and upper ends of their intervals; NaN is left out.
    kind : Kind
    """
    known = pd.Series(list(means), dtype=float).dropna()
    highest = float(known.max())
    low = min(0.0, float(known.min()))
    ends = [value for value in uppers if math.isfinite(value)]
    full = nice_ceiling(max([highest, *ends]))
    if kind is Kind.PERCENT:
        full = min(full, 104.0)
    top = min(full, REACH * highest) if highest > 0 else full
    quartile = float(known.quantile(0.25))
    root = kind is Kind.COUNT and low >= 0 and highest > UNEVEN * max(quartile, 0.05 * highest)
    return Scale(low, top, root=root, cut=any(value > top for value in ends))


def place_of(percent: float) -> float:
    """Place of a percent control on the scale of what is left, within the ends of the scale.

    From 60 to 80 % is as far as from 80 to 90 %: each time half of what was left is gone.
    """
    kept = min(max(percent, LOWEST), HIGHEST)
    return -math.log(1.0 - kept / 100.0)
