"""How likely a planned trial finds a difference, and the blocks or plots that it takes."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from trialkit.inference.comparisons.power import f_test_power
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
