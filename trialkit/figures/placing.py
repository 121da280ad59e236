"""Room above what is drawn, and free places for words between lines."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
#: One line of a panel: its places across and up, in order.
Curve = tuple[FloatArray, FloatArray]
#: Places at which a line is looked for across words.
_LOOKS = 24


def nice_ceiling(value: float) -> float:
    """Give some air above the largest value of an axis."""
    return value * 1.04 if value > 0 else 1.0


@dataclass(frozen=True, slots=True)
class Spot:
    """Where words stand beside a level that crosses several panels.

    Attributes
    ----------
    panel : int
        From 0.
    right : bool
        At the right end of the level, else at the left.
    above : bool
        Above the level, else below.
    """

    panel: int
    right: bool
    above: bool


def free_spot(
    panels: Sequence[Sequence[Curve]],
    level: float,
    box: tuple[float, float],
    across: tuple[float, float],
    upward: tuple[float, float],
) -> Spot:
    """Find the place beside a level where the fewest lines cross its words.

    Parameters
    ----------
    panels : sequence of sequence of Curve
        The lines of each panel.
    level : float
        Where the level stands, on the scale of the lines.
    box : (float, float)
        Width and height of the words, on the scales of the lines.
    across, upward : (float, float)
        Ends of the scales.

    Returns
    -------
    Spot
        The first of the best, by panel, then right before left and above before below.
    """
    width, height = box

    def crossed(spot: Spot) -> tuple[bool, int]:
        start = across[1] - width if spot.right else across[0]
        low = level if spot.above else level - height
        outside = low < upward[0] or low + height > upward[1]
        looks = np.linspace(start, start + width, _LOOKS)
        hits = 0
        for days, places in panels[spot.panel]:
            drawn = np.interp(looks, days, places, left=np.nan, right=np.nan)
            hits += int(np.count_nonzero((drawn >= low) & (drawn <= low + height)))
        return outside, hits

    spots = itertools.product(range(len(panels)), (True, False), (True, False))
    return min((Spot(*found) for found in spots), key=crossed)
