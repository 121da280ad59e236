"""What the plots say of the means of groups and of their dispersion: counts and measurements."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, Layout
from trialkit.inference.glm.dispersion import (
    Problem,
    adjustment,
    log_likelihood,
    pose,
    settle,
)
from trialkit.inference.glm.weighted_fit import (
    WorkingFit,
    effects,
    information,
    regular,
)
from trialkit.inference.laws.dispersion_posterior import Prior

COUNT_PRIOR = Prior(
    grid=np.linspace(np.log(1e-4), np.log(30.0), 24),
    slopes=np.array([-1.0, -0.5, 0.0]),
    slope_weights=np.array([0.05, 0.15, 0.80]),
    most=5.0,
)
#: Most steps of the fit at a node, the step that is the last (Newton's: what is left is its
#: square), and how many nodes a fit serves: fits at each node change the likelihoods by less than
#: 0.1 where they matter.
_STEPS = 8
_NEAR = 1e-2
_SPARE = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Means of t groups on d days, and what is known of the dispersion of their plots.

    Attributes
    ----------
    prior : Prior
    log_likelihood : (q, t, d) float array
        Of each group's dispersion on the grid of the prior.
    offset : (t, d) float array
        Log means about their average.
    floors : (s,) float array
        Log level below which there is as good as no dispersion, for each trend of the prior.
    estimate : (t, d) float array
        Arithmetic means where the layout is balanced, else least-squares means; NaN without a
        plot. Counts are in individuals, shares between 0 and 1.
    total : (t, d) float array
        Individuals counted; for shares of items the number of items, else 0.
    plots : (t, d) float array
        Number of plots, less where uneven blocks give few of them most of the weight.
    residuals : (n, d) float array
        Pearson residuals, 0 where a plot says nothing.
    plot_part : (d,) float array
        Share of the variance of residuals that is of plots and not of single individuals.
    deviations, precision : (n, d) float arrays
        Of plots from what group and block let expect, over that expectation, and one over their
        variance; 0 where a plot says nothing.
    df : float
        Residual degrees of freedom over all days.
    """

    prior: Prior
    log_likelihood: FloatArray
    offset: FloatArray
    floors: FloatArray
    estimate: FloatArray
    total: FloatArray
    plots: FloatArray
    residuals: FloatArray
    plot_part: FloatArray
    deviations: FloatArray
    precision: FloatArray
    df: float


def group_sum(layout: Layout, values: FloatArray) -> FloatArray:
    """Sums of plot values by treatment, (t, d)."""
    total: FloatArray = indicator(layout.treatment, layout.n_treatments).T @ values
    return total


def is_orthogonal(layout: Layout, present: BoolArray) -> BoolArray:
    """Whether blocking and treatments are balanced on each day, (d,).

    They are where every level of every blocking factor holds the treatments in the same
    proportions: arithmetic means then are least-squares means.
    """
    seen = present.astype(float)
    total = seen.sum(axis=0)
    plots = group_sum(layout, seen)
    balanced = np.ones(present.shape[1], dtype=bool)
    for _, codes in layout.blocking:
        for level in np.unique(codes):
            inside = seen * (codes == level)[:, None]
            off = np.abs(group_sum(layout, inside) * total - plots * inside.sum(axis=0))
            balanced &= off.max(axis=0) < 1e-9
    return balanced


def split_penalty(
    layout: Layout, live: BoolArray, weights: FloatArray, penalty: FloatArray
) -> FloatArray:
    """Share the adjustment of a profile out to the groups, (t, d).

    Each group bears that of its own parameter; what is left belongs to the blocks and is borne
    by all alike.
    """
    own = group_sum(layout, np.where(live, weights, 0.0))
    alive = group_sum(layout, live.astype(float)) > 0.0
    half = np.where(alive, 0.5 * np.log(np.where(alive, own, 1.0)), 0.0)
    rest = (penalty - half.sum(axis=0)) / np.maximum(alive.sum(axis=0), 1)
    return half + np.where(alive, rest, 0.0)


def peak_of(grid: FloatArray, height: FloatArray) -> float:
    """Top of a curve on the grid by a parabola, as a dispersion; 0 at the low end."""
    top = int(height.argmax())
    if top == 0:
        return 0.0
    if top == grid.size - 1:
        return float(np.exp(grid[-1]))
    before, here, after = height[top - 1 : top + 2]
    bend = min(before - 2.0 * here + after, -1e-300)
    return float(np.exp(grid[top] + 0.5 * (grid[1] - grid[0]) * (before - after) / bend))


def along_grid(
    grid: FloatArray, size: int, fitted: Callable[[FloatArray], FloatArray]
) -> FloatArray:
    """Predictors at all nodes of a grid, from fits at every third.

    A fit moves little from node to node, and at its top a likelihood hardly minds where exactly
    it is taken.

    Parameters
    ----------
    grid : (q,) float array
    size : int
        Number m of responses.
    fitted : callable
        From some nodes, the predictors (n, nodes * m) fitted there, node after node.

    Returns
    -------
    (n, q * m) float array
    """
    some = np.unique(np.append(np.arange(0, grid.size, _SPARE), grid.size - 1))
    found = fitted(grid[some])
    found = found.reshape(found.shape[0], some.size, size)
    after = np.clip(np.searchsorted(some, np.arange(grid.size)), 1, some.size - 1)
    part = (np.arange(grid.size) - some[after - 1]) / (some[after] - some[after - 1])
    here, there = found[:, after - 1], found[:, after]
    out: FloatArray = here + part[:, None] * (there - here)
    return out.reshape(found.shape[0], -1)


def count_evidence(layout: Layout, counts: FloatArray) -> Evidence:
    """Weigh counts of several days together, in units of one individual.

    Parameters
    ----------
    layout : Layout
    counts : (n, d) float array
        Not negative; NaN where missing.
    """
    return _weighed(layout, counts, [slice(None)])[0]


def count_evidence_apart(layout: Layout, counts: FloatArray) -> tuple[Evidence, ...]:
    """Weigh each column of counts on its own, as `count_evidence` does; all are fitted at once."""
    return _weighed(layout, counts, [slice(j, j + 1) for j in range(counts.shape[1])])


def _weighed(layout: Layout, counts: FloatArray, courses: Sequence[slice]) -> tuple[Evidence, ...]:
    """Evidence of each of several courses, given as columns of the counts."""
    problem = pose(effects(layout), counts)
    total = group_sum(layout, problem.counts)
    number = group_sum(layout, problem.present.astype(float))
    heights, predictor, peak = _path(layout, problem, courses)
    fit = _fit(problem, peak, predictor)
    share, widening = _shares(layout, problem, peak)
    mean = np.where(number > 0.0, total / np.where(share > 0.0, share, 1.0), np.nan)
    fitted = np.where(problem.live, np.exp(fit.predictor), 0.0)
    variance = np.where(problem.live, fitted + peak * fitted**2, 1.0)
    own = np.where(problem.live, peak * fitted / (1.0 + peak * fitted), 0.0)
    plot_part = own.sum(axis=0) / np.maximum(problem.live.sum(axis=0), 1)
    plots = number / _unevenness(layout, problem, fit) / widening
    residuals = np.where(problem.live, (problem.counts - fitted) / np.sqrt(variance), 0.0)
    precision = np.where(problem.live, fitted**2 / variance, 0.0)
    deviations = residuals / np.sqrt(np.where(precision > 0.0, precision, 1.0))
    found = []
    for days in courses:
        offset = log_offset(mean[:, days], total[:, days])
        found.append(
            Evidence(
                prior=COUNT_PRIOR,
                log_likelihood=heights[:, :, days],
                offset=offset,
                floors=_floors(mean[:, days], offset),
                estimate=mean[:, days],
                total=(total / widening)[:, days],
                plots=plots[:, days],
                residuals=residuals[:, days],
                plot_part=plot_part[days],
                deviations=deviations[:, days],
                precision=precision[:, days],
                df=float(problem.df_error[days].sum()),
            )
        )
    return tuple(found)


def _floors(mean: FloatArray, offset: FloatArray) -> FloatArray:
    """Levels at which the variance of the largest mean is 2.5 times that of Poisson counts.

    With a trend that goes for all means, and 1.3 times is enough.
    """
    known = np.isfinite(mean)
    largest = float(np.max(mean, initial=0.0, where=known))
    top = float(np.max(offset, initial=-30.0, where=known)) if known.any() else 0.0
    least = float(np.log(np.clip(1.5 / max(largest, 1e-9), 1e-4, 0.1)))
    slopes = COUNT_PRIOR.slopes
    levels: FloatArray = least - slopes * top + np.abs(slopes) * np.log(0.2)
    return levels


def log_offset(mean: FloatArray, total: FloatArray) -> FloatArray:
    """Log means about their average over groups and days.

    Two individuals are added to each total: what a trend makes of a small mean matters at the
    larger means that it might have.
    """
    worth = np.where(total > 0.0, mean / np.where(total > 0.0, total, 1.0), np.inf)
    least = float(worth.min(initial=np.inf))
    worth = np.where(np.isfinite(worth), worth, least if np.isfinite(least) else 1.0)
    known = np.isfinite(mean)
    log_mean = np.where(known, np.log((total + 2.0) * worth), 0.0)
    average = log_mean.sum() / max(int(known.sum()), 1)
    return np.where(known, log_mean - average, 0.0)


def _path(
    layout: Layout, problem: Problem, courses: Sequence[slice]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Adjusted log-likelihood of each group along the grid; predictor and dispersion at its top.

    Each course has a top of its own.
    """
    grid, size = COUNT_PRIOR.grid, problem.live.shape[1]

    def fitted(nodes: FloatArray) -> FloatArray:
        many = problem.repeated(nodes.size)
        dispersion = np.repeat(np.exp(nodes), size)
        return _fit(many, dispersion, many.start, newton=_STEPS, tolerance=_NEAR).predictor

    predictor = along_grid(grid, size, fitted)
    many = problem.repeated(grid.size)
    dispersion = np.repeat(np.exp(grid), size)
    mean = np.exp(predictor)
    weights = np.where(many.live, mean / (1.0 + dispersion * mean), 0.0)
    plots = np.where(many.live, log_likelihood(many.counts, mean, dispersion), 0.0)
    penalty = adjustment(many, weights)
    flat = group_sum(layout, plots) - split_penalty(layout, many.live, weights, penalty)
    out = flat.reshape(layout.n_treatments, grid.size, size).transpose(1, 0, 2)
    at_nodes = predictor.reshape(-1, grid.size, size)
    start, peak = np.empty(problem.live.shape), np.empty(size)
    for days in courses:
        height = out[:, :, days].sum(axis=(1, 2))
        start[:, days] = at_nodes[:, height.argmax(), days]
        peak[days] = peak_of(grid, height)
    return out, start, peak


def _fit(
    problem: Problem,
    dispersion: FloatArray,
    start: FloatArray,
    *,
    newton: int = 30,
    tolerance: float = 1e-7,
) -> WorkingFit:
    return settle(problem, dispersion, start, scoring=0, newton=newton, tolerance=tolerance)


def _level_factors(problem: Problem, fit: WorkingFit) -> tuple[FloatArray, FloatArray]:
    """Columns of the blocking factors, and what each level multiplies by, 0 if all zeros."""
    start = problem.model.sources[0][2]
    live = problem.frame.live_columns[:, start:]
    factor = np.where(live, np.exp(np.where(live, fit.coefficients[:, start:], 0.0)), 0.0)
    return problem.model.columns[:, start:], factor.T


def _plot_factors(problem: Problem, factor: FloatArray) -> FloatArray:
    """Product of the level factors of each plot, (n, d)."""
    start = problem.model.sources[0][2]
    product = np.ones(problem.live.shape)
    for _, first, after in problem.model.sources[1:]:
        columns = problem.model.columns[:, first:after]
        product *= columns @ factor[first - start : after - start]
    return product


def _unevenness(layout: Layout, problem: Problem, fit: WorkingFit) -> FloatArray:
    """Number of plots over the number of equal plots that would vary as much, (t, d).

    Block effects are estimates: they are drawn together by the part of their spread that is
    noise.
    """
    number = group_sum(layout, problem.present.astype(float))
    if len(problem.model.sources) == 1:
        return np.ones_like(number)
    columns, factor = _level_factors(problem, fit)
    logs = np.log(np.where(problem.live, _plot_factors(problem, factor), 1.0))
    matrix, _ = regular(problem.frame, information(problem.model, fit.weights))
    start = problem.model.sources[0][2]
    covariance = np.linalg.inv(matrix)[:, start:, start:]
    live = problem.live.astype(float)
    share = live / np.maximum(live.sum(axis=0), 1.0)
    centre = share.T @ columns
    noise = np.einsum("nm,np,mpq,nq->m", share, columns, covariance, columns, optimize=True)
    noise -= np.einsum("mp,mpq,mq->m", centre, covariance, centre, optimize=True)
    logs = logs - (share * logs).sum(axis=0)
    seen = (share * logs**2).sum(axis=0)
    kept = np.sqrt(np.clip(1.0 - noise / np.maximum(seen, 1e-12), 0.0, 1.0))
    effect = np.where(problem.live, np.exp(kept * logs), 0.0)
    total = group_sum(layout, effect)
    some = np.maximum(number, 1.0)
    raw = some * group_sum(layout, effect**2) / np.where(total > 0.0, total, 1.0) ** 2
    bounded: FloatArray = np.clip(raw, 1.0, some)
    return bounded


def _shares(
    layout: Layout, problem: Problem, dispersion: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Equivalent number of whole plots behind each total, and the widening of the variance.

    On balanced days the numbers of plots, and nothing is widened. Elsewhere a plot counts as
    the Poisson fit of its blocks has it, and the sandwich variance of the log mean of a group
    about that of all is set against that of independent totals.
    """
    share = group_sum(layout, problem.present.astype(float))
    widening = np.ones_like(share)
    odd = ~is_orthogonal(layout, problem.present)
    if not odd.any():
        return share, widening
    part = pose(problem.model, np.where(problem.present, problem.counts, np.nan)[:, odd])
    fit = _fit(part, np.zeros(part.live.shape[1]), part.start)
    columns, factor = _level_factors(part, fit)
    average = np.ones(part.live.shape[1])
    weight = np.zeros_like(factor)
    start = problem.model.sources[0][2]
    for _, first, after in problem.model.sources[1:]:
        rows = slice(first - start, after - start)
        there = columns[:, rows].T @ part.present.astype(float) > 0.0
        some = np.where(there, factor[rows], 0.0)
        average *= some.sum(axis=0) / np.maximum(there.sum(axis=0), 1)
        weight[rows] = some / np.maximum(some.sum(axis=0), 1e-300)
    effect = np.where(part.present, _plot_factors(part, factor), 0.0)
    found = group_sum(layout, effect) / np.where(average > 0.0, average, 1.0)
    share[:, odd] = np.where(found > 0.0, found, share[:, odd])
    widening[:, odd] = _widening(layout, part, fit, dispersion[odd], weight)
    return share, widening


def _widening(
    layout: Layout, problem: Problem, fit: WorkingFit, dispersion: FloatArray, weight: FloatArray
) -> FloatArray:
    mean = np.where(problem.live, np.exp(fit.predictor), 0.0)
    variance = mean + dispersion * mean**2
    bread, _ = regular(problem.frame, information(problem.model, fit.weights))
    inverse = np.linalg.inv(bread)
    covariance = inverse @ information(problem.model, variance) @ inverse
    t = layout.n_treatments
    total = group_sum(layout, mean)
    live = total > 0.0
    among = (live / np.maximum(live.sum(axis=0), 1)).T
    contrast = np.zeros((mean.shape[1], t, problem.model.n_columns))
    contrast[:, :, :t] = np.eye(t)[None] - among[:, None, :]
    contrast[:, :, t:] = weight.T[:, None, :] * (1.0 - among.sum(axis=1))[:, None, None]
    joint = np.einsum("mtp,mpq,mtq->tm", contrast, covariance, contrast, optimize=True)
    own = group_sum(layout, variance) / np.where(live, total, 1.0) ** 2
    apart = own * (1.0 - 2.0 * among.T) + (among.T**2 * own).sum(axis=0)
    return np.clip(np.where(live, joint / np.where(apart > 0.0, apart, 1.0), 1.0), 0.9, 5.0)
