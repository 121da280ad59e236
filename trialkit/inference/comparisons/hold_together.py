"""Families of hypotheses that are to hold together: a level shared out, passed on when unused."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trialkit.inference.design.layout import FloatArray


def shared_levels(
    weights: Sequence[float], p_values: Sequence[FloatArray], alpha: float
) -> list[float]:
    """Share a level out over families of hypotheses, each adjusted inside for its own number.

    A family whose hypotheses are all rejected at its share passes that on to the others, in
    proportion to their weights. With p-values from a closed procedure inside every family the
    chance of any false rejection in all families together is ``alpha`` at most (closed test with
    weighted Bonferroni between families).

    Parameters
    ----------
    weights : sequence of float
        Above 0; only their proportions matter.
    p_values : sequence of array
        Of each family, adjusted inside; NaN for what was not tested.
    alpha : float

    Returns
    -------
    list of float
        The level at which each family may be read; reject where p is at or below it.

    Examples
    --------
    >>> shared_levels([1.0, 1.0], [np.array([0.01]), np.array([0.04])], 0.05)
    [0.025, 0.05]
    """
    share = np.asarray(weights, dtype=np.float64)
    if (share <= 0.0).any() or share.size != len(p_values):
        raise ValueError("every family needs a weight above 0")
    largest = np.array([float(np.max(p)) if p.size else np.nan for p in map(_known, p_values)])
    levels = np.zeros(share.size)
    open_ = np.ones(share.size, dtype=bool)
    while open_.any():
        levels[open_] = alpha * share[open_] / share[open_].sum()
        done = open_ & (largest <= levels)
        if not done.any():
            break
        open_ &= ~done
    return [float(level) for level in levels]


def _known(p: FloatArray) -> FloatArray:
    found: FloatArray = np.asarray(p, dtype=np.float64)
    return found[np.isfinite(found)]
