"""What the plots say of shares (percentages, k of n) and of changes from before to after."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np
from scipy import special

from trialkit.inference.count_fit import (
    WorkingFit,
    effects,
    information,
    iterate,
    leverage,
    live_plots,
    logit_working,
    regular,
    scaffold,
)
from trialkit.inference.count_fit_dispersion import Problem, adjustment
from trialkit.inference.layouts import BoolArray, FloatArray, Layout
from trialkit.inference.ratio_intervals_dispersion import Prior
from trialkit.inference.ratio_intervals_evidence import (
    Evidence,
    group_sum,
    is_orthogonal,
    split_penalty,
)

SHARE_PRIOR = Prior(
    grid=np.linspace(np.log(1e-4), np.log(0.9), 20),
    slopes=np.array([-0.5, 0.0, 0.5]),
    slope_weights=np.array([0.15, 0.70, 0.15]),
    scatters=np.array([0.0, 0.5, 1.0, 1.5]),
    scatter_weights=np.array([0.45, 0.25, 0.20, 0.10]),
)
CHANGE_PRIOR = Prior(
    grid=np.linspace(np.log(1e-4), np.log(30.0), 24),
    slopes=np.array([0.0]),
    slope_weights=np.array([1.0]),
    scatters=np.array([0.0, 0.5, 1.0, 1.5]),
    scatter_weights=np.array([0.45, 0.25, 0.20, 0.10]),
)


def pose_shares(layout: Layout, shares: FloatArray) -> Problem:
    """Put a logistic fit together, started from the level means of treatments.

    Parameters
    ----------
    layout : Layout
    shares : (n, m) float array, 0 to 1, NaN where missing
    """
    model = effects(layout)
    live = live_plots(model, shares, np.ones((shares.shape[0], 1)))
    filled = np.where(live, shares, 0.0)
    plots = group_sum(layout, live.astype(float))
    mean = (group_sum(layout, filled) + 0.25) / (plots + 0.5)
    start = np.where(live, special.logit(mean)[layout.treatment], 0.0)
    return Problem(
        model=model,
        frame=scaffold(model, live),
        present=~np.isnan(shares),
        live=live,
        counts=filled,
        start=start,
    )


def _logistic_means(layout: Layout, problem: Problem, fit: WorkingFit) -> FloatArray:
    """Fitted shares averaged over all combinations of blocking levels, (t, m)."""
    t = layout.n_treatments
    own = fit.coefficients[:, :t].T
    blocks = [range(first, after) for _, first, after in problem.model.sources[1:]]
    total = np.zeros_like(own)
    weight = np.zeros(own.shape[1])
    for combination in product(*blocks):
        seen = np.ones(own.shape[1])
        effect = np.zeros(own.shape[1])
        for column in combination:
            seen *= problem.frame.live_columns[:, column]
            effect += fit.coefficients[:, column]
        total += seen * special.expit(own + effect)
        weight += seen
    return total / np.maximum(weight, 1.0)


def _logit_widening(layout: Layout, problem: Problem, fit: WorkingFit, control: int) -> FloatArray:
    """Variance of logit differences to the control over that of unblocked groups, (t, m)."""
    t = layout.n_treatments
    matrix, _ = regular(problem.frame, information(problem.model, fit.weights))
    contrast = np.zeros((t, problem.model.n_columns))
    contrast[np.arange(t), np.arange(t)] = 1.0
    contrast -= contrast[[control]].copy()
    joint = np.einsum("tp,mpq,tq->tm", contrast, np.linalg.inv(matrix), contrast, optimize=True)
    own = group_sum(layout, fit.weights)
    known = (own > 0.0) & (own[control] > 0.0)
    known[control] = False
    safe = np.where(own > 0.0, own, 1.0)
    apart = 1.0 / safe + 1.0 / safe[control]
    return np.clip(np.where(known, joint / apart, 1.0), 0.8, 5.0)


def _log_offset(mean: FloatArray) -> FloatArray:
    known = np.isfinite(mean) & (mean > 0.0)
    log_mean = np.where(known, np.log(np.where(known, mean, 1.0)), 0.0)
    average = log_mean.sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.where(known, log_mean - average, 0.0)


def share_evidence(
    layout: Layout, shares: FloatArray, control: int, items: FloatArray | None = None
) -> Evidence:
    """Weigh shares of a whole.

    Parameters
    ----------
    layout : Layout
    shares : (n, m) float array
        0 to 1, NaN where missing.
    control : int
    items : (n, m) float array, optional
        How many items were examined in each plot (k of n); without it the share is a
        measurement whose variance is in proportion to ``mean * (1 - mean)``.
    """
    problem = pose_shares(layout, shares)
    size = shares.shape[1]
    weight = np.where(problem.present, 1.0 if items is None else items, 0.0)
    filled = np.where(problem.present, shares, 0.0)
    total = group_sum(layout, weight)
    usable = total > 0.0
    safe = np.where(usable, total, 1.0)
    mean = group_sum(layout, weight * filled) / safe
    effective = safe**2 / np.maximum(group_sum(layout, weight**2), 1e-300)
    sampled = np.zeros_like(mean) if items is None else np.clip(effective / safe, 0.0, 1.0)
    if items is None:
        log_likelihood, fit = _measured_path(layout, problem)
    else:
        log_likelihood, fit = _counted_path(layout, problem, items)
    fitted = np.where(problem.live, special.expit(fit.predictor), filled)
    within = group_sum(layout, weight * fitted * (1.0 - fitted)) / safe
    whole = mean * (1.0 - mean)
    evenness = np.where(whole > 0.0, within / np.where(whole > 0.0, whole, 1.0), 1.0)
    widening = np.ones_like(mean)
    odd = ~is_orthogonal(layout, problem.present)
    if odd.any():
        adjusted = _logistic_means(layout, problem, fit)
        alive = group_sum(layout, problem.live.astype(float)) > 0.0
        mean = np.where(odd & alive, adjusted, mean)
        widening = np.where(odd, _logit_widening(layout, problem, fit, control), widening)
    return Evidence(
        family="share",
        prior=SHARE_PRIOR,
        log_likelihood=log_likelihood,
        offset=_log_offset(np.where(usable, mean, np.nan)),
        floor=np.full(size, np.log(1e-3)),
        estimate=np.where(usable, mean, np.nan),
        first=mean,
        second=sampled,
        plots=effective / np.clip(evenness, 0.3, 1.0),
        location=np.zeros_like(mean),
        widening=widening,
        usable=usable,
        df_error=problem.df_error,
    )


def _measured_path(layout: Layout, problem: Problem) -> tuple[FloatArray, WorkingFit]:
    """Pseudo-likelihood of each group's dispersion from Pearson residuals, (q, t, m)."""
    fit = iterate(
        problem.model,
        problem.frame,
        problem.live,
        problem.start,
        logit_working(problem.counts, np.ones(problem.live.shape)),
        tolerance=1e-8,
    )
    mean = special.expit(fit.predictor)
    spread = np.maximum(mean * (1.0 - mean), 1e-12)
    squares = np.where(problem.live, (problem.counts - mean) ** 2 / spread, 0.0)
    hat = leverage(problem.model, problem.frame, fit.weights)
    free = group_sum(layout, np.where(problem.live, np.clip(1.0 - hat, 0.0, 1.0), 0.0))
    grid = SHARE_PRIOR.grid[:, None, None]
    value = -0.5 * (free[None] * grid + group_sum(layout, squares)[None] * np.exp(-grid))
    return value, fit


def _counted_path(
    layout: Layout, problem: Problem, items: FloatArray
) -> tuple[FloatArray, WorkingFit]:
    """Adjusted beta-binomial log-likelihood of each group's dispersion, (q, t, m)."""
    counted = np.where(problem.live, problem.counts * np.where(problem.live, items, 0.0), 0.0)
    left = np.where(problem.live, np.where(problem.live, items, 0.0) - counted, 0.0)

    def shapes(mean: FloatArray, dispersion: float) -> tuple[FloatArray, FloatArray]:
        size = 1.0 / dispersion - 1.0
        return size * mean, size * (1.0 - mean)

    def correlation(mean: FloatArray, dispersion: float) -> FloatArray:
        return np.full(mean.shape, dispersion)

    return _pair_path(layout, problem, counted, left, SHARE_PRIOR.grid, shapes, correlation)


def change_evidence(
    layout: Layout, before: FloatArray, after: FloatArray, control: int
) -> Evidence:
    """Weigh changes from before to after in the same plots, in units of one individual.

    Given what was counted in a plot on both occasions, the share counted after is beta-binomial:
    the density of the plot drops out, what is left varies with the change alone.

    Parameters
    ----------
    layout : Layout
    before, after : (n, m) float arrays
        NaN where missing; plots that lack either are left out.
    control : int
    """
    both = np.isfinite(before) & np.isfinite(after)
    early, late = np.where(both, before, 0.0), np.where(both, after, 0.0)
    total = early + late
    seen = both & (total > 0.0)
    shares = np.where(seen, late / np.where(seen, total, 1.0), np.nan)
    problem = pose_shares(layout, shares)
    counted = np.where(problem.live, late, 0.0)
    left = np.where(problem.live, early, 0.0)

    def shapes(mean: FloatArray, dispersion: float) -> tuple[FloatArray, FloatArray]:
        return 1.0 / (dispersion * (1.0 - mean)), 1.0 / (dispersion * mean)

    def correlation(mean: FloatArray, dispersion: float) -> FloatArray:
        excess = dispersion * mean * (1.0 - mean)
        value: FloatArray = excess / (1.0 + excess)
        return value

    path, fit = _pair_path(layout, problem, counted, left, CHANGE_PRIOR.grid, shapes, correlation)
    first, second = group_sum(layout, late), group_sum(layout, early)
    usable = group_sum(layout, both.astype(float)) > 0.0
    plots = group_sum(layout, both.astype(float))
    whole = group_sum(layout, total)
    safe = np.where(whole > 0.0, whole, 1.0)
    pairs = group_sum(layout, total**2) - whole
    uneven = np.clip(plots * np.maximum(pairs, 0.0) / safe**2, 1.0, np.maximum(plots, 1.0))
    raw = np.where(second > 0.0, first / np.where(second > 0.0, second, 1.0), np.nan)
    location = np.zeros_like(raw)
    widening = np.ones_like(raw)
    odd = ~is_orthogonal(layout, both)
    if odd.any():
        log_odds = _log_odds(layout, problem, counted + left)
        alive = (group_sum(layout, problem.live.astype(float)) > 0.0) & (raw > 0.0)
        move = log_odds - np.log(np.where(alive, raw, 1.0))
        location = np.where(odd & alive, move, 0.0)
        widening = np.where(odd, _logit_widening(layout, problem, fit, control), widening)
    harmonic = np.where(whole > 0.0, first * second / safe, 0.0) / np.maximum(plots, 1.0)
    best = harmonic.max(axis=0)
    return Evidence(
        family="change",
        prior=CHANGE_PRIOR,
        log_likelihood=path,
        offset=np.zeros_like(raw),
        floor=np.log(np.clip(1.5 / np.maximum(best, 1e-9), 1e-4, 0.1)),
        estimate=raw * np.exp(location),
        first=first,
        second=second,
        plots=plots / uneven,
        location=location,
        widening=widening,
        usable=usable & (second > 0.0),
        df_error=problem.df_error,
    )


def _log_odds(layout: Layout, problem: Problem, items: FloatArray) -> FloatArray:
    """Log odds of each group at the average of the blocking effects, (t, m)."""
    factor = 1.0 / np.maximum(items, 1e-12)
    working = logit_working(problem.counts, factor)
    fit = iterate(problem.model, problem.frame, problem.live, problem.start, working)
    value = fit.coefficients[:, : layout.n_treatments].T.copy()
    for _, first, after in problem.model.sources[1:]:
        live = problem.frame.live_columns[:, first:after].astype(float)
        part = (live * fit.coefficients[:, first:after]).sum(axis=1)
        value += part / np.maximum(live.sum(axis=1), 1.0)
    return value


Shapes = Callable[[FloatArray, float], tuple[FloatArray, FloatArray]]
Correlation = Callable[[FloatArray, float], FloatArray]


def _pair_path(
    layout: Layout,
    problem: Problem,
    counted: FloatArray,
    left: FloatArray,
    grid: FloatArray,
    shapes: Shapes,
    correlation: Correlation,
) -> tuple[FloatArray, WorkingFit]:
    """Adjusted beta-binomial log-likelihood of each group along a grid, and the best fit.

    Parameters
    ----------
    counted, left : (n, m) float arrays
        Items of the one and of the other sort; 0 where a plot is not live.
    grid : (q,) float array
        Logarithms of dispersions.
    shapes, correlation : callable
        Shapes of the beta, and correlation of two items of a plot, at a mean and dispersion.
    """
    items = counted + left
    out = np.zeros((grid.size, layout.n_treatments, items.shape[1]))
    predictor = problem.start
    best = np.full(items.shape[1], -np.inf)
    chosen: WorkingFit | None = None
    for i, node in enumerate(grid):
        dispersion = float(np.exp(node))

        def working(eta: FloatArray, at: float = dispersion) -> tuple[FloatArray, FloatArray]:
            mean = special.expit(eta)
            inflation = 1.0 + np.maximum(items - 1.0, 0.0) * correlation(mean, at)
            factor = inflation / np.maximum(items, 1e-12)
            spread = np.maximum(mean * (1.0 - mean), 1e-12)
            return spread / factor, (problem.counts - mean) / spread

        fit = iterate(
            problem.model,
            problem.frame,
            problem.live,
            predictor,
            working,
            iterations=15 if i == 0 else 4,
        )
        predictor = fit.predictor
        a, b = shapes(np.clip(special.expit(predictor), 1e-10, 1.0 - 1e-10), dispersion)
        plots = special.betaln(counted + a, left + b) - special.betaln(a, b)
        plots = np.where(problem.live, plots, 0.0)
        penalty = adjustment(problem, fit.weights)
        out[i] = group_sum(layout, plots) - split_penalty(
            layout, problem.live, fit.weights, penalty
        )
        height = out[i].sum(axis=0)
        better = height > best
        best = np.where(better, height, best)
        chosen = fit if chosen is None else _merge(chosen, fit, better)
    if chosen is None:
        raise ValueError("the grid of dispersions is empty")
    return out, chosen


def _merge(old: WorkingFit, new: WorkingFit, better: BoolArray) -> WorkingFit:
    """Take the responses for which a new fit is better from it."""
    return WorkingFit(
        predictor=np.where(better, new.predictor, old.predictor),
        coefficients=np.where(better[:, None], new.coefficients, old.coefficients),
        weights=np.where(better, new.weights, old.weights),
        converged=np.where(better, new.converged, old.converged),
    )
