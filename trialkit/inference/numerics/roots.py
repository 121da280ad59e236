"""Where falling functions cross zero, many at once, each inside a gap of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from trialkit.inference.design.layout import FloatArray

#: Last move at which a root counts as found: moves shrink so fast that the next one is rounding.
_SETTLED: Final = 1e-11
_TURNS: Final = 100
_CHECKED: Final = 3


def falling_roots(
    value: Callable[[FloatArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    at_low: FloatArray,
    at_high: FloatArray,
) -> FloatArray:
    """Close in by false position.

    Parameters
    ----------
    value : callable
        Values of all functions, one place each.
    low, high : float array
        Ends of the gaps; ``high`` may be the smaller one.
    at_low, at_high : float array
        Values there, above 0 at ``low`` and not above 0 at ``high``. NaN is taken for a value
        below 0, here and inside the gap.

    Returns
    -------
    float array
        Anywhere in the gap where a function does not fall through 0 in it.
    """
    place, before = low, np.zeros(low.shape, dtype=bool)
    gap = np.full(low.shape, np.inf)
    at_low, at_high = _known(at_low, at_high), _known(at_high, -at_low)
    for turn in range(_TURNS):
        spread = at_low - at_high
        share = np.where(spread > 0.0, at_low / np.where(spread > 0.0, spread, 1.0), 1.0)
        # A function that does not fall through 0 stays in its gap.
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        if turn % _CHECKED == 0:
            # A gap that keeps more than half of its width is halved instead.
            width = np.abs(high - low)
            share = np.where(width > 0.5 * gap, 0.5, share)
            gap = width
        new = low + share * (high - low)
        moved = np.abs(new - place).max(initial=0.0)
        place = new
        if moved < _SETTLED:
            break
        found = value(place)
        above = found > 0.0
        left_behind = np.where(above, at_low, at_high)
        found = _known(found, -np.abs(left_behind))
        # Anderson and Bjorck: an end that stays twice loses weight, so that both ends close in.
        shrink = 1.0 - found / np.where(left_behind == 0.0, 1.0, left_behind)
        shrink = np.where(shrink > 0.0, shrink, 0.5)
        shrink = np.where((above == before) & (turn > 0), shrink, 1.0)
        before = above
        low, high = np.where(above, place, low), np.where(above, high, place)
        at_low, at_high = (
            np.where(above, found, shrink * at_low),
            np.where(above, shrink * at_high, found),
        )
    return place


def _known(values: FloatArray, otherwise: FloatArray) -> FloatArray:
    return np.where(np.isnan(values), otherwise, values)
