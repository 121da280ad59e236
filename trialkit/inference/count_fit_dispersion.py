"""The dispersion of counts: how much more than the mean plots of one treatment vary.

Variance of a plot: ``mean + dispersion * mean**2``, as under the negative binomial with
aggregation ``k = 1 / dispersion``. Three rules: Pearson chi-square equal to its degrees of
freedom (moments), maximum likelihood, and the adjusted profile likelihood of Cox and Reid
(1987, J. R. Stat. Soc. B 49:1-39, reference from memory), which allows for the parameters that
were fitted and is nearly free of bias with four plots a treatment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.count_fit import (
    Effects,
    Scaffold,
    WorkingFit,
    information,
    iterate,
    live_plots,
    log_newton,
    log_start,
    log_working,
    regular,
    scaffold,
)
from trialkit.inference.layouts import BoolArray, FloatArray

DispersionRule = Literal["moments", "likelihood", "adjusted"]

LARGEST = 30.0
_POISSON = 1e-9
# Dispersions looked at before the search of the top, and the most turns of that search.
_NODES = 11
_TURNS = 25


def log_likelihood(counts: FloatArray, mean: FloatArray, dispersion: FloatArray) -> FloatArray:
    """Log-likelihood of each count, Poisson where the dispersion is 0.

    All arguments broadcast; counts need not be whole (means of samples in units of one
    individual), where the value is a pseudo-likelihood. A mean of 0 with a count of 0 gives 0.
    """
    positive = mean > 0.0
    safe = np.where(positive, mean, 1.0)
    spread = np.maximum(dispersion, _POISSON)
    k = 1.0 / spread
    factorial = special.gammaln(counts + 1.0)
    gamma = special.gammaln(counts + k) - special.gammaln(k) - factorial
    value: FloatArray = gamma - k * np.log1p(spread * safe) + counts * np.log(safe / (safe + k))
    crowded = dispersion > 10.0 * _POISSON
    if not np.all(crowded):
        value = np.where(crowded, value, counts * np.log(safe) - safe - factorial)
    if np.all(positive):
        return value
    return np.where(positive, value, np.where(counts > 0.0, -np.inf, 0.0))


def deviance(counts: FloatArray, mean: FloatArray, dispersion: FloatArray) -> FloatArray:
    """Deviance of each count at a given dispersion; 0 where count and mean are 0."""
    positive = mean > 0.0
    safe = np.where(positive, mean, 1.0)
    ratio = np.where(counts > 0.0, counts, 1.0) / np.where(counts > 0.0, safe, 1.0)
    first = counts * np.log(ratio)
    spread = np.maximum(dispersion, _POISSON)
    crowded = (counts + 1.0 / spread) * np.log((1.0 + spread * counts) / (1.0 + spread * safe))
    value = 2.0 * (first - np.where(dispersion > 10.0 * _POISSON, crowded, counts - safe))
    return np.where(positive, np.maximum(value, 0.0), 0.0)


def pearson_root(
    squares: FloatArray, mean: FloatArray, df: FloatArray, *, iterations: int = 60
) -> FloatArray:
    """Find the dispersion at which the Pearson chi-square equals its degrees of freedom.

    Parameters
    ----------
    squares : (n, m) float array
        Squared residuals, 0 where a plot does not count.
    mean : (n, m) float array
        Fitted means, positive (anything positive where a plot does not count).
    df : (m,) float array

    Returns
    -------
    (m,) float array
        0 where the chi-square under the Poisson variance does not exceed ``df``; at most 30.
    """
    dispersion = np.zeros(df.shape)
    for _ in range(iterations):
        variance = mean + dispersion * mean**2
        part = squares / variance
        excess = part.sum(axis=0) - df
        fall = (part * mean**2 / variance).sum(axis=0)
        # The chi-square falls and is hollow along the dispersion: steps from the left never
        # pass the root.
        step = np.maximum(excess, 0.0) / np.where(fall > 0.0, fall, 1.0)
        before, dispersion = dispersion, np.minimum(dispersion + step, LARGEST)
        if np.all(dispersion - before <= 1e-12 * dispersion):
            break
    return dispersion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """The parts of a fit that stay the same while the dispersion moves."""

    model: Effects
    frame: Scaffold
    present: BoolArray
    live: BoolArray
    counts: FloatArray
    start: FloatArray

    @property
    def df_error(self) -> FloatArray:
        """Live plots less parameters, (m,)."""
        df: FloatArray = (self.live.sum(axis=0) - self.frame.rank).astype(np.float64)
        return df


def pose(model: Effects, counts: FloatArray) -> Problem:
    """Put a fit together: live plots, redundancies, and a start from products of level means.

    Parameters
    ----------
    model : Effects
    counts : (n, m) float array
        NaN where missing.
    """
    present: BoolArray = ~np.isnan(counts)
    live = live_plots(model, counts)
    filled = np.where(live, counts, 0.0)
    return Problem(
        model=model,
        frame=scaffold(model, live),
        present=present,
        live=live,
        counts=filled,
        start=log_start(model, filled, live),
    )


def adjustment(problem: Problem, weights: FloatArray) -> FloatArray:
    """Half the log determinant of the information, up to a constant of each response, (m,)."""
    matrix, factor = regular(problem.frame, information(problem.model, weights))
    redundant = problem.frame.live_columns.sum(axis=1) - problem.frame.rank
    half: FloatArray = 0.5 * (np.linalg.slogdet(matrix)[1] - redundant * np.log(factor))
    return half


def profile(
    problem: Problem,
    dispersion: FloatArray,
    start: FloatArray,
    *,
    iterations: int = 4,
    adjusted: bool = True,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-likelihood of each plot at a dispersion, the adjustment, and the predictor.

    Parameters
    ----------
    problem : Problem
    dispersion : (m,) float array
    start : (n, m) float array
        Linear predictor to start from, as a rule that of a dispersion nearby.
    iterations : int
        Steps of the fit; few suffice along a path of dispersions.
    adjusted : bool
        Whether the adjustment is worked out; zeros if not.

    Returns
    -------
    plots : (n, m) float array
    penalty : (m,) float array
        To be taken from the sum of ``plots``.
    predictor : (n, m) float array
    """
    fit = iterate(
        problem.model,
        problem.frame,
        problem.live,
        start,
        log_working(problem.counts, dispersion),
        iterations=iterations,
    )
    mean = np.exp(fit.predictor)
    plots = np.where(problem.live, log_likelihood(problem.counts, mean, dispersion), 0.0)
    penalty = adjustment(problem, fit.weights) if adjusted else np.zeros(dispersion.shape)
    return plots, penalty, fit.predictor


def by_moments(problem: Problem, df: FloatArray, *, rounds: int = 50) -> FloatArray:
    """Dispersion by moments: means and dispersion are fitted in turn, (m,)."""
    safe_df = np.maximum(df, 1e-9)
    dispersion = np.zeros(df.shape)
    predictor = problem.start
    for turn in range(rounds):
        turns = {"scoring": 6, "newton": 4} if turn == 0 else {"scoring": 0, "newton": 2}
        predictor = settle(problem, dispersion, predictor, **turns).predictor
        mean = np.exp(predictor)
        squares = np.where(problem.live, (problem.counts - mean) ** 2, 0.0)
        update = pearson_root(squares, mean, safe_df)
        moved = np.abs(update - dispersion).max(initial=0.0)
        dispersion = update
        if moved < 1e-10:
            break
    return dispersion


def settle(
    problem: Problem,
    dispersion: FloatArray,
    start: FloatArray,
    *,
    scoring: int = 4,
    newton: int = 60,
) -> WorkingFit:
    """Fit means at a given dispersion: a few steps of scoring, then Newton's.

    The weights of the fit are the expected ones.
    """
    model, frame, live = problem.model, problem.frame, problem.live
    expected = log_working(problem.counts, dispersion)
    if scoring:
        start = iterate(model, frame, live, start, expected, iterations=scoring).predictor
    observed = log_newton(problem.counts, dispersion)
    fit = iterate(model, frame, live, start, observed, iterations=newton)
    weights, _ = expected(fit.predictor)
    return replace(fit, weights=np.where(live, weights, 0.0))


def slope(
    problem: Problem, fit: WorkingFit, dispersion: FloatArray, *, adjusted: bool
) -> tuple[FloatArray, FloatArray]:
    """Slope of the (adjusted) profile log-likelihood along the log of the dispersion.

    Parameters
    ----------
    problem : Problem
    fit : WorkingFit
        The fit at the dispersion.
    dispersion : (m,) float array, positive
    adjusted : bool

    Returns
    -------
    slope : (m,) float array
    drift : (n, m) float array
        How the linear predictor of the fit moves with the log of the dispersion.

    Notes
    -----
    Along the profile the likelihood changes only through the dispersion itself. The adjustment
    changes through the weights, directly and as the fitted means move.
    """
    live, counts, columns = problem.live, problem.counts, problem.model.columns
    mean = np.where(live, np.exp(fit.predictor), 1.0)
    k = 1.0 / dispersion
    crowding = 1.0 + dispersion * mean
    by_k = special.digamma(counts + k) - special.digamma(k) - np.log(crowding)
    by_k += 1.0 - (counts + k) / (mean + k)
    direct: FloatArray = -k * np.where(live, by_k, 0.0).sum(axis=0)
    pull = np.where(live, -(counts - mean) * mean / crowding**2, 0.0)
    observed = np.where(live, mean * (1.0 + dispersion * counts) / crowding**2, 0.0)
    matrix, _ = regular(problem.frame, information(problem.model, observed))
    right = (columns.T @ pull).T[:, :, None]
    drift = np.where(live, columns @ np.linalg.solve(matrix, right)[:, :, 0].T, 0.0)
    if adjusted:
        matrix, _ = regular(problem.frame, information(problem.model, fit.weights))
        inverse = np.linalg.inv(matrix).reshape(matrix.shape[0], -1)
        change = np.where(live, (mean * drift - mean**2) / crowding**2, 0.0)
        hat = problem.model.products @ inverse.T
        direct = direct - 0.5 * dispersion * (hat * change).sum(axis=0)
    return direct, drift * dispersion


def by_likelihood(
    problem: Problem, *, adjusted: bool, pooled: bool = False, smallest: float = 1e-4
) -> FloatArray:
    """Dispersion at the top of the (adjusted) profile likelihood, (m,).

    Parameters
    ----------
    problem : Problem
    adjusted : bool
        With the adjustment of Cox and Reid.
    pooled : bool
        One dispersion for all responses: the profiles are summed.
    smallest : float
        Dispersions below it are given as 0.

    Notes
    -----
    A profile may have several tops: the highest of a row of dispersions is taken, and the root
    of the slope beside it is found by false position, each fit starting where the drift of the
    last one puts it.
    """
    size = problem.live.shape[1]
    first, last = np.log(smallest), np.log(LARGEST)
    nodes = np.linspace(first, last, _NODES)

    def step(
        place: FloatArray, start: FloatArray, steps: int, scoring: int = 0
    ) -> tuple[FloatArray, ...]:
        dispersion = np.exp(place)
        fit = settle(problem, dispersion, start, scoring=scoring, newton=steps)
        rise, drift = slope(problem, fit, dispersion, adjusted=adjusted)
        mean = np.exp(fit.predictor)
        plots = np.where(problem.live, log_likelihood(problem.counts, mean, dispersion), 0.0)
        height = plots.sum(axis=0)
        if adjusted:
            height = height - adjustment(problem, fit.weights)
        if pooled:
            height = np.full(size, height.sum())
            rise = np.full(size, rise.sum())
        return height, rise, fit.predictor, drift

    path: list[tuple[FloatArray, ...]] = []
    start = problem.start
    for i, node in enumerate(nodes):
        path.append(step(np.full(size, node), start, 2, 0 if i else 6))
        start = path[-1][2] + path[-1][3] * (nodes[1] - nodes[0])
    heights, rises, predictors, drifts = (np.array(part) for part in zip(*path, strict=True))
    top = np.argmax(heights, axis=0)
    index = np.arange(size)
    # The top lies after the best node where the profile rises there, else before it.
    left = np.clip(np.where(rises[top, index] > 0.0, top, top - 1), 0, _NODES - 2)
    low, high = nodes[left], nodes[left + 1]
    at_low, at_high = rises[left, index], rises[left + 1, index]
    edge = np.where(at_low <= 0.0, low, np.where(at_high >= 0.0, high, np.nan))
    free = np.isnan(edge)
    place, predictor, drift = nodes[top], predictors[top, :, index].T, drifts[top, :, index].T
    before = np.zeros(size, dtype=bool)
    for turn in range(_TURNS):
        share = at_low / np.where(free, at_low - at_high, 1.0)
        new = np.where(free, low + share * (high - low), edge)
        moved = np.abs(new - place).max(initial=0.0)
        start = predictor + drift * (new - place)
        place = new
        _, rise, predictor, drift = step(place, start, 3 if turn == 0 else 2)
        above = rise > 0.0
        # Anderson and Bjorck: an end that stays twice loses weight, so that both ends close in.
        left_behind = np.where(above, at_low, at_high)
        shrink = 1.0 - rise / np.where(left_behind == 0.0, 1.0, left_behind)
        shrink = np.where(shrink > 0.0, shrink, 0.5)
        shrink = np.where((above == before) & (turn > 0), shrink, 1.0)
        before = above
        low, high = np.where(above, place, low), np.where(above, high, place)
        at_low, at_high = (
            np.where(above, rise, shrink * at_low),
            np.where(above, shrink * at_high, rise),
        )
        if moved < 1e-7:
            break
    return np.where(place < first + 1e-3, 0.0, np.exp(place))
