"""Confidence limits of the means and ratios of a count model, groups of zeros included."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, Layout
from trialkit.inference.glm.count_model import CountFit
from trialkit.inference.glm.count_zeros import zero_limits

# Added to a total, so that the limit lies midway between those that count it in and out.
_HALF: Final = 0.5
_LEAST_TAIL: Final = 1e-15
#: Individuals counted in a whole trial, and share of plots with some, below which tests and limits
#: of counts give away what they could show (found by simulation, in count_models.md).
FEWEST: Final = 40.0
LEAST_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountLimits:
    """Means and ratios to a base group with their limits, all (t, m) float arrays.

    Attributes
    ----------
    mean, lower, upper : float arrays
        Mean of a group in the average block: its total over how rich its plots are, the
        arithmetic mean where no plot is missing. Of a group of zeros 0, from 0 to a one-sided
        limit.
    ratio, ratio_lower, ratio_upper : float arrays
        Of means to the base; NaN where the base is 0 or either is unknown, 1 for the base.
    """

    mean: FloatArray
    lower: FloatArray
    upper: FloatArray
    ratio: FloatArray
    ratio_lower: FloatArray
    ratio_upper: FloatArray


def count_limits(
    layout: Layout, fit: CountFit, base: int | None, *, alpha: float = 0.05
) -> CountLimits:
    """Limits of means and ratios that keep their level in small trials.

    Parameters
    ----------
    layout : Layout
        That of the fit.
    fit : CountFit
    base : int or None
        Group to which ratios are taken, as a rule the untreated; NaN ratios without one.
    alpha : float
        One less the confidence.

    Notes
    -----
    The total ``T`` of ``n`` plots with aggregation ``k`` is negative binomial with aggregation
    ``n * k``. Its tails are those of a beta distribution, and the limits of the mean are
    ``n * k * x / (1 - x) / n`` with ``x`` the quantiles of a beta of ``T + 1/2`` and ``n * k``
    (at high counts the quotient of two gammas, for Poisson counts one gamma). As the dispersion
    is estimated, the tail is that of the normal distribution beyond Student's t on the error
    degrees of freedom: exact for normal errors, and by simulation close to its level for
    ``k`` of 0.3 and more (``tests/benchmarks/count_models.md``). Limits on the logarithm, which
    are symmetric, are too short above by far with few aggregated plots.

    Limits of a ratio join those of the two means by the distances from the estimates, squared
    and summed (Zou GY & Donner A 2008, Stat. Med. 27:1693-1702, reference from memory), on the
    logarithms.

    Differences between blocks count as known. For groups of zeros see ``zero_limits``; the ratio
    takes the middle of what a Poisson count of none leaves as its estimate.
    """
    poisson = fit.family == "poisson"
    some = fit.df_error > 0.0
    student = special.stdtrit(np.where(some, fit.df_error, 1.0), 1.0 - alpha / 2.0)
    tail = np.full(fit.df_error.shape, alpha / 2.0)
    if not poisson:
        tail = np.where(some, np.maximum(special.ndtr(-student), _LEAST_TAIL), np.nan)
    member = indicator(layout.treatment, layout.n_treatments).T
    total = member @ np.nan_to_num(fit.counts)
    exposure = member @ np.nan_to_num(fit.levels)
    known = ~np.isnan(fit.means)
    zero = known & (fit.means == 0.0)
    mean = np.where(known, total / np.where(exposure > 0.0, exposure, 1.0), np.nan)
    mean = np.where(zero, 0.0, mean)
    scale = np.where(fit.scale > 0.0, fit.scale, np.nan)
    individuals = np.where(total > 0.0, total, 1.0) / fit.unit / scale
    low, high = _about(individuals, fit.dispersion * fit.unit_variance, tail)
    lower, upper = mean * low, mean * high
    limit = zero_limits(layout, fit, alpha / 2.0) if zero.any() else np.full(mean.shape, np.nan)
    lower, upper = np.where(zero, 0.0, lower), np.where(zero, limit, upper)
    # In place of log 0: the mean at which none are found every other time.
    middle = np.where(zero, limit * np.log(2.0) / -np.log(alpha / 2.0), mean)
    ratios = _ratios(mean, middle, lower, upper, base)
    return CountLimits(
        mean=mean,
        lower=lower,
        upper=upper,
        ratio=ratios[0],
        ratio_lower=ratios[1],
        ratio_upper=ratios[2],
    )


def few_counted(counts: FloatArray, unit: float | FloatArray = 1.0) -> BoolArray:
    """Mark responses with so few individuals that tests and limits are overcautious, (m,).

    Parameters
    ----------
    counts : (n, m) float array
        NaN where missing; a response without plots is not marked.
    unit : float or (m,) float array
        What one individual adds to a value.

    Notes
    -----
    Fewer than 40 individuals in all plots together, or none in more than half of the plots. In
    such null trials F of the negative binomial rejects 0 to 4 % at 5 %, and 95 % limits cover
    more than 97 % (``tests/benchmarks/count_models.md``).
    """
    present = ~np.isnan(counts)
    plots = present.sum(axis=0)
    total = np.nansum(counts, axis=0) / unit
    found = ((counts > 0.0) & present).sum(axis=0)
    few: BoolArray = (plots > 0) & ((total < FEWEST) | (found < LEAST_SHARE * plots))
    return few


def _about(
    individuals: FloatArray, dispersion: FloatArray, tail: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Limits of a mean as multiples of its estimate, from a total and its dispersion."""
    shape = individuals + _HALF
    worth = 1.0 / np.maximum(np.nan_to_num(dispersion, nan=1.0), 1e-7)
    poisson = ~(dispersion > 1e-7)
    below = special.betaincinv(shape, worth, tail)
    # From the other end: close to 1 a beta quantile has no digits left.
    beyond = special.betaincinv(worth, shape, tail)
    low = np.where(poisson, special.gammaincinv(shape, tail), worth * below / (1.0 - below))
    high = np.where(
        poisson,
        special.gammainccinv(shape, tail),
        worth * (1.0 - beyond) / np.where(beyond > 0.0, beyond, 1.0),
    )
    high = np.where(poisson | (beyond > 0.0), high, np.nan)
    unknown = np.isnan(dispersion)
    return (
        np.where(unknown, np.nan, low / individuals),
        np.where(unknown, np.nan, high / individuals),
    )


def _ratios(
    mean: FloatArray, middle: FloatArray, lower: FloatArray, upper: FloatArray, base: int | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    if base is None:
        nothing = np.full(mean.shape, np.nan)
        return nothing, nothing, nothing
    bottom = np.where(mean[base] > 0.0, mean[base], np.nan)
    zero = mean == 0.0

    def log(values: FloatArray) -> FloatArray:
        found: FloatArray = np.log(np.where(values > 0.0, values, np.nan))
        return found

    place = log(middle) - log(bottom)
    down, up = log(bottom) - log(lower[base]), log(upper[base]) - log(bottom)
    with np.errstate(invalid="ignore"):
        least = np.exp(place - np.hypot(log(middle) - log(lower), up))
        most = np.exp(place + np.hypot(log(upper) - log(middle), down))
    ratio = mean / bottom
    low = np.where(zero, 0.0 * bottom, least)
    most[base] = low[base] = ratio[base]
    return ratio, low, most
