"""How likely a test finds a difference: power of F and t."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.design.layout import FloatArray

# A t so far on the wrong side of its centre adds nothing to a power; the library function
# answers NaN there.
_NEGLIGIBLE: Final = 1e-12


class Alternative(StrEnum):
    """Which differences a test looks for."""

    TWO_SIDED = "two-sided"
    GREATER = "greater"
    LESS = "less"


def f_test_power(
    df1: ArrayLike, df2: ArrayLike, noncentrality: ArrayLike, alpha: float = 0.05
) -> FloatArray:
    """Compute the power of an F test.

    Parameters
    ----------
    df1, df2 : array_like
        Numerator and denominator degrees of freedom.
    noncentrality : array_like
        Sum of squares of the true effects over the error variance, 0 or more.
    alpha : float
        Level, above 0 and below 1.

    Returns
    -------
    ndarray
        Probability of rejecting; ``alpha`` where the noncentrality is 0. NaN where a degree of
        freedom is below 1.

    Notes
    -----
    Noncentral F distribution, Patnaik PB 1949, Biometrika 36:202-232 [reference from memory].
    """
    top, bottom, shift = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (df1, df2, noncentrality))
    )
    usable = (top >= 1) & (bottom > 0) & (shift >= 0)
    top, bottom = np.where(usable, top, 1.0), np.where(usable, bottom, 1.0)
    shift = np.where(usable, shift, 0.0)
    critical = special.fdtri(top, bottom, 1 - alpha)
    power = np.where(shift > 0, 1 - special.ncfdtr(top, bottom, shift, critical), alpha)
    return np.where(usable, np.clip(power, 0.0, 1.0), np.nan)


def t_test_power(
    noncentrality: ArrayLike,
    df: ArrayLike,
    *,
    alpha: float = 0.05,
    alternative: Alternative | str = Alternative.TWO_SIDED,
) -> FloatArray:
    """Compute the power of one planned comparison of two means.

    Parameters
    ----------
    noncentrality : array_like
        True difference over its standard error.
    df : array_like
        Error degrees of freedom.
    alpha : float
    alternative : Alternative

    Returns
    -------
    ndarray
    """
    kind = Alternative(alternative)
    tail = alpha / 2 if kind is Alternative.TWO_SIDED else alpha
    shift, freedom = np.broadcast_arrays(
        np.asarray(noncentrality, dtype=float), np.asarray(df, dtype=float)
    )
    critical = special.stdtrit(np.where(freedom > 0, freedom, np.nan), 1 - tail)
    return power_beyond(critical, shift, freedom, alternative=kind)


def power_beyond(
    critical: ArrayLike,
    noncentrality: ArrayLike,
    df: ArrayLike,
    *,
    alternative: Alternative | str = Alternative.TWO_SIDED,
) -> FloatArray:
    """Compute the chance that t passes a critical value, whatever procedure gave it.

    Parameters
    ----------
    critical : array_like
        On the scale of t, above 0: Student's t, Dunnett's d, Tukey's q over the root of 2.
    noncentrality : array_like
        True difference over its standard error.
    df : array_like
    alternative : Alternative

    Returns
    -------
    ndarray
        Probability; NaN where an argument is NaN or df is not above 0.
    """
    kind = Alternative(alternative)
    limit, shift, freedom = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (critical, noncentrality, df))
    )
    usable = ~(np.isnan(limit) | np.isnan(shift)) & (freedom > 0)
    limit, shift = np.where(usable, limit, 1.0), np.where(usable, shift, 0.0)
    freedom = np.where(usable, freedom, 1.0)
    power = np.zeros(limit.shape)
    if kind is not Alternative.LESS:
        power = power + _below(-limit, -shift, freedom)
    if kind is not Alternative.GREATER:
        power = power + _below(-limit, shift, freedom)
    return np.where(usable, np.clip(power, 0.0, 1.0), np.nan)


def _below(point: FloatArray, shift: FloatArray, df: FloatArray) -> FloatArray:
    """Evaluate P(T <= point) of the noncentral t for points below 0."""
    # With a point below 0, P <= P(normal(shift) < 0).
    nothing = special.ndtr(-shift) < _NEGLIGIBLE
    value = special.nctdtr(df, np.where(nothing, 0.0, shift), point)
    # The series gives up (NaN) far out in the tail, where less than 1e-10 is left.
    nothing = nothing | (np.isnan(value) & (shift > 0.0))
    return np.where(nothing, 0.0, value)
