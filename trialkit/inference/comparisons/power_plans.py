"""How likely a planned trial finds a difference, and the blocks or plots that it takes."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from trialkit.inference.comparisons.power import Alternative, f_test_power, t_test_power
from trialkit.inference.design.layout import FloatArray


class PlannedDesign(StrEnum):
    """Layout whose error degrees of freedom are wanted."""

    COMPLETELY_RANDOMISED = "crd"
    RANDOMISED_BLOCKS = "rcbd"
    LATIN_SQUARE = "latin"


def error_df(design: PlannedDesign | str, treatments: int, blocks: int) -> int:
    """Count the error degrees of freedom of a complete layout.

    Parameters
    ----------
    design : PlannedDesign
    treatments : int
        At least 2.
    blocks : int
        Blocks, or plots a treatment in a completely randomised layout; a Latin square has as
        many rows and columns as treatments, and ``blocks`` must be that number.

    Returns
    -------
    int

    Raises
    ------
    ValueError
        When there are fewer than two treatments or blocks, or the square is none.
    """
    design = PlannedDesign(design)
    if treatments < 2 or blocks < 2:
        raise ValueError("a design needs at least two treatments and two blocks")
    if design is PlannedDesign.COMPLETELY_RANDOMISED:
        return treatments * (blocks - 1)
    if design is PlannedDesign.RANDOMISED_BLOCKS:
        return (treatments - 1) * (blocks - 1)
    if blocks != treatments:
        raise ValueError("a Latin square has as many rows and columns as treatments")
    return (treatments - 1) * (treatments - 2)


def design_noncentrality(means: ArrayLike, sigma: ArrayLike, blocks: ArrayLike) -> FloatArray:
    """Compute the noncentrality of the treatment F test with equal numbers.

    Parameters
    ----------
    means : array_like, shape (..., t)
        True treatment means.
    sigma : array_like
        Standard deviation of a plot within blocks, above 0.
    blocks : array_like
        Plots a treatment.

    Returns
    -------
    ndarray
        ``blocks * sum((mean - grand mean) ** 2) / sigma ** 2``.
    """
    table = np.asarray(means, dtype=float)
    spread = ((table - table.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1)
    scale = np.asarray(sigma, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        result = np.asarray(blocks, dtype=float) * spread / scale**2
    return np.where(scale > 0, result, np.nan)


def design_power(
    means: ArrayLike,
    sigma: float,
    blocks: int,
    *,
    design: PlannedDesign | str = PlannedDesign.RANDOMISED_BLOCKS,
    alpha: float = 0.05,
) -> float:
    """Compute the power of the treatment F test of a planned trial.

    Parameters
    ----------
    means : array_like, shape (t,)
        True means of the treatments, on the scale of the analysis.
    sigma : float
        Standard deviation of a plot within blocks, on that scale.
    blocks : int
    design : PlannedDesign
    alpha : float

    Returns
    -------
    float

    Notes
    -----
    Blocks do not enter the noncentrality; they only cost degrees of freedom.
    """
    table = np.asarray(means, dtype=float)
    df = error_df(design, table.size, blocks)
    shift = design_noncentrality(table, sigma, blocks)
    return float(f_test_power(table.size - 1, df, shift, alpha))


def comparison_power(
    difference: float,
    sigma: float,
    treatments: int,
    blocks: int,
    *,
    design: PlannedDesign | str = PlannedDesign.RANDOMISED_BLOCKS,
    alpha: float = 0.05,
    alternative: Alternative | str = Alternative.TWO_SIDED,
) -> float:
    """Compute the power of one planned t comparison of two treatment means.

    Parameters
    ----------
    difference : float
        True difference of the two means.
    sigma : float
        Standard deviation of a plot within blocks.
    treatments, blocks : int
        Of the whole trial, which gives the error degrees of freedom.
    design : PlannedDesign
    alpha : float
    alternative : Alternative

    Returns
    -------
    float
        NaN where sigma is not above 0.
    """
    if not sigma > 0:
        return float("nan")
    df = error_df(design, treatments, blocks)
    shift = difference / (sigma * np.sqrt(2 / blocks))
    return float(t_test_power(shift, df, alpha=alpha, alternative=alternative))


def blocks_needed(
    means: ArrayLike,
    sigma: float,
    *,
    power: float = 0.8,
    design: PlannedDesign | str = PlannedDesign.RANDOMISED_BLOCKS,
    alpha: float = 0.05,
    most: int = 1000,
) -> int | None:
    """Find the fewest blocks with which the F test reaches a power.

    Parameters
    ----------
    means : array_like, shape (t,)
        True means.
    sigma : float
    power : float
        Wanted, above ``alpha`` and below 1; 0.8 is common practice, no source.
    design : PlannedDesign
        Randomised blocks or completely randomised.
    alpha : float
    most : int
        Where to stop.

    Returns
    -------
    int or None
        None where ``most`` blocks do not reach it.

    Raises
    ------
    ValueError
        For a Latin square, whose size is fixed by its treatments.
    """
    _growing(design)
    return _fewest(
        lambda blocks: design_power(means, sigma, blocks, design=design, alpha=alpha), power, most
    )


def blocks_for_difference(
    difference: float,
    sigma: float,
    treatments: int,
    *,
    power: float = 0.8,
    design: PlannedDesign | str = PlannedDesign.RANDOMISED_BLOCKS,
    alpha: float = 0.05,
    alternative: Alternative | str = Alternative.TWO_SIDED,
    most: int = 1000,
) -> int | None:
    """Find the fewest blocks with which one planned comparison reaches a power.

    Parameters
    ----------
    difference, sigma, treatments, design, alpha, alternative
        As for `comparison_power`.
    power : float
    most : int

    Returns
    -------
    int or None
        None where ``most`` blocks do not reach it.

    Raises
    ------
    ValueError
        For a Latin square.
    """
    _growing(design)
    return _fewest(
        lambda blocks: comparison_power(
            difference,
            sigma,
            treatments,
            blocks,
            design=design,
            alpha=alpha,
            alternative=alternative,
        ),
        power,
        most,
    )


def _growing(design: PlannedDesign | str) -> None:
    if PlannedDesign(design) is PlannedDesign.LATIN_SQUARE:
        raise ValueError("the size of a Latin square is fixed by its treatments")


def _fewest(reached: Callable[[int], float], power: float, most: int) -> int | None:
    """Find the smallest number of blocks by doubling and halving: power grows with blocks."""
    high = 2
    while not reached(high) >= power:
        if high >= most:
            return None
        high = min(2 * high, most)
    low = max(high // 2, 1)
    while high - low > 1:
        middle = (low + high) // 2
        if reached(middle) >= power:
            high = middle
        else:
            low = middle
    return high


def one_way_power(
    groups: int, n: ArrayLike, between: float, within: float, alpha: float = 0.05
) -> FloatArray:
    """Compute the power of a one-way analysis from the variance of the group means.

    Parameters
    ----------
    groups : int
    n : array_like
        Values a group, which may be fractional.
    between : float
        Variance of the true group means, divisor groups less one.
    within : float
        Variance within groups, above 0.
    alpha : float

    Returns
    -------
    ndarray
    """
    size = np.asarray(n, dtype=float)
    shift = (groups - 1) * size * between / within
    return f_test_power(groups - 1, groups * (size - 1), shift, alpha)


def one_way_size(
    groups: int, between: float, within: float, *, power: float = 0.8, alpha: float = 0.05
) -> float:
    """Find the values a group that a one-way analysis needs for a power.

    Parameters
    ----------
    groups : int
    between, within : float
        As for `one_way_power`.
    power : float
    alpha : float

    Returns
    -------
    float
        Fractional, to be rounded up; NaN where a million does not reach it.
    """
    low, high = 1.0 + 1e-6, 2.0
    while not float(one_way_power(groups, high, between, within, alpha)) >= power:
        high *= 2
        if high > 1e6:
            return float("nan")
    for _ in range(80):
        middle = (low + high) / 2
        if float(one_way_power(groups, middle, between, within, alpha)) >= power:
            high = middle
        else:
            low = middle
    return (low + high) / 2
