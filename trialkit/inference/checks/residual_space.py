"""The column space of a layout, which diagnostics and regressions project on."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np

from trialkit.inference.design.bases import indicator, orthogonal_addition
from trialkit.inference.design.layout import FloatArray, IntArray, Layout

# What is left of a covariate beyond a space, as a share of it, before it counts as rounding.
_INSIDE: Final = 1e-9


def basis(
    n: int, factors: Sequence[IntArray] = (), covariates: Sequence[FloatArray] = ()
) -> FloatArray:
    """Build an orthonormal basis of the constant, the factors and the covariates.

    Parameters
    ----------
    n : int
        Number of plots.
    factors : sequence of (n,) int array
    covariates : sequence of (n,) array

    Returns
    -------
    (n, rank) array
        Not to be written to.
    """
    space = _space_of(n, tuple(codes.astype(np.intp).tobytes() for codes in factors))
    for covariate in covariates:
        space = np.hstack([space, beyond_covariate(space, covariate)])
    return space


@lru_cache(maxsize=64)
def _space_of(n: int, factors: tuple[bytes, ...]) -> FloatArray:
    """Space of the constant and the factors, which the checks of a trial ask for many times."""
    space: FloatArray = np.full((n, 1), 1 / np.sqrt(n)) if n else np.empty((0, 0))
    for codes in factors:
        addition = beyond_factor(space, np.frombuffer(codes, dtype=np.intp))
        space = np.hstack([space, addition])
    space.setflags(write=False)
    return space


def layout_basis(
    layout: Layout,
    plots: IntArray | None = None,
    *,
    treatment: bool = True,
    covariates: Sequence[FloatArray] = (),
) -> FloatArray:
    """Build an orthonormal basis of the additive model of a layout.

    Parameters
    ----------
    layout : Layout
    plots : (n_used,) int array, optional
        Rows of the layout that were used; all without it.
    treatment : bool
        Whether treatments belong to the model; without them it is the blocking alone.
    covariates : sequence of (n_used,) array

    Returns
    -------
    (n_used, rank) array
    """
    rows = np.arange(layout.n_plots) if plots is None else plots
    factors = [codes[rows] for _, codes in layout.blocking]
    if treatment:
        factors.append(layout.treatment[rows])
    return basis(rows.size, factors, covariates)


def beyond_factor(space: FloatArray, codes: IntArray) -> FloatArray:
    """Build an orthonormal basis of what a factor adds to a space.

    Parameters
    ----------
    space : (n, r) array
        Orthonormal.
    codes : (n,) int array

    Returns
    -------
    (n, added) array
        At right angles to ``space``; ``added`` may be 0.
    """
    levels, inverse = np.unique(codes, return_inverse=True)
    return orthogonal_addition(space, indicator(inverse.astype(np.intp), levels.size))


def beyond_covariate(space: FloatArray, covariate: FloatArray) -> FloatArray:
    """Build the unit vector that a covariate adds to a space.

    Parameters
    ----------
    space : (n, r) array
        Orthonormal, with the constant in it.
    covariate : (n,) array

    Returns
    -------
    (n, 1) array, or (n, 0) where the covariate lies in the space.
    """
    centred = covariate - covariate.mean()
    size = float(np.sqrt(centred @ centred))
    floor = _INSIDE * float(np.abs(covariate).max(initial=0.0)) * np.sqrt(covariate.size)
    if size <= floor:
        return np.empty((covariate.size, 0))
    rest = residual(space, residual(space, centred / size))
    left = float(np.sqrt(rest @ rest))
    if left <= _INSIDE:
        return np.empty((covariate.size, 0))
    return (rest / left)[:, None]


def residual(space: FloatArray, table: FloatArray) -> FloatArray:
    """Take a space out of each column.

    Parameters
    ----------
    space : (n, r) array
        Orthonormal.
    table : (n,) or (n, k) array

    Returns
    -------
    (n,) or (n, k) array
    """
    rest: FloatArray = table - space @ (space.T @ table)
    return rest
