"""Group means over days with the moments of their errors: what courses are fitted to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout

Kind = Literal["count", "percent"]

#: Steps of the multiplicative fit of treatments and blocks; complete blocks need one.
_SWEEPS = 12
_TINY = 1e-12
#: Dispersions between which a Pearson chi-square is brought to its degrees of freedom.
_NODES = np.exp(np.linspace(np.log(1e-4), np.log(50.0), 60))
#: Largest correlation between days, and between plots of a unit.
_MOST = 0.95
#: Share of plots in the variance of residuals below which they tell nothing of plots.
_LEAST_PART = 0.05
#: What is added to a dispersion of 1 with one degree of freedom a day.
_SMALL = 1.5
#: Share of the degrees of freedom of a day that intervals are right with, by simulation.
_WORTH = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseEvidence:
    """Means of t groups on d days, and how they err.

    Attributes
    ----------
    total : (t, d) float array
        Individuals behind each mean; of shares the units that would say as much. NaN without a
        plot.
    exposure : (t, d) float array
        ``total`` over the mean.
    plots : (t, d) float array
        Relative variance of the mean that plots make, beside chance between individuals
        (``1 / total``).
    common : (t, d) float array
        Standard deviation, relative to the mean, of what a plot keeps over days: the covariance of
        two days is the product of theirs times ``correlation``.
    correlation : (d, d) float array
        Of plots between days.
    overlap : (t, t) float array
        Correlation between groups on one day, by larger units that they share; 1 on the diagonal.
    df : float
        Degrees of freedom of the variances: less than those of the error on one day, as what a
        plot keeps over days tells no more on many, and is itself estimated.
    """

    total: FloatArray
    exposure: FloatArray
    plots: FloatArray
    common: FloatArray
    correlation: FloatArray
    overlap: FloatArray
    df: float


def course_evidence(
    layout: Layout,
    values: FloatArray,
    *,
    kind: Kind = "count",
    unit: float = 1.0,
    items: FloatArray | None = None,
    units: Sequence[IntArray] = (),
) -> CourseEvidence:
    """Sum plots to groups, and estimate by moments how they vary.

    Blocks are taken out as factors that multiply. Counts vary as ``m + dispersion m^2``, shares p
    as ``dispersion p (1 - p) / items``. Each group has a dispersion of its own, drawn towards that
    of all as far as they differ no more than chance makes them.

    Parameters
    ----------
    layout : Layout
    values : (n, d) float array
        Not negative; percentages up to 100. NaN where a plot is missing.
    kind : {"count", "percent"}
    unit : float
        What one individual adds to a count.
    items : (n, d) float array, optional
        Of how many items each percentage is the share.
    units : sequence of (n,) int array
        Main plots, or both kinds of strips.
    """
    scaled = values / (unit if kind == "count" else 100.0)
    present = np.isfinite(scaled)
    weight = present.astype(float)
    if kind == "percent" and items is not None:
        weight = np.where(present, np.nan_to_num(items, nan=1.0), 0.0)
    seen = np.where(present, scaled, 0.0)
    fitted, factor = _multiplied(layout, seen, weight, 0.0)
    if kind == "count" and layout.blocking:
        # Plots of many individuals tell no more of a block than their dispersion lets them.
        rough = _rough_dispersion(seen, fitted, present & (fitted > 0.0))
        fitted, factor = _multiplied(layout, seen, weight, rough)
    group = indicator(layout.treatment, layout.n_treatments).T
    worth = group @ (weight * factor)
    spread = group @ (weight * factor) ** 2 / np.maximum(worth, _TINY) ** 2
    total = group @ (weight * seen)
    live = present & (fitted > 0.0)
    plots = _Plots(
        layout=layout,
        values=scaled,
        fitted=fitted,
        live=live,
        freedom=_freedom(layout, live),
        total=total,
        worth=worth,
        units=units,
    )
    return _of_counts(plots, spread) if kind == "count" else _of_shares(plots, weight)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Plots:
    """Values (n, d) of the plots and what is expected of them.

    ``freedom`` are the residual degrees of freedom (d,); ``total`` and ``worth`` (t, d) the sum
    over the plots of a treatment and how many plots, or items, it is of.
    """

    layout: Layout
    values: FloatArray
    fitted: FloatArray
    live: BoolArray
    freedom: FloatArray
    total: FloatArray
    worth: FloatArray
    units: Sequence[IntArray]


def _multiplied(
    layout: Layout, values: FloatArray, weight: FloatArray, dispersion: float
) -> tuple[FloatArray, FloatArray]:
    """Fit of treatments and blocks that multiply, and the block factors of plots about 1, (n, d).

    On every day the totals of each treatment are those seen; those of blocks too, once plots are
    weighed by what chance between individuals is of their variance.
    """
    group = indicator(layout.treatment, layout.n_treatments)
    factors = [indicator(codes, int(codes.max()) + 1) for _, codes in layout.blocking]
    effect = np.ones_like(values)
    levels = [np.ones((each.shape[1], values.shape[1])) for each in factors]
    seen = weight * values
    mean = np.zeros((layout.n_treatments, values.shape[1]))
    for _ in range(_SWEEPS if factors else 1):
        mean = (group.T @ seen) / np.maximum(group.T @ (weight * effect), _TINY)
        before = effect
        for place, each in enumerate(factors):
            rest = effect / np.maximum(each @ levels[place], _TINY)
            bare = rest * (group @ mean)
            trust = 1.0 / (1.0 + dispersion * bare * (each @ levels[place]))
            expected = each.T @ (trust * weight * bare)
            found = (each.T @ (trust * seen)) / np.maximum(expected, _TINY)
            there = (each.T @ weight) > 0.0
            found = np.where(there, np.maximum(found, 1e-6), np.nan)
            found /= np.nanmean(np.where(there, found, np.nan), axis=0, keepdims=True)
            levels[place] = np.where(there, found, 1.0)
            effect = rest * (each @ levels[place])
        if np.abs(effect - before).max() < 1e-6:
            break
    mean = (group.T @ seen) / np.maximum(group.T @ (weight * effect), _TINY)
    return effect * (group @ mean), effect


def _rough_dispersion(counts: FloatArray, fitted: FloatArray, live: BoolArray) -> float:
    mean = np.where(live, fitted, 1.0)
    excess = np.where(live, ((counts - mean) ** 2 - mean) / mean**2, 0.0)
    known = live & (mean >= 1.0)
    return max(float(np.sum(excess, where=known)) / max(int(known.sum()), 1), 1e-3)


def _freedom(layout: Layout, live: BoolArray) -> FloatArray:
    """Residual degrees of freedom of each day, (d,)."""
    used = (indicator(layout.treatment, layout.n_treatments).T @ live > 0).sum(axis=0)
    for _, codes in layout.blocking:
        levels = (indicator(codes, int(codes.max()) + 1).T @ live > 0).sum(axis=0)
        used = used + np.maximum(levels - 1, 0)
    left: FloatArray = np.maximum(live.sum(axis=0) - used, 0).astype(float)
    return left


def _share(freedom: FloatArray, live: BoolArray) -> float:
    """Degrees of freedom that are left of each plot, on average."""
    return float(freedom.sum()) / max(float(live.sum()), 1.0)


def _of_counts(seen: _Plots, spread: FloatArray) -> CourseEvidence:
    layout, live, freedom = seen.layout, seen.live, seen.freedom
    share = _share(freedom, live)
    mean = np.where(live, seen.fitted, 1.0)
    apart = np.where(live, np.where(live, seen.values, 0.0) - mean, 0.0)
    square = apart**2
    first = square[None] / (mean + _NODES[:, None, None] * mean**2)
    group = indicator(layout.treatment, layout.n_treatments)
    sums = np.einsum("qnd,nt->qt", first, group)
    number = live.astype(float) @ np.ones(live.shape[1]) @ group
    pooled = _at_freedom(sums.sum(axis=1)[:, None], np.array([share * number.sum()]))[0]
    own = _at_freedom(sums, share * number)
    part = np.where(live, pooled * mean / (1.0 + pooled * mean), 0.0)
    told = np.sqrt(np.maximum((part**2).sum(axis=1) @ group, _TINY) / np.maximum(number, 1.0))
    residual = apart / np.sqrt(mean + (group @ own)[:, None].clip(1e-4) * mean**2)
    rho = _over_days(residual, part, freedom)
    worth_df = share * number / _repeated(rho, live.shape[1])
    dispersion = _drawn_together(own, pooled, worth_df * told**2)
    # Squares of residuals vary the more the larger the dispersion is, and an estimate from few of
    # them comes out too small: by a tenth in simulated trials of dispersion 1 and 15 degrees.
    dispersion *= 1.0 + _SMALL * dispersion / max(float(freedom.mean()), 1.0)
    plots = dispersion[:, None] * spread
    return CourseEvidence(
        total=np.where(seen.worth > 0.0, seen.total, np.nan),
        exposure=seen.worth,
        plots=plots,
        common=np.sqrt(plots),
        correlation=_alike(rho, live.shape[1]),
        overlap=_overlap(layout, seen.units, residual, part),
        df=_WORTH * float(freedom.mean()),
    )


def _of_shares(plots: _Plots, weight: FloatArray) -> CourseEvidence:
    layout, live, freedom = plots.layout, plots.live, plots.freedom
    total, worth = plots.total, plots.worth
    share = _share(freedom, live)
    p = np.where(live, np.clip(plots.fitted, 1e-6, 1.0 - 1e-6), 0.5)
    residual = np.where(live, np.where(live, plots.values, 0.0) - p, 0.0)
    residual *= np.sqrt(np.where(live, weight, 0.0) / (p * (1.0 - p)))
    group = indicator(layout.treatment, layout.n_treatments)
    number = live.sum(axis=1).astype(float) @ group
    square = (residual**2).sum(axis=1) @ group
    pooled = float(square.sum() / max(share * number.sum(), _TINY))
    own = square / np.maximum(share * number, _TINY)
    items = float(weight.max(initial=1.0)) > 1.0
    least = 1.0 if items else 1e-4
    pooled = max(pooled, least)
    part = np.full(live.shape, 1.0 - 1.0 / pooled if items else 1.0) * live
    rho = _over_days(residual / np.sqrt(pooled), part, freedom)
    worth_df = share * number / _repeated(rho, live.shape[1])
    dispersion = np.maximum(_drawn_together(own, pooled, worth_df), least)
    mean = np.clip(total / np.maximum(worth, _TINY), 1e-6, 1.0 - 1e-6)
    each = 1.0 / (dispersion[:, None] * (1.0 - mean))
    kept = (1.0 - 1.0 / pooled if items else 1.0) * (worth > 0.0)
    seen = np.maximum(total * each, 0.5)
    return CourseEvidence(
        total=np.where(worth > 0.0, total * each, np.nan),
        exposure=worth * each,
        plots=np.zeros_like(mean),
        common=np.sqrt(kept / seen),
        correlation=_alike(rho, live.shape[1]),
        overlap=_overlap(layout, plots.units, residual / np.sqrt(pooled), part),
        df=_WORTH * float(freedom.mean()),
    )


def _at_freedom(sums: FloatArray, freedom: FloatArray) -> FloatArray:
    """Dispersions at which Pearson chi-squares (q, t), falling along the nodes, meet theirs."""
    found = np.empty(sums.shape[1])
    for j, column in enumerate(sums.T):
        found[j] = np.interp(-freedom[j], -column, _NODES)
    return np.where(freedom > 0.0, found, _NODES[0])


def _repeated(rho: float, days: int) -> float:
    """How many days tell of a variance what one independent day does, as a divisor."""
    return 1.0 + (days - 1) * rho**2


def _drawn_together(own: FloatArray, pooled: float, df: FloatArray) -> FloatArray:
    """Dispersions of groups drawn towards that of all, as far as chance makes them differ."""
    noise = pooled**2 * 2.0 / np.maximum(df, 0.5)
    told = df > 1.0
    if told.sum() < 2:
        return np.full_like(own, pooled)
    between = max(float(np.mean((own[told] - pooled) ** 2 - noise[told])), 0.0)
    kept = np.where(told, between / (between + noise), 0.0)
    # One group that stands out above keeps what chance does not make: the untreated, often, and
    # its error is in every ratio.
    above = np.maximum(own - pooled, 0.0) ** 2
    alone = 1.0 - 2.0 * noise / np.maximum(above, 2.0 * noise)
    kept = np.where(told, np.maximum(kept, alone), 0.0)
    drawn: FloatArray = pooled + kept * (own - pooled)
    return drawn


def _over_days(residual: FloatArray, part: FloatArray, freedom: FloatArray) -> float:
    """Mean correlation of plots between two days, freed of chance between individuals.

    What is drawn is the mean of a normal distribution about the estimate, from 0 on: a correlation
    that was missed makes intervals too narrow, and a trial tells little of it.
    """
    days = residual.shape[1]
    root = np.sqrt(part)
    cross = residual.sum(axis=1) ** 2 - (residual**2).sum(axis=1)
    whole = root.sum(axis=1) ** 2 - part.sum(axis=1)
    plots = max(float((part > 0.0).sum()) / days, 1.0)
    df = float(freedom.mean())
    below = df / plots * float(whole.sum())
    if days < 2 or below <= _LEAST_PART or df < 1.0:
        return 0.0
    found = float(cross.sum()) / below
    level = float(np.clip(found, 0.0, _MOST))
    trust = below / (df * days * (days - 1))
    error = (1.0 + (days - 1) * level) * (1.0 - level) * np.sqrt(2.0 / (days * (days - 1) * df))
    error = max(error / max(trust, _LEAST_PART), 1e-3)
    z = (np.array([0.0, _MOST]) - found) / error
    inside = special.ndtr(z[1]) - special.ndtr(z[0])
    if inside < 1e-8:
        return level
    height = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return float(found + error * (height[0] - height[1]) / inside)


def _alike(rho: float, days: int) -> FloatArray:
    return np.where(np.eye(days, dtype=bool), 1.0, rho)


def _overlap(
    layout: Layout, units: Sequence[IntArray], residual: FloatArray, part: FloatArray
) -> FloatArray:
    """Correlation between groups whose plots lie in the same larger units."""
    n = layout.n_treatments
    together = np.eye(n)
    group = indicator(layout.treatment, n)
    plots = np.maximum(group.sum(axis=0), 1.0)
    for codes in units:
        each = indicator(codes, int(codes.max()) + 1)
        cross = ((each.T @ residual) ** 2).sum() - (residual**2).sum()
        root = np.sqrt(part)
        below = float(((each.T @ root) ** 2).sum() - part.sum())
        if below <= _LEAST_PART:
            continue
        # Residuals within blocks sum to 0, which pulls their products below 0.
        rho = float(np.clip(cross / below, 0.0, _MOST))
        inside = group.T @ each
        shared = inside @ inside.T / np.sqrt(np.outer(plots, plots))
        np.fill_diagonal(shared, 0.0)
        together += rho * np.minimum(shared, 1.0)
    return together
