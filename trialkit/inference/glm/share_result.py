"""What a fit of shares gives: proportions of groups with limits, and ratios to one group."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray
from trialkit.inference.fit import Contrasts, against, contrasts_of
from trialkit.inference.glm.deviance import DevianceLine

ShareFamily = Literal["binomial", "quasi-binomial", "beta-binomial"]
#: What is known of groups against a base.
RATIOS = ("ratio", "ratio_lower", "ratio_upper", "odds", "odds_lower", "odds_upper")
#: Half an interval of a logarithm from which a limit is none: a factor of 5e21.
_BOUNDLESS = 50.0


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
class ShareLevels(ShareRatios):
    """Shares of t groups of m responses, and against one of them, (t, m) arrays.

    Attributes
    ----------
    proportions, lower, upper : float arrays
        NaN where no plot is left. Of groups without one hit (or without one miss) 0 (or 1), and
        one limit.
    p : float array
        Two-sided, of odds equal to those of the base; NaN for groups of none or all.
    """

    proportions: FloatArray
    lower: FloatArray
    upper: FloatArray
    p: FloatArray


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
    fitted : (n, m) float array
    expected : (n, m) float array
        Shares fitted without treatments, at the same variance.
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
    expected: FloatArray
    deviance: FloatArray
    pearson: FloatArray
    lines: tuple[DevianceLine, ...]
    converged: BoolArray
    alpha: float

    def levels(self, base: int | None) -> ShareLevels:
        """Proportions with their limits, and against one group where there is one."""
        against = {} if base is None else ratios_by_name(self.ratios(base))
        nothing = np.full(self.proportions.shape, np.nan)
        return ShareLevels(
            proportions=self.proportions,
            lower=self.lower,
            upper=self.upper,
            p=nothing if base is None else self._p_values(base),
            **(against or dict.fromkeys(RATIOS, nothing)),
        )

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, t) of the logits of shares."""
        return contrasts_of(rows, self.logits, self.logit_covariance, self.df_error)

    def _p_values(self, base: int) -> FloatArray:
        """Two-sided p of equal odds; NaN where there is no error."""
        apart = self.contrasts(against(base, len(self.logits)))
        return p_of_difference(apart.estimate, apart.se**2, apart.df)

    def ratios(self, base: int) -> ShareRatios:
        """Ratios of proportions and of odds to one group, with limits.

        Where a group (or the base) is all hits or all misses, its limit is put against the
        opposite limit of the other: wider than need be, but finite and honest.
        """
        t = quantile(self.family, self.df_error, self.alpha)
        p, low, high = self.proportions, self.lower, self.upper
        se, log_ratio = _log_ratio(p, self.share_covariance, base)
        shares = ratio_with_limits(p, low, high, base, log_ratio, t * se)
        apart = self.contrasts(against(base, len(p)))
        odds = ratio_with_limits(
            odds_of(p), odds_of(low), odds_of(high), base, apart.estimate, t * apart.se
        )
        return ShareRatios(
            ratio=shares[0],
            ratio_lower=shares[1],
            ratio_upper=shares[2],
            odds=odds[0],
            odds_lower=odds[1],
            odds_upper=odds[2],
        )


def ratios_by_name(ratios: ShareRatios) -> dict[str, FloatArray]:
    """Take ratios, odds and their limits out of a result."""
    return {name: getattr(ratios, name) for name in RATIOS}


def p_of_difference(apart: FloatArray, variance: FloatArray, df: FloatArray) -> FloatArray:
    """Two-sided p-value of a difference of logits of 0."""
    sound = (variance > 0.0) & (df > 0.0)
    t = np.abs(apart) / np.sqrt(np.where(sound, variance, np.nan))
    p: FloatArray = 2.0 * special.stdtr(np.where(sound, df, 1.0), -t)
    return p


def t_quantile(df: FloatArray, alpha: float) -> FloatArray:
    """Value that Student's t exceeds in size with chance ``alpha``; NaN without df above 0."""
    some = df > 0.0
    t = special.stdtrit(np.where(some, df, 1.0), 1.0 - alpha / 2.0)
    return np.where(some, t, np.nan)


def odds_of(share: FloatArray) -> FloatArray:
    """Odds of shares; NaN for 1."""
    return share / np.where(share < 1.0, 1.0 - share, np.nan)


def _log_ratio(p: FloatArray, covariance: FloatArray, base: int) -> tuple[FloatArray, FloatArray]:
    """Standard error and value of the logarithms of ratios of proportions."""
    inside = np.where(p > 0.0, p, np.nan)
    relative = covariance / (inside.T[:, :, None] * inside.T[:, None, :])
    spread = np.einsum("mtt->tm", relative)
    variance = spread + spread[base] - 2.0 * relative[:, :, base].T
    return np.sqrt(np.maximum(variance, 0.0)), np.log(inside) - np.log(inside[base])


def ratio_with_limits(
    value: FloatArray,
    low: FloatArray,
    high: FloatArray,
    base: int,
    log_ratio: FloatArray,
    half: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ratios to one group, with limits.

    Parameters
    ----------
    value, low, high : (t, m) float arrays
        Shares or odds of the groups, and their own limits.
    base : int
    log_ratio, half : (t, m) float arrays
        Logarithm of each ratio and half of its interval; NaN for groups of none or all, where
        the limits of the groups are put against each other.

    Returns
    -------
    ratio, lower, upper : (t, m) float arrays
        1 for the base itself; NaN where unknown or without a bound.
    """
    usual = np.isfinite(half) & np.isfinite(log_ratio)
    below = np.where(value[base] > 0.0, value[base], np.nan)
    least = np.where(low[base] > 0.0, low[base], np.nan)
    ratio = np.where(usual, np.exp(np.where(usual, log_ratio, 0.0)), value / below)
    lower = np.where(usual, ratio * np.exp(-half), low / np.where(high[base] > 0, high[base], 1.0))
    bounded = np.where(half < _BOUNDLESS, half, np.nan)
    upper = np.where(usual, ratio * np.exp(bounded), high / least)
    for part in (ratio, lower, upper):
        part[base] = np.where(np.isnan(value[base]), np.nan, 1.0)
    return ratio, lower, upper


def quantile(family: ShareFamily, df: FloatArray, alpha: float) -> FloatArray:
    """Normal where nothing was estimated, else Student's t."""
    if family == "binomial":
        return np.full(df.shape, float(special.ndtri(1.0 - alpha / 2.0)))
    return t_quantile(df, alpha)
