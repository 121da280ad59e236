"""Confidence limits of the ratio of two means: Fieller's, and by the delta method on logarithms.

Classical limits for means with independent errors, as treatment means of balanced blocks are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from trialkit.inference.design.layout import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatioLimits:
    """Ratio of two means with its limits; all fields broadcast together.

    Attributes
    ----------
    ratio, lower, upper : float arrays
        NaN where undefined.
    g : float array
        Fieller's measure of how badly the denominator is known: finite limits exist below 1.
    se_log : float array
        Standard error of the natural logarithm of the ratio; NaN unless both means are above 0.
    """

    ratio: FloatArray
    lower: FloatArray
    upper: FloatArray
    g: FloatArray
    se_log: FloatArray


def fieller_limits(
    top: npt.ArrayLike,
    bottom: npt.ArrayLike,
    variance_top: npt.ArrayLike,
    variance_bottom: npt.ArrayLike,
    df: npt.ArrayLike,
    *,
    alpha: float = 0.05,
) -> RatioLimits:
    """Limits of ``top / bottom`` by Fieller's theorem.

    Parameters
    ----------
    top, bottom : float or array
        Means with independent errors; the bottom is as a rule the untreated.
    variance_top, variance_bottom : float or array
        Squared standard errors of the means, not negative.
    df : float or array
        Degrees of freedom of the variances; infinite gives normal quantiles.
    alpha : float
        One less the confidence.

    Returns
    -------
    RatioLimits
        Limits NaN where ``g >= 1``: the bottom does not differ from 0, and no finite interval
        has the confidence asked for.

    Raises
    ------
    ValueError
        When a variance is negative, or ``alpha`` does not lie between 0 and 1.

    References
    ----------
    Fieller EC 1954, J. R. Stat. Soc. B 16:175-185 (reference from memory).
    """
    means = _broadcast(top, bottom, variance_top, variance_bottom, df)
    t_squared = _quantile(means[4], alpha) ** 2
    ratio, g, se_log = _common(means, t_squared)
    variance = means[2] * (1.0 - g) + ratio**2 * means[3]
    defined = g < 1.0
    left = np.where(defined, 1.0 - g, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        half = np.sqrt(t_squared * np.maximum(variance, 0.0)) / np.abs(means[1])
    return RatioLimits(
        ratio=ratio, lower=(ratio - half) / left, upper=(ratio + half) / left, g=g, se_log=se_log
    )


def log_ratio_limits(
    top: npt.ArrayLike,
    bottom: npt.ArrayLike,
    variance_top: npt.ArrayLike,
    variance_bottom: npt.ArrayLike,
    df: npt.ArrayLike,
    *,
    alpha: float = 0.05,
) -> RatioLimits:
    """Limits of ``top / bottom`` by the delta method on its logarithm.

    Parameters and result as for ``fieller_limits``; limits are NaN unless both means are above
    0. The lower limit is never below 0, so that percent control never exceeds 100.

    Raises
    ------
    ValueError
        When a variance is negative, or ``alpha`` does not lie between 0 and 1.
    """
    means = _broadcast(top, bottom, variance_top, variance_bottom, df)
    t = _quantile(means[4], alpha)
    ratio, g, se_log = _common(means, t**2)
    return RatioLimits(
        ratio=ratio,
        lower=ratio * np.exp(-t * se_log),
        upper=ratio * np.exp(t * se_log),
        g=g,
        se_log=se_log,
    )


def _broadcast(*values: npt.ArrayLike) -> tuple[FloatArray, ...]:
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values))
    if np.any(arrays[2] < 0.0) or np.any(arrays[3] < 0.0):
        raise ValueError("variances cannot be negative")
    return tuple(arrays)


def _quantile(df: FloatArray, alpha: float) -> FloatArray:
    if not 0.0 < alpha < 1.0:
        raise ValueError("alpha must lie between 0 and 1")
    finite = np.isfinite(df) & (df > 0.0)
    t = special.stdtrit(np.where(finite, df, 1.0), 1.0 - alpha / 2.0)
    normal = np.where(np.isposinf(df), special.ndtri(1.0 - alpha / 2.0), np.nan)
    return np.where(finite, t, normal)


def _common(
    means: tuple[FloatArray, ...], t_squared: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ratio, g, and standard error of the log ratio."""
    top, bottom, variance_top, variance_bottom, _ = means
    below = np.where(bottom != 0.0, bottom, np.nan)
    ratio = top / below
    g = t_squared * variance_bottom / below**2
    positive = (top > 0.0) & (bottom > 0.0)
    above = np.where(positive, top, np.nan)
    se_log = np.sqrt(variance_top / above**2 + variance_bottom / below**2)
    return ratio, g, se_log
