"""What a fit of shares gives: proportions of groups with limits, and ratios to one group."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.count_models import DevianceLine
from trialkit.inference.layouts import BoolArray, FloatArray

ShareFamily = Literal["binomial", "quasi-binomial", "beta-binomial"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShareRatios:
    """Groups against one base group, (t, m) arrays; 1 for the base itself.

    Attributes
    ----------
    ratio, ratio_lower, ratio_upper : float arrays
        Of the proportions.
    odds, odds_lower, odds_upper : float arrays
        Of the odds, within blocks.

    NaN where unknown; an upper limit or ratio that has no bound is NaN too.
    """

    ratio: FloatArray
    ratio_lower: FloatArray
    ratio_upper: FloatArray
    odds: FloatArray
    odds_lower: FloatArray
    odds_upper: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShareFit:
    """Logit models of m responses on one layout of n plots and t treatments.

    Attributes
    ----------
    family : str
    scale : (m,) float array
        Factor on the variance: Pearson chi-square over its degrees of freedom for the
        quasi-binomial, else 1; NaN without degrees of freedom.
    correlation : (m,) float array
        Between the items of a plot, for the beta-binomial variance
        ``n p (1 - p) (1 + (n - 1) correlation)``; else 0.
    df_error : (m,) float array
    proportions, lower, upper : (t, m) float arrays
        Averaged over the plots' blocks. Of groups without one hit (or without one miss) 0 (or
        1), and one limit.
    logits : (t, m) float array
        Averaged over blocking levels; NaN where a proportion is 0, 1 or unknown.
    logit_covariance : (m, t, t) float array
        The scale included.
    share_covariance : (m, t, t) float array
        Covariance of ``proportions``, the scale included; NaN where logits are.
    fitted, pearson_residuals : (n, m) float arrays
    deviance, pearson : (m,) float arrays
    lines : tuple of DevianceLine
        Sequential analysis of deviance, blocking first.
    converged : (m,) bool array
    alpha : float
    """

    family: ShareFamily
    scale: FloatArray
    correlation: FloatArray
    df_error: FloatArray
    proportions: FloatArray
    lower: FloatArray
    upper: FloatArray
    logits: FloatArray
    logit_covariance: FloatArray
    share_covariance: FloatArray
    fitted: FloatArray
    pearson_residuals: FloatArray
    deviance: FloatArray
    pearson: FloatArray
    lines: tuple[DevianceLine, ...]
    converged: BoolArray
    alpha: float

    def ratios(self, base: int) -> ShareRatios:
        """Ratios of proportions and of odds to one group, with limits.

        Where a group (or the base) is all hits or all misses, its limit is put against the
        opposite limit of the other: wider than need be, but finite and honest.
        """
        t = quantile(self.family, self.df_error, self.alpha)
        p, low, high = self.proportions, self.lower, self.upper
        se, log_ratio = _log_ratio(p, self.share_covariance, base)
        shares = _limits(p, low, high, base, log_ratio, t * se)
        contrast = self.logits - self.logits[base]
        spread = np.einsum("mtt->tm", self.logit_covariance)
        variance = spread + spread[base] - 2.0 * self.logit_covariance[:, :, base].T
        odds = _limits(
            _odds(p), _odds(low), _odds(high), base, contrast, t * np.sqrt(np.maximum(variance, 0))
        )
        return ShareRatios(
            ratio=shares[0],
            ratio_lower=shares[1],
            ratio_upper=shares[2],
            odds=odds[0],
            odds_lower=odds[1],
            odds_upper=odds[2],
        )


def _odds(share: FloatArray) -> FloatArray:
    return share / np.where(share < 1.0, 1.0 - share, np.nan)


def _log_ratio(p: FloatArray, covariance: FloatArray, base: int) -> tuple[FloatArray, FloatArray]:
    """Standard error and value of the logarithms of ratios of proportions."""
    inside = np.where(p > 0.0, p, np.nan)
    relative = covariance / (inside.T[:, :, None] * inside.T[:, None, :])
    spread = np.einsum("mtt->tm", relative)
    variance = spread + spread[base] - 2.0 * relative[:, :, base].T
    return np.sqrt(np.maximum(variance, 0.0)), np.log(inside) - np.log(inside[base])


def _limits(
    value: FloatArray,
    low: FloatArray,
    high: FloatArray,
    base: int,
    log_ratio: FloatArray,
    half: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ratios with limits, from logarithms where there are, else from the groups' own limits."""
    usual = np.isfinite(half) & np.isfinite(log_ratio)
    below = np.where(value[base] > 0.0, value[base], np.nan)
    least = np.where(low[base] > 0.0, low[base], np.nan)
    ratio = np.where(usual, np.exp(np.where(usual, log_ratio, 0.0)), value / below)
    lower = np.where(usual, ratio * np.exp(-half), low / np.where(high[base] > 0, high[base], 1.0))
    upper = np.where(usual, ratio * np.exp(half), high / least)
    for part in (ratio, lower, upper):
        part[base] = np.where(np.isnan(value[base]), np.nan, 1.0)
    return ratio, lower, upper


def quantile(family: ShareFamily, df: FloatArray, alpha: float) -> FloatArray:
    """Normal where nothing was estimated, else Student's t."""
    if family == "binomial":
        return np.full(df.shape, float(special.ndtri(1.0 - alpha / 2.0)))
    some = df > 0.0
    t = special.stdtrit(np.where(some, df, 1.0), 1.0 - alpha / 2.0)
    return np.where(some, t, np.nan)
