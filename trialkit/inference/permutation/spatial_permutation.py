"""Permutations within groups, and what they can find."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.comparisons.power import Alternative, t_test_power
from trialkit.inference.design.layout import FloatArray, IntArray

# Permutations that equal what was found, but for rounding, count as reaching it.
_TIE: Final = 1e-10
_HALVINGS: Final = 50


def permuted_rows(group: IntArray, draws: int, rng: np.random.Generator) -> IntArray:
    """Exchange rows at random within their groups.

    Parameters
    ----------
    group : (n,) int array
        Rows of the same code may change places.
    draws : int
    rng : Generator

    Returns
    -------
    (n, draws) int array
        Row numbers; each column is a permutation.
    """
    n = group.size
    # Random numbers below 1, added to the codes, shuffle each group in its own places when sorted.
    home = np.argsort(group, kind="stable")
    rows = np.empty((n, draws), dtype=np.intp)
    rows[home] = np.argsort(rng.random((draws, n)) + group, axis=-1).T
    return rows


def permutations_of(group: IntArray, draws: int, seed: int | np.random.Generator) -> IntArray:
    """Exchange rows as `permuted_rows` does; the same seed and groups are drawn once.

    The days of a trial have the same plots, and each of their tests starts from the seed.

    Returns
    -------
    (n, draws) int array
        Not to be written to.
    """
    if isinstance(seed, np.random.Generator):
        return permuted_rows(group, draws, seed)
    return _drawn_once(np.asarray(group, dtype=np.intp).tobytes(), draws, seed)


@lru_cache(maxsize=8)
def _drawn_once(group: bytes, draws: int, seed: int) -> IntArray:
    rows = permuted_rows(np.frombuffer(group, dtype=np.intp), draws, np.random.default_rng(seed))
    rows.setflags(write=False)
    return rows


def tail_size(statistic: FloatArray, alternative: Alternative) -> FloatArray:
    """Turn a statistic so that large values speak for the alternative."""
    if alternative is Alternative.TWO_SIDED:
        return np.abs(statistic)
    return statistic if alternative is Alternative.GREATER else -statistic


def permutation_p(observed: FloatArray, drawn: FloatArray, *, axis: int = 0) -> FloatArray:
    """Count permutations that reach what was found, which itself counts once.

    Parameters
    ----------
    observed : (k,) array
    drawn : (draws, k) array
    axis : int
        The one of the draws.

    Returns
    -------
    (k,) array
        Between ``1 / (draws + 1)`` and 1; NaN where ``observed`` is.
    """
    reached = (drawn >= observed - _TIE).sum(axis=axis)
    p = (1 + reached) / (1 + drawn.shape[axis])
    return np.where(np.isnan(observed), np.nan, p)


@lru_cache(maxsize=1024)
def detectable_correlation(
    df: int, alternative: Alternative, *, power: float = 0.8, alpha: float = 0.05
) -> float:
    """Find the smallest correlation that a test of a partial correlation finds with a power.

    Parameters
    ----------
    df : int
        Residual degrees of freedom, above 0.
    alternative : Alternative
    power, alpha : float

    Returns
    -------
    float
        Size of the correlation, 0 to 1, for a given explanatory variable and normal errors.
    """
    one_sided = (
        Alternative.TWO_SIDED if alternative is Alternative.TWO_SIDED else Alternative.GREATER
    )
    low, high = 0.0, 200.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if float(t_test_power(middle, df, alpha=alpha, alternative=one_sided)) >= power:
            high = middle
        else:
            low = middle
    # The noncentrality is r * sqrt(df + 1) / sqrt(1 - r**2) for the expected sums of squares.
    return float(special.expit(2 * np.log(high / np.sqrt(df + 1.0))) ** 0.5)
