"""Durations over trials of which some ends were not seen: their median with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class MedianDuration:
    """Median of durations; NaN where half of them lie beyond all that was seen.

    Attributes
    ----------
    median, lower, upper : float
    """

    median: float
    lower: float
    upper: float


def median_duration(days: FloatArray, unseen: BoolArray, *, alpha: float = 0.05) -> MedianDuration:
    """Median duration of independent trials, some of which ended before it did.

    Parameters
    ----------
    days : (k,) float array
        Not negative: the duration, or how long it was seen to last.
    unseen : (k,) bool array
        Whether the end was not seen.
    alpha : float
        The interval holds 1 less alpha.

    Returns
    -------
    MedianDuration
        A limit is NaN where the trials do not bound it.

    Notes
    -----
    Kaplan EL & Meier P 1958, J. Am. Stat. Assoc. 53:457-481; the interval holds the days at which
    the share that lasts is not shown to differ from a half, by Greenwood's variance on the scale of
    log(-log) (Brookmeyer R & Crowley J 1982, Biometrics 38:29-41). References from memory; checked
    against a general library in tests/published.

    Examples
    --------
    >>> median_duration(np.array([7.0, 9.0, 14.0, 21.0]), np.array([False, False, False, True]))
    MedianDuration(median=11.5, lower=7.0, upper=nan)
    """
    times = np.unique(days[~unseen])
    ended = np.array([float(((days == time) & ~unseen).sum()) for time in times])
    at_risk = np.array([float((days >= time).sum()) for time in times])
    lasting = np.cumprod(1.0 - ended / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(ended / (at_risk * (at_risk - ended)))
        scale = np.log(-np.log(lasting))
        z = (scale - np.log(np.log(2.0))) / (np.sqrt(greenwood) / np.abs(np.log(lasting)))
    inside = (lasting > 0.0) & (np.abs(z) <= -special.ndtri(alpha / 2.0))
    # Beyond the last end nothing is left to tell by: that day is inside as far as it is reached.
    half = lasting <= 0.5 + 1e-12
    below = times[half]
    # As of any even number of values: half way where exactly half of the trials last.
    exact = below.size > 1 and abs(lasting[half][0] - 0.5) < 1e-12
    even = below[: 2 if exact else 1]
    within = times[inside]
    after = times[(times > within.max()) & ~inside] if within.size else times[:0]
    nan = float("nan")
    return MedianDuration(
        median=float(even.mean()) if even.size else nan,
        lower=float(within[0]) if within.size else nan,
        upper=float(after[0]) if after.size else nan,
    )
