"""Distributions behind the comparisons of means: studentized range, Dunnett.

All are relatively accurate in the upper tail and vectorised over statistics: a table is made for
each number of means and each number of degrees of freedom, then read. See
``tail_tables`` for the method and ``dunnett`` for correlations.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from trialkit.inference.comparisons.dunnett import (
    LARGEST_LOADING,
    common_factor,
    log_ratio,
    maximum_sf,
    quadrature_step,
)
from trialkit.inference.comparisons.tail_tables import NormalTail, StudentTail
from trialkit.inference.design.layout import FloatArray

Alternative = Literal["two-sided", "greater", "less"]
_SQRT2 = float(np.sqrt(2.0))
_SQRT_2PI = float(np.sqrt(2.0 * np.pi))
_REACH = 8.5


def studentized_range_sf(q: npt.ArrayLike, n_means: int, df: float) -> FloatArray:
    """Chance that the studentized range of ``n_means`` exceeds ``q``.

    Parameters
    ----------
    q : array_like
        Range over standard error of a mean; NaN gives NaN.
    n_means : int
        2 or more.
    df : float
        Degrees of freedom of error, 1 or more; may be infinite.

    Returns
    -------
    array of the shape of ``q``
        Relative error below 1e-9 for 2 to 100 means, from 1 df to infinity, as long as the
        probability is above 1e-190.

    Raises
    ------
    ValueError
        When ``n_means`` or ``df`` are out of range.
    """
    tail = _range_tail(_count(n_means), _df(df))
    return np.asarray(np.exp(tail.logsf(np.asarray(q, dtype=np.float64) / _SQRT2)))


def studentized_range_isf(alpha: npt.ArrayLike, n_means: int, df: float) -> FloatArray:
    """Points that the studentized range exceeds with chance ``alpha``.

    Parameters
    ----------
    alpha : array_like
        Between 0 and 1; outside gives NaN, 0 gives infinity.
    n_means, df
        As for ``studentized_range_sf``.

    Returns
    -------
    array of the shape of ``alpha``
    """
    tail = _range_tail(_count(n_means), _df(df))
    return np.asarray(_SQRT2 * _points(tail, alpha))


def dunnett_loadings(n_treated: npt.ArrayLike, n_control: int) -> FloatArray:
    """Correlation of comparisons with a control, from numbers of plots, as factors.

    The correlation of i and j is the product of their factors sqrt(n_i / (n_i + n_control)).
    """
    n = np.asarray(n_treated, dtype=np.float64)
    return np.asarray(np.sqrt(n / (n + n_control)))


def dunnett_sf(
    t: npt.ArrayLike,
    correlation: npt.ArrayLike,
    df: float,
    *,
    alternative: Alternative = "two-sided",
) -> FloatArray:
    """Adjusted p-value of a comparison with the control.

    Parameters
    ----------
    t : array_like
        Difference (treatment minus control) over its standard error; NaN gives NaN.
    correlation : (p,) or (p, p) array_like
        Factors as of ``dunnett_loadings``, or the full matrix of the p comparisons.
    df : float
        1 or more; may be infinite.
    alternative : {"two-sided", "greater", "less"}

    Returns
    -------
    array of the shape of ``t``
        Chance that the largest of the p statistics exceeds ``t`` (in size, where two-sided).
        Relative error below 1e-9 for correlations of product form, which unequal numbers of
        plots give. Other matrices: see ``dunnett``.

    Raises
    ------
    ValueError
        When ``df``, ``correlation`` or ``alternative`` are out of range.

    References
    ----------
    Dunnett CW 1955, JASA 50:1096-1121; 1964, Biometrics 20:482-491.
    """
    t = np.asarray(t, dtype=np.float64)
    tail = _dunnett_tail(correlation, df, alternative)
    t = np.abs(t) if alternative == "two-sided" else (t if alternative == "greater" else -t)
    return np.asarray(np.exp(tail.logsf(t)))


def dunnett_isf(
    alpha: npt.ArrayLike,
    correlation: npt.ArrayLike,
    df: float,
    *,
    alternative: Alternative = "two-sided",
) -> FloatArray:
    """Critical values of Dunnett's procedure at level ``alpha``, for t in size or one-sided.

    Parameters as for ``dunnett_sf``; "less" and "greater" have the same, positive at usual
    levels.
    """
    return _points(_dunnett_tail(correlation, df, alternative), alpha)


def _points(tail: StudentTail, alpha: npt.ArrayLike) -> FloatArray:
    """Points exceeded with chance ``alpha``; those of one level are asked for again and again."""
    levels = np.asarray(alpha, dtype=np.float64)
    return np.asarray(_point(tail, float(levels))) if levels.ndim == 0 else tail.isf(levels)


@lru_cache(maxsize=1024)
def _point(tail: StudentTail, alpha: float) -> float:
    return float(tail.isf(np.asarray(alpha)))


def _count(n_means: int) -> int:
    if int(n_means) != n_means or n_means < 2:
        raise ValueError("the range needs two means or more")
    return int(n_means)


def _df(df: float) -> float:
    if not df >= 1:
        raise ValueError("degrees of freedom must be 1 or more")
    return float(df)


@lru_cache(maxsize=256)
def _range_tail(n_means: int, df: float) -> StudentTail:
    return StudentTail.from_normal(_range_normal_tail(n_means), df)


@lru_cache(maxsize=256)
def _range_normal_tail(n_means: int) -> NormalTail:
    def sf(w: FloatArray) -> FloatArray:
        return _range_sf(_SQRT2 * w, n_means)

    return NormalTail.from_function(sf, negative=False)


def _range_sf(w: FloatArray, n_means: int) -> FloatArray:
    """Tail of the range of standard normal values, for a flat array of w."""
    if n_means == 2:
        return np.asarray(2.0 * special.ndtr(-w / _SQRT2))
    step = quadrature_step(n_means)
    z = 0.5 * w[:, None] + np.arange(-_REACH, _REACH + step / 2, step)
    below, out = special.ndtr(z), special.ndtr(z - w[:, None])
    # below^(k-1) - (below - out)^(k-1), without cancellation
    with np.errstate(divide="ignore"):
        lost = -np.expm1((n_means - 1) * np.log1p(-np.minimum(out / below, 1.0)))
    density = np.exp(-0.5 * z * z) / _SQRT_2PI
    return np.asarray(n_means * step * (density * below ** (n_means - 1) * lost).sum(axis=1))


def _dunnett_tail(correlation: npt.ArrayLike, df: float, alternative: Alternative) -> StudentTail:
    if alternative not in ("two-sided", "greater", "less"):
        raise ValueError(f"unknown alternative {alternative!r}")
    # Rounded, so that fits that differ in the last places share a table.
    matrix = np.round(np.asarray(correlation, dtype=np.float64), 13) + 0.0
    if matrix.size == 0 or matrix.ndim not in (1, 2) or not np.isfinite(matrix).all():
        raise ValueError("correlation must be the factors or the matrix of the comparisons")
    return _dunnett_table(matrix.tobytes(), matrix.shape, _df(df), alternative == "two-sided")


@lru_cache(maxsize=256)
def _dunnett_table(data: bytes, shape: tuple[int, ...], df: float, two_sided: bool) -> StudentTail:
    return StudentTail.from_normal(_dunnett_normal_tail(data, shape, two_sided), df)


@lru_cache(maxsize=256)
def _dunnett_normal_tail(data: bytes, shape: tuple[int, ...], two_sided: bool) -> NormalTail:
    given = np.frombuffer(data).reshape(shape)
    if given.ndim == 1:
        if np.abs(given).max() >= 1.0:
            raise ValueError("factors of the correlation must lie between -1 and 1")
        loadings = np.clip(given, -LARGEST_LOADING, LARGEST_LOADING)
        return NormalTail.from_function(
            lambda w: maximum_sf(w, loadings, two_sided=two_sided), negative=not two_sided
        )
    factor = common_factor(given)
    if factor.exact:
        return NormalTail.from_function(
            lambda w: maximum_sf(w, factor.loadings, two_sided=two_sided), negative=not two_sided
        )
    ratio = log_ratio(factor, given, two_sided=two_sided)

    def sf(w: FloatArray) -> FloatArray:
        return np.asarray(maximum_sf(w, factor.loadings, two_sided=two_sided) * np.exp(ratio(w)))

    return NormalTail.from_function(sf, negative=not two_sided)
