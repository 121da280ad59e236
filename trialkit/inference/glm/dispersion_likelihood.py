"""The dispersion of counts by likelihood: the top of its (adjusted) profile, many at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.glm.dispersion import (
    LARGEST,
    Problem,
    adjustment,
    log_likelihood,
    settle,
)
from trialkit.inference.glm.weighted_fit import WorkingFit, information, quadratics, regular
from trialkit.inference.numerics.splines import spline_weights

# Dispersions looked at before the search of the top, the most steps of the fits there, the step
# that is the last (Newton's: what is left is its square), and the most turns of the search.
_NODES = 11
_SMALLEST = 1e-4
_STEPS = 12
_NEAR = 1e-3
_TURNS = 40
# Parts of the gap between two nodes in which a spline looks for the root.
_FINE = 16
_SMOOTH = spline_weights(
    np.linspace(0.0, 1.0, _NODES), np.linspace(0.0, 1.0, (_NODES - 1) * _FINE + 1)
)


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
    k, crowding = 1.0 / dispersion, 1.0 + dispersion * mean
    by_k = special.digamma(counts + k) - special.digamma(k) - np.log(crowding)
    by_k += 1.0 - (counts + k) / (mean + k)
    direct: FloatArray = -k * np.where(live, by_k, 0.0).sum(axis=0)
    share = np.where(live, mean / crowding**2, 0.0)
    observed = share * (1.0 + dispersion * counts)
    matrix, _ = regular(problem.frame, information(problem.model, observed))
    right = ((share * (mean - counts)).T @ columns)[:, :, None]
    drift = np.where(live, columns @ np.linalg.solve(matrix, right)[:, :, 0].T, 0.0)
    if adjusted:
        matrix, _ = regular(problem.frame, information(problem.model, fit.weights))
        inverse = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        hat = quadratics(problem.model, inverse)
        direct = direct - 0.5 * dispersion * (hat * share * (drift - mean)).sum(axis=0)
    return direct, drift * dispersion


def by_likelihood(problem: Problem, *, adjusted: bool) -> tuple[FloatArray, FloatArray]:
    """Dispersion at the top of the (adjusted) profile likelihood.

    Parameters
    ----------
    problem : Problem
    adjusted : bool
        With the adjustment of Cox and Reid.

    Returns
    -------
    dispersion : (m,) float array
        Those below 1e-4 are given as 0.
    predictor : (n, m) float array
        Linear predictor of the fit there.

    Notes
    -----
    A profile may have several tops: the highest of a row of dispersions is taken. The root of
    the slope beside it is guessed from a spline through the slopes and found by secants. Each
    fit of the search starts from the cubic through two others, which their drifts give.
    """
    size = problem.live.shape[1]
    nodes = np.linspace(np.log(_SMALLEST), np.log(LARGEST), _NODES)
    many = problem.repeated(_NODES)
    row = _point(many, np.repeat(nodes, size), many.start, adjusted=adjusted, newton=_STEPS)
    rises, heights = (
        each.reshape(_NODES, size) for each in (row.rise, _heights(many, row, adjusted=adjusted))
    )
    top, index = np.argmax(heights, axis=0), np.arange(size)
    # The top lies after the best node where the profile rises there, else before it.
    left = np.clip(np.where(rises[top, index] > 0.0, top, top - 1), 0, _NODES - 2)
    before, last = (row.at(node * size + index) for node in (left, left + 1))
    low, high = before.place, last.place
    at_low, at_high = rises[left, index], rises[left + 1, index]
    edge = np.where(at_low <= 0.0, low, np.where(at_high >= 0.0, high, np.nan))
    free = np.isnan(edge)
    guess, steep = _guess(rises, left)
    step = nodes[1] - nodes[0]
    place, steep, rise = np.where(free, low + guess * step, edge), steep / step, at_high
    for turn in range(_TURNS):
        start, newton = _along(before, last, place), 1 if turn else 2
        before, last = last, _point(problem, place, start, adjusted=adjusted, newton=newton)
        risen, rise = rise, last.rise
        above = rise > 0.0
        low, high = np.where(above, place, low), np.where(above, high, place)
        gap = last.place - before.place
        if turn:
            steep = np.where(gap == 0.0, steep, (rise - risen) / np.where(gap == 0.0, 1.0, gap))
        new = place - rise / np.where(steep < 0.0, steep, -1.0)
        inside = (steep < 0.0) & (new >= low) & (new <= high)
        new = np.where(inside, new, 0.5 * (low + high))
        new = np.where(free, new, place)
        moved = np.abs(new - place).max(initial=0.0)
        place = new
        if moved < 1e-8:
            break
    dispersion = np.where(place < nodes[0] + 1e-3, 0.0, np.exp(place))
    return dispersion, _along(before, last, place)


class _Point(NamedTuple):
    """A place (m,) on the profile: its slope, the fit, and how the predictor drifts there."""

    place: FloatArray
    rise: FloatArray
    predictor: FloatArray
    drift: FloatArray
    weights: FloatArray

    def at(self, which: IntArray) -> _Point:
        """The points of some of the responses."""
        return _Point(*(part[..., which] for part in self))


def _point(
    problem: Problem, place: FloatArray, start: FloatArray, *, adjusted: bool, newton: int
) -> _Point:
    dispersion = np.exp(place)
    fit = settle(problem, dispersion, start, scoring=0, newton=newton, tolerance=_NEAR)
    rise, drift = slope(problem, fit, dispersion, adjusted=adjusted)
    return _Point(place, rise, fit.predictor, drift, fit.weights)


def _heights(problem: Problem, point: _Point, *, adjusted: bool) -> FloatArray:
    """The (adjusted) profile log-likelihood, (m,)."""
    mean, dispersion = np.exp(point.predictor), np.exp(point.place)
    plots = np.where(problem.live, log_likelihood(problem.counts, mean, dispersion), 0.0)
    heights: FloatArray = plots.sum(axis=0)
    return heights - adjustment(problem, point.weights) if adjusted else heights


def _straight(point: _Point, place: FloatArray) -> FloatArray:
    """Predictor at another place, along the drift."""
    return point.predictor + point.drift * (place - point.place)


def _along(first: _Point, second: _Point, place: FloatArray) -> FloatArray:
    """Predictor at a place near the second of two points, on the cubic that their drifts give.

    Farther off than they are from each other it is the straight one.
    """
    width = second.place - first.place
    share = (place - first.place) / np.where(width == 0.0, 1.0, width)
    beyond = 1.0 - share
    cubic = beyond**2 * (
        (1.0 + 2.0 * share) * first.predictor + share * width * first.drift
    ) + share**2 * ((3.0 - 2.0 * share) * second.predictor - beyond * width * second.drift)
    return np.where(np.abs(beyond) <= 1.0, cubic, _straight(second, place))


def _guess(rises: FloatArray, left: IntArray) -> tuple[FloatArray, FloatArray]:
    """Where the spline through the slopes falls through 0, and how steeply, in steps of nodes.

    Counted from the node on the left, of which the slope is above 0 and that of the next is not.
    """
    fine = _SMOOTH @ rises
    piece = fine[left * _FINE + np.arange(_FINE + 1)[:, None], np.arange(left.size)]
    after = np.clip(np.argmax(piece <= 0.0, axis=0), 1, _FINE)
    above, below = (np.take_along_axis(piece, (after - i)[None, :], axis=0)[0] for i in (1, 0))
    steep = below - above
    share = above / np.where(steep < 0.0, -steep, 1.0)
    return (after - 1 + np.clip(share, 0.0, 1.0)) / _FINE, steep * _FINE
