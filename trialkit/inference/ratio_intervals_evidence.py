"""What the plots say of each group's mean and dispersion: counts and positive measurements."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trialkit.inference.count_fit import (
    WorkingFit,
    effects,
    information,
    iterate,
    log_working,
    regular,
)
from trialkit.inference.count_fit_dispersion import Problem, pose, profile
from trialkit.inference.layouts import BoolArray, FloatArray, Layout
from trialkit.inference.ratio_intervals_dispersion import Prior
from trialkit.inference.ratio_intervals_distribution import LogGammaSum

Family = Literal["count", "share", "change"]

_STEPS = 24

COUNT_PRIOR = Prior(
    grid=np.linspace(np.log(1e-4), np.log(30.0), _STEPS),
    slopes=np.array([-1.0, -0.5, 0.0]),
    slope_weights=np.array([0.10, 0.20, 0.70]),
    scatters=np.array([0.0, 0.5, 1.0, 1.5]),
    scatter_weights=np.array([0.45, 0.25, 0.20, 0.10]),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Group means and their uncertainty, for t groups and m responses.

    Attributes
    ----------
    family : {"count", "share", "change"}
    prior : Prior
    log_likelihood : (q, t, m) float array
        Of each group's dispersion on the grid of the prior.
    offset : (t, m) float array
        Log mean of each group less the average.
    floor : (m,) float array
        Log dispersion below which there is as good as none.
    estimate : (t, m) float array
        Mean of each group (for changes: after over before); 0 for zeros, NaN for no plots.
    first, second : (t, m) float arrays
        Independent counts behind the estimate: the total; for changes those after and before;
        for shares the mean itself (0 to 1) and the variance that sampling of items alone gives
        a plot, over that of a single item.
    plots : (t, m) float array
        Number of plots, less where uneven blocks give few of them most of the weight.
    location : (t, m) float array
        Added to the log of the quotient of gammas.
    widening : (t, m) float array
        Factor on the variance of the log ratio to the control for blocks that lack plots.
    usable : (t, m) bool array
        Whether the group has a plot.
    df_error : (m,) float array
    """

    family: Family
    prior: Prior
    log_likelihood: FloatArray
    offset: FloatArray
    floor: FloatArray
    estimate: FloatArray
    first: FloatArray
    second: FloatArray
    plots: FloatArray
    location: FloatArray
    widening: FloatArray
    usable: BoolArray
    df_error: FloatArray

    def parts(self, group: int, log_dispersion: FloatArray) -> LogGammaSum:
        """Confidence distribution of the log mean of a group at given dispersions.

        Parameters
        ----------
        group : int
        log_dispersion : (..., m) float array

        Notes
        -----
        Half an individual is added to a total, a whole one to a total of zero: its upper
        95 % limit is then the exact one-sided limit of the Poisson.
        """
        dispersion = np.exp(np.clip(log_dispersion, -14.0, 5.0))
        plots = np.maximum(self.plots[group], 1.0)
        first, second = self.first[group], self.second[group]
        zero = np.where(first > 0.0, 0.5, 1.0)
        if self.family == "share":
            spread = second + np.minimum(dispersion, 1.0) * (1.0 - second)
            items = np.maximum(plots / spread - 1.0, 0.5)
            below = items * first + zero
            shapes = np.stack([below, below + items * (1.0 - first) + 0.5])
            return LogGammaSum(
                shape=shapes,
                sign=np.array([1.0, 1.0]),
                factor=np.array([1.0, -1.0]),
                location=np.zeros(dispersion.shape),
            )
        if self.family == "count":
            k = plots / dispersion
            shapes = np.stack([np.broadcast_to(first + zero, k.shape), k])
            return LogGammaSum(
                shape=shapes,
                sign=np.array([1.0, -1.0]),
                factor=np.ones(2),
                location=np.log(k) + self.location[group],
            )
        k = 2.0 * plots / dispersion
        shapes = np.stack(
            [
                np.broadcast_to(first + zero, k.shape),
                np.broadcast_to(second + 0.5, k.shape),
                k,
                k,
            ]
        )
        return LogGammaSum(
            shape=shapes,
            sign=np.array([1.0, -1.0, 1.0, -1.0]),
            factor=np.ones(4),
            location=np.broadcast_to(self.location[group], k.shape),
        )


def group_sum(layout: Layout, values: FloatArray) -> FloatArray:
    """Sums of plot values by treatment, (t, m)."""
    groups = np.eye(layout.n_treatments)[layout.treatment]
    total: FloatArray = groups.T @ values
    return total


def is_orthogonal(layout: Layout, present: BoolArray) -> BoolArray:
    """Whether blocking and treatments are balanced in each response, (m,).

    They are where every level of every blocking factor holds the treatments in the same
    proportions: arithmetic means then are least-squares means.
    """
    seen = present.astype(float)
    total = seen.sum(axis=0)
    groups = np.eye(layout.n_treatments)[layout.treatment]
    plots = groups.T @ seen
    balanced = np.ones(present.shape[1], dtype=bool)
    for _, codes in layout.blocking:
        for level in np.unique(codes):
            inside = seen * (codes == level)[:, None]
            cell = groups.T @ inside
            off = np.abs(cell * total - plots * inside.sum(axis=0)).max(axis=0)
            balanced &= off < 1e-9
    return balanced


def count_evidence(layout: Layout, counts: FloatArray, control: int) -> Evidence:
    """Weigh counts in units of one individual.

    Parameters
    ----------
    layout : Layout
    counts : (n, m) float array
        NaN where missing; not negative.
    control : int
        The group that the ratios are taken to.
    """
    problem = pose(effects(layout), counts)
    seen = problem.present.astype(float)
    total = group_sum(layout, problem.counts)
    plots = group_sum(layout, seen)
    log_likelihood, peak, start = _dispersion_path(layout, problem)
    crowded = _fit(problem, peak, start)
    unevenness = _unevenness(layout, problem, crowded)
    share, widening = _shares(layout, problem, peak, control)
    usable = plots > 0.0
    mean = total / np.where(share > 0.0, share, np.nan)
    offset = _offset(mean, total)
    reference = np.where(usable, mean, 0.0).max(axis=0)
    floor = np.log(np.clip(1.5 / np.maximum(reference, 1e-9), 1e-4, 0.1))
    return Evidence(
        family="count",
        prior=COUNT_PRIOR,
        log_likelihood=log_likelihood,
        offset=offset,
        floor=floor,
        estimate=np.where(usable, mean, np.nan),
        first=total,
        second=np.zeros_like(total),
        plots=plots / unevenness,
        location=-np.log(np.where(share > 0.0, share, 1.0)),
        widening=widening,
        usable=usable,
        df_error=problem.df_error,
    )


def _offset(mean: FloatArray, total: FloatArray) -> FloatArray:
    """Log means about their average; half an individual is added to every total."""
    worth = np.where(total > 0.0, mean / np.where(total > 0.0, total, 1.0), np.inf)
    least = worth.min(axis=0)
    worth = np.where(np.isfinite(worth), worth, np.where(np.isfinite(least), least, 1.0))
    log_mean = np.log((total + 0.5) * worth)
    known = np.isfinite(mean)
    average = np.where(known, log_mean, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.where(known, log_mean - average, 0.0)


def split_penalty(
    layout: Layout, live: BoolArray, weights: FloatArray, penalty: FloatArray
) -> FloatArray:
    """Share the adjustment of a profile out to the groups, (t, m).

    Each group bears that of its own parameter; what is left belongs to the blocks and is
    borne by all alike.
    """
    own = group_sum(layout, np.where(live, weights, 0.0))
    alive = group_sum(layout, live.astype(float)) > 0.0
    half = np.where(alive, 0.5 * np.log(np.where(alive, own, 1.0)), 0.0)
    rest = (penalty - half.sum(axis=0)) / np.maximum(alive.sum(axis=0), 1)
    return half + np.where(alive, rest, 0.0)


def _dispersion_path(layout: Layout, problem: Problem) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Adjusted log-likelihood of each group along the grid, the peak, and a predictor."""
    grid = COUNT_PRIOR.grid
    size, t = problem.live.shape[1], layout.n_treatments
    out = np.zeros((grid.size, t, size))
    predictor = problem.start
    best = np.full(size, -np.inf)
    at_best = predictor
    for i, node in enumerate(grid):
        dispersion = np.full(size, np.exp(node))
        plots, penalty, predictor = profile(
            problem, dispersion, predictor, iterations=12 if i == 0 else 4
        )
        mean = np.exp(predictor)
        weights = mean / (1.0 + dispersion * mean)
        shares = split_penalty(layout, problem.live, weights, penalty)
        out[i] = group_sum(layout, plots) - shares
        height = out[i].sum(axis=0)
        better = height > best
        best = np.where(better, height, best)
        at_best = np.where(better, predictor, at_best)
    return out, peak_of(grid, out.sum(axis=1)), at_best


def peak_of(grid: FloatArray, height: FloatArray) -> FloatArray:
    """Dispersion at the top of a curve on the grid, by a parabola; 0 at its low end, (m,)."""
    top = height.argmax(axis=0)
    inner = np.clip(top, 1, grid.size - 2)
    row = np.arange(height.shape[1])
    before, here, after = height[inner - 1, row], height[inner, row], height[inner + 1, row]
    bend = np.minimum(before - 2.0 * here + after, -1e-300)
    step = grid[1] - grid[0]
    move = np.clip(0.5 * step * (before - after) / bend, -step, step)
    value = np.exp(np.where(inner == top, grid[inner] + move, grid[top]))
    return np.where(top == 0, 0.0, value)


def _fit(problem: Problem, dispersion: FloatArray, start: FloatArray) -> WorkingFit:
    return iterate(
        problem.model,
        problem.frame,
        problem.live,
        start,
        log_working(problem.counts, dispersion),
        iterations=30,
        tolerance=1e-8,
    )


def _blocking_part(problem: Problem, fit: WorkingFit) -> tuple[FloatArray, FloatArray]:
    """Effect of the blocking on each plot (n, m), as a factor, and the sum of each column."""
    start = problem.model.sources[0][2]
    columns = problem.model.columns[:, start:]
    coefficients = np.where(problem.frame.live_columns, fit.coefficients, -np.inf)[:, start:]
    factor = np.exp(coefficients).T
    return columns, factor


def _plot_factor(columns: FloatArray, factor: FloatArray) -> FloatArray:
    """Product of the level factors of each plot, (n, m)."""
    with np.errstate(divide="ignore"):
        logs = np.log(factor)
    safe = np.where(np.isfinite(logs), logs, -200.0)
    product = np.exp(columns @ safe)
    return np.where(product < 1e-60, 0.0, product)


def _unevenness(layout: Layout, problem: Problem, fit: WorkingFit) -> FloatArray:
    """Number of plots over the number of equal plots that would vary as much, (t, m).

    The block effects are estimates; the part of their spread that is noise is taken off.
    """
    groups, size = layout.n_treatments, problem.live.shape[1]
    if len(problem.model.sources) == 1:
        return np.ones((groups, size))
    columns, factor = _blocking_part(problem, fit)
    product = np.where(problem.live, _plot_factor(columns, factor), 1.0)
    logs = np.log(np.maximum(product, 1e-60))
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
    plots = np.maximum(group_sum(layout, problem.present.astype(float)), 1.0)
    total = group_sum(layout, effect)
    raw = plots * group_sum(layout, effect**2) / np.where(total > 0.0, total, 1.0) ** 2
    bounded: FloatArray = np.clip(raw, 1.0, plots)
    return bounded


def _shares(
    layout: Layout, problem: Problem, dispersion: FloatArray, control: int
) -> tuple[FloatArray, FloatArray]:
    """Equivalent number of whole plots behind each total, and the widening of the variance.

    In balanced responses the shares are the numbers of plots and nothing is widened. Elsewhere
    a plot counts as the Poisson fit of its block has it, and the sandwich variance of the log
    ratio is set against that of independent totals.
    """
    seen = problem.present.astype(float)
    share = group_sum(layout, seen)
    widening = np.ones(share.shape)
    odd = ~is_orthogonal(layout, problem.present)
    if not odd.any():
        return share, widening
    part = Problem(
        model=problem.model,
        frame=type(problem.frame)(
            live_columns=problem.frame.live_columns[odd],
            null=problem.frame.null[odd],
            rank=problem.frame.rank[odd],
        ),
        present=problem.present[:, odd],
        live=problem.live[:, odd],
        counts=problem.counts[:, odd],
        start=problem.start[:, odd],
    )
    fit = _fit(part, np.zeros(int(odd.sum())), part.start)
    columns, factor = _blocking_part(part, fit)
    effect = _plot_factor(columns, factor)
    average = np.ones(effect.shape[1])
    first_column = problem.model.sources[0][2]
    weight = np.zeros_like(factor)
    for _, first, after in problem.model.sources[1:]:
        rows = slice(first - first_column, after - first_column)
        there = columns[:, rows].T @ part.present.astype(float) > 0.0
        some = np.where(there, factor[rows], 0.0)
        average *= some.sum(axis=0) / np.maximum(there.sum(axis=0), 1)
        weight[rows] = some / np.maximum(some.sum(axis=0), 1e-300)
    share[:, odd] = group_sum(layout, np.where(part.present, effect, 0.0)) / average
    widening[:, odd] = _widening(layout, part, fit, dispersion[odd], weight, control)
    return share, widening


def _widening(
    layout: Layout,
    problem: Problem,
    fit: WorkingFit,
    dispersion: FloatArray,
    weight: FloatArray,
    control: int,
) -> FloatArray:
    mean = np.where(problem.live, np.exp(fit.predictor), 0.0)
    variance = mean + dispersion * mean**2
    bread, _ = regular(problem.frame, information(problem.model, fit.weights))
    inverse = np.linalg.inv(bread)
    meat = information(problem.model, variance)
    covariance = inverse @ meat @ inverse
    t = layout.n_treatments
    contrast = np.zeros((mean.shape[1], t, problem.model.n_columns))
    contrast[:, np.arange(t), np.arange(t)] = 1.0
    contrast[:, :, t:] = weight.T[:, None, :]
    contrast -= contrast[:, [control], :].copy()
    joint = np.einsum("mtp,mpq,mtq->tm", contrast, covariance, contrast, optimize=True)
    total = group_sum(layout, mean)
    own = group_sum(layout, variance) / np.where(total > 0.0, total, 1.0) ** 2
    apart = own + own[control]
    known = (total > 0.0) & (total[control] > 0.0)
    known[control] = False
    ratio = np.where(known, joint / np.where(apart > 0.0, apart, 1.0), 1.0)
    return np.clip(ratio, 0.8, 5.0)
