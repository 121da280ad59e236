"""What the plots say of the means of groups and of their dispersion: shares of a whole."""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.glm.dispersion import Problem, adjustment
from trialkit.inference.glm.weighted_fit import (
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
from trialkit.inference.laws.count_evidence import (
    Evidence,
    along_grid,
    group_sum,
    is_orthogonal,
    log_offset,
    peak_of,
    split_penalty,
)
from trialkit.inference.laws.dispersion_posterior import Prior

SHARE_PRIOR = Prior(
    grid=np.linspace(np.log(1e-4), np.log(0.9), 20),
    slopes=np.array([-0.5, 0.0, 0.5]),
    slope_weights=np.array([0.15, 0.70, 0.15]),
    most=0.5,
)
#: Power of the pseudo-likelihoods, for what they claim beyond what they know.
_TRUST = 0.8
#: Steps of a measured share from 0 to 1, coarsest first; the first that all values keep to holds.
_STEPS = (20, 40, 100, 200, 1000)
#: Most steps of the fit at a node of the grid, and the step that is the last.
_FITS = 8
_NEAR = 1e-3


def share_evidence(layout: Layout, shares: FloatArray, items: FloatArray | None = None) -> Evidence:
    """Weigh shares of a whole.

    Parameters
    ----------
    layout : Layout
    shares : (n, d) float array
        0 to 1; NaN where missing.
    items : (n, d) float array, optional
        How many items were examined in each plot (k of n). Without it the share is a measurement
        whose variance is in proportion to ``mean * (1 - mean)``.

    Notes
    -----
    The dispersion is the variance of a plot over ``mean * (1 - mean)``; for k of n the
    correlation of two items of a plot. For items its likelihood is the beta-binomial's. For
    measured shares two pseudo-likelihoods are put together, two parts to one: the Pearson
    chi-square, which is right on average but says too little of rare damage, where plots are
    skew, and the beta-binomial of as many items as the values have steps, which is the other way
    round.
    """
    problem = _pose(layout, shares)
    weight = problem.present.astype(float)
    filled = np.where(problem.present, shares, 0.0)
    plots = group_sum(layout, weight)
    usable = plots > 0.0
    safe = np.where(usable, plots, 1.0)
    mean = group_sum(layout, filled) / safe
    # Plots tell of a mean of plots alike; chance between items is that of the harmonic mean.
    own_chance = (
        np.zeros_like(weight) if items is None else weight / np.where(problem.present, items, 1.0)
    )
    whole = plots**2 / np.where(usable & (items is not None), group_sum(layout, own_chance), 1.0)
    if items is None:
        log_likelihood, fit = _measured(layout, problem)
    else:
        log_likelihood, fit = _counted(layout, problem, np.where(problem.live, items, 0.0))
    peak = peak_of(SHARE_PRIOR.grid, log_likelihood.sum(axis=(1, 2)))
    fitted = np.where(problem.live, special.expit(fit.predictor), filled)
    spread = fitted * (1.0 - fitted)
    within = group_sum(layout, weight * spread) / safe
    across = mean * (1.0 - mean)
    evenness = np.where(across > 0.0, within / np.where(across > 0.0, across, 1.0), 1.0)
    mean, widening = _balanced(layout, problem, fit, mean)
    factor = own_chance + max(peak, 1e-6) * (1.0 - own_chance)
    root = np.sqrt(np.where(problem.live, np.maximum(spread, 1e-12) * factor, 1.0))
    own = np.where(problem.live, max(peak, 1e-6) * (1.0 - own_chance) / factor, 0.0)
    residuals = np.where(problem.live, (filled - fitted) / root, 0.0)
    precision = np.where(problem.live, (fitted / root) ** 2, 0.0)
    return Evidence(
        prior=SHARE_PRIOR,
        log_likelihood=log_likelihood,
        offset=log_offset(np.where(usable, mean, np.nan), 100.0 * mean),
        floors=np.full(SHARE_PRIOR.slopes.size, np.log(_least(own_chance, problem))),
        estimate=np.where(usable, mean, np.nan),
        total=np.zeros_like(mean) if items is None else whole,
        plots=plots / np.clip(evenness, 0.3, 1.0) / widening,
        residuals=residuals,
        plot_part=own.sum(axis=0) / np.maximum(problem.live.sum(axis=0), 1),
        deviations=residuals / np.sqrt(np.where(precision > 0.0, precision, 1.0)),
        precision=precision,
        df=float(problem.df_error.sum()),
    )


def _least(own_chance: FloatArray, problem: Problem) -> float:
    """Dispersion below which it is as good as none: variance 1.4 times that of chance."""
    known = own_chance[problem.present]
    typical = float(known.mean()) if known.size else 1.0
    return float(np.clip(0.4 * typical / max(1.0 - typical, 0.5), 1e-3, 0.1))


def _pose(layout: Layout, shares: FloatArray) -> Problem:
    model = effects(layout)
    live = live_plots(model, shares, np.ones((shares.shape[0], 1)))
    filled = np.where(live, shares, 0.0)
    plots = group_sum(layout, live.astype(float))
    level = (group_sum(layout, filled) + 0.25) / (plots + 0.5)
    return Problem(
        model=model,
        frame=scaffold(model, live),
        present=~np.isnan(shares),
        live=live,
        counts=filled,
        start=np.where(live, special.logit(level)[layout.treatment], 0.0),
    )


def _balanced(
    layout: Layout, problem: Problem, fit: WorkingFit, mean: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Means, adjusted for missing plots where there are some, and the widening, (t, d)."""
    widening = np.ones_like(mean)
    odd = ~is_orthogonal(layout, problem.present)
    if not odd.any():
        return mean, widening
    alive = group_sum(layout, problem.live.astype(float)) > 0.0
    t = layout.n_treatments
    matrix, _ = regular(problem.frame, information(problem.model, fit.weights))
    inverse = np.linalg.inv(matrix)
    among = (alive / np.maximum(alive.sum(axis=0), 1)).T
    contrast = np.zeros((mean.shape[1], t, problem.model.n_columns))
    contrast[:, :, :t] = np.eye(t)[None] - among[:, None, :]
    joint = np.einsum("mtp,mpq,mtq->tm", contrast, inverse, contrast, optimize=True)
    weight = group_sum(layout, fit.weights)
    own = 1.0 / np.where(alive, weight, 1.0)
    apart = own * (1.0 - 2.0 * among.T) + (among.T**2 * own).sum(axis=0)
    ratio = np.clip(joint / np.where(apart > 0.0, apart, 1.0), 0.9, 5.0)
    adjusted = np.where(odd & alive, _logistic_means(layout, problem, fit), mean)
    return adjusted, np.where(odd & alive, ratio, 1.0)


def _logistic_means(layout: Layout, problem: Problem, fit: WorkingFit) -> FloatArray:
    """Fitted shares averaged over all combinations of blocking levels, (t, d)."""
    own = fit.coefficients[:, : layout.n_treatments].T
    blocks = [range(first, after) for _, first, after in problem.model.sources[1:]]
    total = np.zeros_like(own)
    weight = np.zeros(own.shape[1])
    for combination in product(*blocks):
        columns = list(combination)
        seen = problem.frame.live_columns[:, columns].all(axis=1)
        total += seen * special.expit(own + fit.coefficients[:, columns].sum(axis=1))
        weight += seen
    return total / np.maximum(weight, 1.0)


def _measured(layout: Layout, problem: Problem) -> tuple[FloatArray, WorkingFit]:
    """Pseudo-likelihood of the dispersion of measured shares, (q, t, d), and the fit."""
    working = logit_working(problem.counts, np.ones(problem.live.shape))
    fit = iterate(
        problem.model, problem.frame, problem.live, problem.start, working, tolerance=1e-8
    )
    mean = special.expit(fit.predictor)
    spread = np.maximum(mean * (1.0 - mean), 1e-12)
    squares = np.where(problem.live, (problem.counts - mean) ** 2 / spread, 0.0)
    hat = leverage(problem.model, problem.frame, fit.weights)
    free = group_sum(layout, np.where(problem.live, np.clip(1.0 - hat, 0.0, 1.0), 0.0))
    grid = SHARE_PRIOR.grid[:, None, None]
    pearson = -0.5 * (free * grid + group_sum(layout, squares) * np.exp(-grid))
    steps = next((s for s in _STEPS if _keeps(problem, s)), _STEPS[-1])
    # With as many items in all plots the fit is the same for all dispersions.
    everywhere = np.tile(fit.predictor, SHARE_PRIOR.grid.size)
    counted = _heights(layout, problem, np.where(problem.live, float(steps), 0.0), everywhere)
    return _TRUST * (2.0 * pearson + counted) / 3.0, fit


def _keeps(problem: Problem, steps: int) -> bool:
    values = problem.counts * steps
    return bool(np.all(np.abs(values - np.round(values)) < 1e-6))


def _counted(layout: Layout, problem: Problem, items: FloatArray) -> tuple[FloatArray, WorkingFit]:
    """Adjusted beta-binomial log-likelihood of the dispersion, (q, t, d), and the best fit."""
    grid, size = SHARE_PRIOR.grid, items.shape[1]

    def fit(nodes: FloatArray, start: FloatArray) -> WorkingFit:
        many = problem.repeated(nodes.size)
        working = logit_working(many.counts, _varied(items, nodes))
        return iterate(
            many.model, many.frame, many.live, start, working, iterations=_FITS, tolerance=_NEAR
        )

    def fitted(nodes: FloatArray) -> FloatArray:
        return fit(nodes, np.tile(problem.start, nodes.size)).predictor

    predictor = along_grid(grid, size, fitted)
    heights = _heights(layout, problem, items, predictor)
    top = int(heights.sum(axis=(1, 2)).argmax())
    best = fit(grid[top : top + 1], predictor[:, top * size : (top + 1) * size])
    return heights, best


def _heights(
    layout: Layout, problem: Problem, items: FloatArray, predictor: FloatArray
) -> FloatArray:
    """Adjusted beta-binomial log-likelihood, (q, t, d), at predictors of all nodes (n, q * d)."""
    grid, size = SHARE_PRIOR.grid, items.shape[1]
    many = problem.repeated(grid.size)
    mean = np.clip(special.expit(predictor), 1e-10, 1.0 - 1e-10)
    size_of_beta = np.repeat(np.exp(-grid) - 1.0, size)
    a, b = size_of_beta * mean, size_of_beta * (1.0 - mean)
    number = np.tile(items, grid.size)
    hits = many.counts * number
    plots = special.betaln(hits + a, number - hits + b) - special.betaln(a, b)
    weights = np.where(many.live, mean * (1.0 - mean) / _varied(items, grid), 0.0)
    flat = group_sum(layout, np.where(many.live, plots, 0.0))
    flat -= split_penalty(layout, many.live, weights, adjustment(many, weights))
    return flat.reshape(layout.n_treatments, grid.size, size).transpose(1, 0, 2)


def _varied(items: FloatArray, nodes: FloatArray) -> FloatArray:
    """How much more shares of items vary than shares of one item, over the items, (n, q * d)."""
    number = np.tile(items, nodes.size)
    dispersion = np.repeat(np.exp(nodes), items.shape[1])
    factor: FloatArray = 1.0 + np.maximum(number - 1.0, 0.0) * dispersion
    factor /= np.maximum(number, 1e-12)
    return factor
