"""Shares of treatments in split-plots and strip-plots, and against one of them, with limits.

The share of a treatment is the mean of its plots. Its variance is put together from the errors of
the strata, ``p * (1 - p)`` for each: a larger unit counts with what it adds to its plots, in a
comparison within such units not at all. Degrees of freedom of such sums are those of Satterthwaite
FE 1946, Biometrics Bull. 2:110-114 (reference from memory). Limits are those of the logit, of the
logarithm for ratios of shares, by Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.glm.share_result import (
    RATIOS,
    ShareLevels,
    odds_of,
    p_of_difference,
    ratio_with_limits,
    t_quantile,
)
from trialkit.inference.glm.share_strata import ShareStrata, logit_shares
from trialkit.inference.glm.weighted_fit import effects


def share_levels(
    strata: ShareStrata,
    layout: Layout,
    hits: FloatArray,
    items: FloatArray,
    *,
    base: int | None,
    alpha: float = 0.05,
) -> ShareLevels:
    """Give every treatment its share, and what it is against a base.

    Parameters
    ----------
    strata : ShareStrata
        Of the same hits and items.
    layout : Layout
        Treatments, and what the larger units were grouped by.
    hits, items : (n, m) float array
    base : int, optional
        Treatment that the others are compared with.
    alpha : float
        One less the confidence of the limits.

    Notes
    -----
    Where plots are missing the mean of the others is moved by what a logit model of treatments
    and groups lets expect of all plots, against those that are there.

    A treatment without one hit has the binomial upper limit ``1 - (alpha / 2) ** (1 / N)`` for as
    many independent items N as have the variance of its share, one without a miss likewise
    (Clopper CJ and Pearson ES 1934, Biometrika 26:404-413, reference from memory).
    """
    errors = _Errors.of(strata, layout)
    p = _shares(strata, layout, hits, items)
    lower, upper = _limits(errors, p, alpha)
    nothing = np.full(p.shape, np.nan)
    ratio = odds = (nothing, nothing, nothing)
    p_value = nothing
    if base is not None:
        inside = np.where((p > 0.0) & (p < 1.0), p, np.nan)
        scale = 1.0 / np.sqrt(inside * (1.0 - inside))
        apart = special.logit(inside) - special.logit(inside[base])
        variance, df = errors.apart(scale, np.ones_like(scale), base)
        half = t_quantile(df, alpha) * np.sqrt(variance)
        odds = ratio_with_limits(odds_of(p), odds_of(lower), odds_of(upper), base, apart, half)
        p_value = p_of_difference(apart, variance, df)
        variance, df = errors.apart(scale, 1.0 - inside, base)
        half = t_quantile(df, alpha) * np.sqrt(variance)
        apart = np.log(inside) - np.log(inside[base])
        ratio = ratio_with_limits(p, lower, upper, base, apart, half)
    found = dict(zip(RATIOS, (*ratio, *odds), strict=True))
    return ShareLevels(proportions=p, lower=lower, upper=upper, p=p_value, **found)


def _shares(strata: ShareStrata, layout: Layout, hits: FloatArray, items: FloatArray) -> FloatArray:
    """Means over plots, equal weight to each, (t, m)."""
    known = np.isfinite(strata.plots.factor)
    shares = np.where(known, hits, 0.0) / np.where(known, items, 1.0)
    member = indicator(layout.treatment, layout.n_treatments).T
    number = member @ known.astype(float)
    some = np.where(number > 0.0, number, np.nan)
    p = member @ shares / some
    lacking = number < member.sum(axis=1, keepdims=True)
    if lacking.any() and layout.blocking:
        fitted = logit_shares(effects(layout), shares, np.where(known, items, 0.0))
        moved = member @ fitted / member.sum(axis=1, keepdims=True)
        moved -= member @ np.where(known, fitted, 0.0) / some
        inside = lacking & (p > 0.0) & (p < 1.0)
        least = 0.5 / np.maximum(member @ np.where(known, items, 0.0), 1.0)
        p = np.where(inside, np.clip(p + moved, least, 1.0 - least), p)
    # Rounding must not make a little of none.
    return np.where(p < 1e-12, 0.0, np.where(p > 1.0 - 1e-12, 1.0, p))


def _limits(errors: _Errors, p: FloatArray, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Limits of the shares themselves: of the logit, or exact for none and all."""
    variance, df = errors.alone()
    inside = (p > 0.0) & (p < 1.0)
    safe = np.where(inside, p, 0.5)
    half = t_quantile(df, alpha) * np.sqrt(variance / (safe * (1.0 - safe)))
    centre = special.logit(safe)
    beyond = 1.0 - (alpha / 2.0) ** variance
    lower = np.where(p == 1.0, 1.0 - beyond, np.where(p == 0.0, 0.0, np.nan))
    upper = np.where(p == 0.0, beyond, np.where(p == 1.0, 1.0, np.nan))
    return (
        np.where(inside, special.expit(centre - half), lower),
        np.where(inside, special.expit(centre + half), upper),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Errors:
    """Puts variances together from the strata, over ``p * (1 - p)``.

    Attributes
    ----------
    weight : (m, t, n) float array
        Of each plot in the share of each treatment; NaN for treatments without a plot.
    within : tuple of (m, t, u) float arrays
        The same, summed over the plots of each larger unit.
    plots : (n, m) float array
        Variance of each plot about its larger units, 0 where missing.
    typical : (m,) float array
        Mean of these variances.
    larger : tuple of (m,) float arrays
        Variance of the mean of a larger unit, chance of its plots included.
    sizes : tuple of (m,) float arrays
        Plots of a larger unit.
    df : tuple of (m,) float arrays
        Of each kind of larger units, and of plots.
    """

    weight: FloatArray
    within: tuple[FloatArray, ...]
    plots: FloatArray
    typical: FloatArray
    larger: tuple[FloatArray, ...]
    sizes: tuple[FloatArray, ...]
    df: tuple[FloatArray, ...]

    @classmethod
    def of(cls, strata: ShareStrata, layout: Layout) -> _Errors:
        """Read the errors of the strata."""
        factor = strata.plots.factor
        known = np.isfinite(factor)
        member = indicator(layout.treatment, layout.n_treatments).T
        number = member @ known.astype(float)
        some = np.where(number > 0.0, number, np.nan)
        weight = member[None] * known.T[:, None, :] / some.T[:, :, None]
        indicators = [indicator(part.codes, len(part.factor)) for part in strata.larger]
        total = np.maximum(known.sum(axis=0), 1)
        return cls(
            weight=weight,
            within=tuple(weight @ each for each in indicators),
            plots=np.where(known, factor, 0.0),
            typical=np.where(known, factor, 0.0).sum(axis=0) / total,
            larger=tuple(_mean(part.factor) for part in strata.larger),
            sizes=tuple(
                total / np.maximum(np.isfinite(part.factor).sum(axis=0), 1)
                for part in strata.larger
            ),
            df=tuple(part.df_error for part in (*strata.larger, strata.plots)),
        )

    def alone(self) -> tuple[FloatArray, FloatArray]:
        """Variance of each share and its degrees of freedom, (t, m)."""
        units = [(part**2).sum(axis=2).T for part in self.within]
        return self._sum(units, np.einsum("mtn,nm->tm", self.weight**2, self.plots))

    def apart(
        self, scale: FloatArray, slope: FloatArray, base: int
    ) -> tuple[FloatArray, FloatArray]:
        """Variance of each difference to the base and its degrees of freedom, (t, m).

        ``scale`` (t, m) makes logits of shares, ``slope`` (t, m) what is compared of logits. Plots
        of a larger unit move by the same on the logit, whatever their treatments.
        """
        level = (scale**2 + scale[base] ** 2) / 2.0
        by_slope = slope.T[:, :, None]
        units = [
            level * ((by_slope * part - by_slope[:, [base]] * part[:, [base]]) ** 2).sum(axis=2).T
            for part in self.within
        ]
        own = np.einsum("mtn,nm->tm", self.weight**2, self.plots) * (scale * slope) ** 2
        return self._sum(units, own + own[base])

    def _sum(self, units: list[FloatArray], own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Variance and degrees of freedom, from the weights of larger units and the plots' part."""
        parts = []
        for weight, variance, size in zip(units, self.larger, self.sizes, strict=True):
            parts.append(weight * variance)
            own = own - weight * self.typical / size
        parts.append(np.maximum(own, 0.0))
        total: FloatArray = np.sum(parts, axis=0)
        spread = np.zeros_like(total)
        for part, df in zip(parts, self.df, strict=True):
            share = np.where(part > 1e-9 * total, part, 0.0)
            spread += np.where(share > 0.0, share**2 / np.where(df > 0.0, df, np.nan), 0.0)
        freedom = np.where(spread > 0.0, total**2 / np.where(spread > 0.0, spread, 1.0), np.nan)
        return np.where(np.isfinite(freedom), total, np.nan), freedom


def _mean(factor: FloatArray) -> FloatArray:
    known = np.isfinite(factor)
    total = np.where(known, factor, 0.0).sum(axis=0)
    mean: FloatArray = total / np.where(known.any(axis=0), known.sum(axis=0), np.nan)
    return mean
