"""Shares k of n in designed experiments: damaged fruits of the fruits looked at.

A logit model with treatments and blocks. Plots of one treatment differ by more than chance
between fruits would have it; how much more is estimated from the Pearson chi-square, either as
one factor on the variance (quasi-binomial) or as a correlation between the fruits of a plot,
which weighs large plots less (beta-binomial variance).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, Layout
from trialkit.inference.glm.deviance import DevianceLine
from trialkit.inference.glm.share_result import ShareFamily, ShareFit, quantile
from trialkit.inference.glm.weighted_fit import (
    Effects,
    Scaffold,
    WorkingFit,
    effects,
    information,
    iterate,
    live_plots,
    logit_working,
    regular,
    scaffold,
)

# Pearson chi-square for each unit examined below which a fit is exact but for rounding.
_EXACT: Final = 1e-14
_LARGEST_CORRELATION: Final = 0.99
_ROUNDS: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Data:
    """Shares (n, m) and numbers of items (n, m); 0 and 1 where missing."""

    present: BoolArray
    shares: FloatArray
    number: FloatArray


def fit_shares(
    layout: Layout,
    hits: FloatArray,
    number: FloatArray,
    *,
    family: ShareFamily = "quasi-binomial",
    alpha: float = 0.05,
) -> ShareFit:
    """Fit a logit model to every response.

    Parameters
    ----------
    layout : Layout
    hits : (n,) or (n, m) float array
        Items hit (damaged, infected) in each plot; NaN where missing.
    number : (n,), (n, 1) or (n, m) float array
        Items looked at; a plot with none is missing.
    family : {"quasi-binomial", "beta-binomial", "binomial"}
    alpha : float
        One less the confidence of the limits.

    Raises
    ------
    ValueError
        When shapes do not fit, or hits are negative or more than the items.

    Notes
    -----
    Limits of proportions are those of the logit, brought back. A group without one hit has the
    exact binomial upper limit ``1 - (alpha / 2) ** (1 / N)``, N being its items over the factor
    by which their variance exceeds the binomial one (at least 1); without one miss likewise
    (Clopper CJ and Pearson ES 1934, Biometrika 26:404-413, reference from memory).

    The moment equation for the correlation is that of Williams DA 1982, Appl. Stat. 31:144-148
    (reference from memory). Correlations below 0 are given as 0; the scale of the
    quasi-binomial is left as found, also below 1. Where the correlation is 0, tests by the
    beta-binomial variance take the scale that the quasi-binomial has there, 1 at most; limits
    keep that of independent items.
    """
    data = _read(layout, hits, number)
    model = effects(layout)
    live, frame = _pose(model, data)
    df = (live.sum(axis=0) - frame.rank).astype(np.float64)
    m = live.shape[1]
    correlation = np.zeros(m)
    if family == "beta-binomial":
        correlation = _correlation(model, frame, live, data, df)
    factor = (1.0 + (data.number - 1.0) * correlation) / data.number
    fit = _iterate(model, frame, live, data, factor)
    mean = _mean(live, data, fit)
    spread = np.where(live, mean * (1.0 - mean) * factor, 1.0)
    residual = np.where(live, (data.shares - mean) / np.sqrt(spread), 0.0)
    pearson = (residual**2).sum(axis=0)
    # A fit that is exact but for rounding has no scale.
    some = (df > 0.0) & (pearson > _EXACT * np.where(live, data.number, 0.0).sum(axis=0))
    own = np.where(some, pearson / np.maximum(df, 1.0), np.nan)
    scale = own if family == "quasi-binomial" else np.ones(m)
    tested = scale
    if family == "beta-binomial":
        # Items that are no more alike than by chance may be less so: the data tell.
        tested = np.where((correlation == 0.0) & some, np.minimum(own, 1.0), 1.0)
    lines, expected = _lines(layout, data, factor, tested, df)
    t = quantile(family, df, alpha)
    groups = _groups(layout, model, frame, live, data, fit, scale)
    inflation = np.maximum(np.nan_to_num(scale, nan=1.0), 1.0)
    lower, upper = _group_limits(layout, data, groups, factor, inflation, t, alpha)
    return ShareFit(
        family=family,
        scale=scale,
        correlation=correlation,
        df_error=df,
        proportions=groups.share,
        lower=lower,
        upper=upper,
        logits=groups.logit,
        logit_covariance=groups.logit_covariance,
        share_covariance=groups.share_covariance,
        fitted=np.where(data.present, mean, np.nan),
        deviance=_deviance(data, mean, factor),
        pearson=pearson,
        lines=lines,
        expected=np.where(data.present, expected, np.nan),
        converged=fit.converged,
        alpha=alpha,
    )


def _read(layout: Layout, hits: FloatArray, number: FloatArray) -> _Data:
    k, n = np.asarray(hits, dtype=np.float64), np.asarray(number, dtype=np.float64)
    k, n = (part[:, None] if part.ndim == 1 else part for part in (k, n))
    if k.shape[0] != layout.n_plots or n.shape[0] != layout.n_plots:
        raise ValueError("there must be one row of hits and of items for each plot")
    n = np.broadcast_to(n, k.shape)
    present: BoolArray = np.isfinite(k) & np.isfinite(n) & (n > 0.0)
    if np.any(k[present] < 0.0) or np.any(k[present] > n[present]):
        raise ValueError("hits must lie between 0 and the number of items")
    items = np.where(present, n, 1.0)
    return _Data(present=present, shares=np.where(present, k, 0.0) / items, number=items)


def _pose(model: Effects, data: _Data) -> tuple[BoolArray, Scaffold]:
    shares = np.where(data.present, data.shares, np.nan)
    live = live_plots(model, shares, np.ones_like(data.shares))
    return live, scaffold(model, live)


def _iterate(
    model: Effects, frame: Scaffold, live: BoolArray, data: _Data, factor: FloatArray
) -> WorkingFit:
    start = special.logit((data.shares * data.number + 0.5) / (data.number + 1.0))
    return iterate(model, frame, live, start, logit_working(data.shares, factor))


def _mean(live: BoolArray, data: _Data, fit: WorkingFit) -> FloatArray:
    """Fitted shares (n, m); plots that bear on no parameter are fitted exactly."""
    mean: FloatArray = np.where(live, special.expit(fit.predictor), data.shares)
    return mean


def _correlation(
    model: Effects, frame: Scaffold, live: BoolArray, data: _Data, df: FloatArray
) -> FloatArray:
    """Correlation (m,) at which the Pearson chi-square equals its degrees of freedom."""
    correlation = np.zeros(df.shape)
    for _ in range(_ROUNDS):
        factor = (1.0 + (data.number - 1.0) * correlation) / data.number
        mean = _mean(live, data, _iterate(model, frame, live, data, factor))
        plain = np.where(live, mean * (1.0 - mean) / data.number, 1.0)
        square = np.where(live, (data.shares - mean) ** 2, 0.0) / plain
        before, correlation = correlation, correlation_root(square, data.number - 1.0, df)
        if np.abs(correlation - before).max(initial=0.0) < 1e-10:
            break
    return correlation


def correlation_root(square: FloatArray, more: FloatArray, df: FloatArray) -> FloatArray:
    """Correlation (m,) at which the Pearson chi-square of a beta-binomial equals its df.

    Parameters
    ----------
    square : (n, m) float array
        Squared residuals over their binomial variance, 0 where a plot does not count.
    more : (n, m) float array
        Items of each plot, less one.
    df : (m,) float array

    Returns
    -------
    (m,) float array
        Root of ``sum(square / (1 + more * r)) = df``, 0 to 0.99: Newton from 0, which never
        passes it.
    """
    r = np.zeros(df.shape)
    for _ in range(60):
        part = square / (1.0 + more * r)
        fall = (part * more / (1.0 + more * r)).sum(axis=0)
        excess = np.where(df > 0.0, part.sum(axis=0) - df, 0.0)
        step = np.maximum(excess, 0.0) / np.where(fall > 0.0, fall, np.inf)
        r = np.minimum(r + step, _LARGEST_CORRELATION)
        if np.all(step <= 1e-13):
            break
    return r


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Groups:
    share: FloatArray
    logit: FloatArray
    logit_covariance: FloatArray
    share_covariance: FloatArray


def _groups(
    layout: Layout,
    model: Effects,
    frame: Scaffold,
    live: BoolArray,
    data: _Data,
    fit: WorkingFit,
    scale: FloatArray,
) -> _Groups:
    """Proportions of groups over the blocks of all plots present, equal weight to each plot."""
    t, m = layout.n_treatments, live.shape[1]
    member = model.columns[:, :t].T
    known = (member @ live.astype(float)) > 0.0
    plots = member @ data.present.astype(float)
    matrix, _ = regular(frame, information(model, fit.weights))
    inverse = np.linalg.inv(matrix)
    blocks = model.columns.copy()
    blocks[:, :t] = 0.0
    logit_gradient = np.zeros((m, t, model.n_columns))
    share_gradient = np.zeros((m, t, model.n_columns))
    logit, share = np.zeros((t, m)), np.zeros((t, m))
    # Blocks without a hit have none in any group; those without a miss have nothing but hits.
    fixed = np.where(live, 0.0, data.shares)
    weight = live / np.maximum(live.sum(axis=0), 1)
    dead = data.present & ~live & (known.T[:, layout.treatment].T)
    for i in range(t):
        predictor = blocks @ fit.coefficients.T + fit.coefficients[:, i]
        p = special.expit(predictor)
        logit[i] = (weight * predictor).sum(axis=0)
        logit_gradient[:, i] = weight.T @ blocks
        logit_gradient[:, i, i] = 1.0
        # Dead plots of live groups lie in dead blocks.
        count = np.maximum(live.sum(axis=0) + dead.sum(axis=0), 1)
        share[i] = (np.where(live, p, 0.0) + np.where(dead, fixed, 0.0)).sum(axis=0) / count
        slope = np.where(live, p * (1.0 - p), 0.0) / count
        share_gradient[:, i] = slope.T @ blocks
        share_gradient[:, i, i] = slope.sum(axis=0)
    loose = np.abs(np.einsum("mtp,mqp->tmq", logit_gradient, frame.null)).max(axis=2) > 1e-7
    usable = known & ~loose
    raw = (member @ np.where(data.present, data.shares, 0.0)) / np.maximum(plots, 1.0)
    exact = np.where((plots > 0.0) & ~known, np.round(raw), np.nan)
    both = usable.T[:, :, None] & usable.T[:, None, :]
    pair = [
        np.where(both, gradient @ inverse @ gradient.transpose(0, 2, 1), np.nan)
        * scale[:, None, None]
        for gradient in (logit_gradient, share_gradient)
    ]
    return _Groups(
        share=np.where(usable, share, exact),
        logit=np.where(usable, logit, np.nan),
        logit_covariance=pair[0],
        share_covariance=pair[1],
    )


def _group_limits(
    layout: Layout,
    data: _Data,
    groups: _Groups,
    factor: FloatArray,
    inflation: FloatArray,
    t: FloatArray,
    alpha: float,
) -> tuple[FloatArray, FloatArray]:
    p = groups.share
    member = indicator(layout.treatment, layout.n_treatments).T
    worth = np.maximum(member @ np.where(data.present, 1.0 / factor, 0.0) / inflation, 1e-9)
    beyond = 1.0 - (alpha / 2.0) ** (1.0 / worth)
    inside = (p > 0.0) & (p < 1.0)
    safe = np.where(inside, p, 0.5)
    se = np.sqrt(np.einsum("mtt->tm", groups.share_covariance)) / (safe * (1.0 - safe))
    centre = special.logit(safe)
    lower, upper = special.expit(centre - t * se), special.expit(centre + t * se)
    lower = np.where(inside, lower, np.where(p == 0.0, 0.0, np.where(p == 1.0, 1 - beyond, np.nan)))
    upper = np.where(inside, upper, np.where(p == 0.0, beyond, np.where(p == 1.0, 1.0, np.nan)))
    return lower, upper


def _deviance(data: _Data, mean: FloatArray, factor: FloatArray) -> FloatArray:
    part = special.rel_entr(data.shares, mean) + special.rel_entr(1.0 - data.shares, 1.0 - mean)
    total: FloatArray = 2.0 * np.where(data.present, part / factor, 0.0).sum(axis=0)
    return total


def _lines(
    layout: Layout, data: _Data, factor: FloatArray, scale: FloatArray, df_error: FloatArray
) -> tuple[tuple[DevianceLine, ...], FloatArray]:
    """Sequential analysis of deviance at the variance of all, and shares without treatments."""
    names = [*(source for source, _ in layout.blocking), "treatment"]
    models = [effects(layout, treatment=False, n_blocking=i) for i in range(len(names))]
    deviances, ranks, means = [], [], []
    for model in [*models, effects(layout)]:
        live, frame = _pose(model, data)
        fit = _iterate(model, frame, live, data, factor)
        means.append(_mean(live, data, fit))
        deviances.append(_deviance(data, means[-1], factor))
        ranks.append(scaffold(model, data.present).rank.astype(np.float64))
    lines = []
    for i, name in enumerate(names):
        df = ranks[i + 1] - ranks[i]
        gain = np.maximum(deviances[i] - deviances[i + 1], 0.0)
        some = (df > 0.0) & (df_error > 0.0) & (scale > 0.0)
        over = np.where(some, scale, np.nan)
        F = gain / np.maximum(df, 1.0) / over
        p: FloatArray = np.asarray(special.fdtrc(np.maximum(df, 1.0), np.maximum(df_error, 1.0), F))
        chance = special.chdtrc(np.maximum(df, 1.0), gain / over)
        lines.append(DevianceLine(source=name, df=df, deviance=gain, F=F, p=p, p_chi_square=chance))
    return (*lines, DevianceLine.of_error(df_error, deviances[-1])), means[-2]
