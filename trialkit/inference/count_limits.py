"""Confidence limits of the means and ratios of a count model, groups of zeros included."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.count_models import CountFit
from trialkit.inference.layouts import FloatArray, Layout

_HALVINGS: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountLimits:
    """Limits of means and of ratios to a base group, all (t, m) float arrays.

    Attributes
    ----------
    lower, upper : float arrays
        Of the means. Of a group of zeros 0 and a one-sided limit.
    ratio, ratio_lower, ratio_upper : float arrays
        Of means to the base; NaN where the base is 0 or either is unknown, 1 for the base.
    """

    lower: FloatArray
    upper: FloatArray
    ratio: FloatArray
    ratio_lower: FloatArray
    ratio_upper: FloatArray


def count_limits(layout: Layout, fit: CountFit, base: int, *, alpha: float = 0.05) -> CountLimits:
    """Limits of means and ratios on the scale of the logarithm.

    Parameters
    ----------
    layout : Layout
        That of the fit.
    fit : CountFit
    base : int
        Group to which ratios are taken, as a rule the untreated.
    alpha : float
        One less the confidence.

    Notes
    -----
    Student's t on the error degrees of freedom where a scale or dispersion is estimated, normal
    for Poisson. Differences between blocks count as known.

    The likelihood of a mean, for a group whose plots are all zero, is the probability of these
    zeros, which is 1 at a mean of 0. Its upper limit is the mean at which the probability is
    ``alpha / 2``: ``-log(alpha / 2) / n`` for Poisson counts in n like plots. The ratio has this
    limit over the lower limit of the base: wider than need be, but finite.
    """
    poisson = fit.family == "poisson"
    some = fit.df_error > 0.0
    normal = float(special.ndtri(1.0 - alpha / 2.0))
    student = special.stdtrit(np.where(some, fit.df_error, 1.0), 1.0 - alpha / 2.0)
    t = np.where(some | poisson, normal if poisson else student, np.nan)
    half = t * np.sqrt(np.einsum("mtt->tm", fit.log_covariance))
    zero = fit.means == 0.0
    lower = np.where(zero, 0.0, fit.means * np.exp(-half))
    upper = np.where(zero, _zero_limit(layout, fit, alpha), fit.means * np.exp(half))
    bottom = np.where(fit.means[base] > 0.0, fit.means[base], np.nan)
    _, se = fit.log_ratios(base)
    ratio = fit.means / bottom
    least = np.where(lower[base] > 0.0, lower[base], np.nan)
    ratio_lower = np.where(zero, 0.0 * bottom, ratio * np.exp(-t * se))
    ratio_upper = np.where(zero, upper / least, ratio * np.exp(t * se))
    ratio_lower[base] = ratio_upper[base] = ratio[base]
    return CountLimits(
        lower=lower, upper=upper, ratio=ratio, ratio_lower=ratio_lower, ratio_upper=ratio_upper
    )


def _zero_limit(layout: Layout, fit: CountFit, alpha: float) -> FloatArray:
    """Mean (t, m) at which zeros in all plots of a group have the probability ``alpha / 2``."""
    member = np.eye(layout.n_treatments)[layout.treatment].T
    levels = np.where(np.isnan(fit.levels), 0.0, fit.levels) / fit.unit
    total = member @ levels
    # Blocks of zeros say nothing of how rich they are; with none else, plots count alike.
    plain = member @ (~np.isnan(fit.levels)).astype(float) / fit.unit
    alike = total <= 0.0
    factor = np.where(fit.scale > 0.0, np.maximum(fit.scale, 1.0), np.nan)
    target = -np.log(alpha / 2.0) * factor
    dispersion = np.maximum(fit.dispersion, 1e-12)
    weights = np.where(alike.T[:, layout.treatment].T, 1.0 / fit.unit, levels)
    exposure = np.where(alike, plain, total)
    usable = exposure > 0.0
    low = np.log(target / np.where(usable, exposure, 1.0))
    high = low + np.log1p(np.expm1(np.minimum(target * dispersion, 600.0))) + 5.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        each = weights * np.exp(middle)[layout.treatment]
        seen = np.where(np.isnan(fit.levels), 0.0, np.log1p(dispersion * each) / dispersion)
        below = member @ seen < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
        if np.nanmax(high - low, initial=0.0) < 1e-12:
            break
    return np.where(usable, np.exp(0.5 * (low + high)), np.nan)
