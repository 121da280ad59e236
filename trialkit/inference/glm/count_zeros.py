"""How many a group of zeros may have had: limits by profile likelihood.

Of a group whose plots are all zero the likelihood falls from 1, at a mean of 0, with the chance of
these zeros. The upper limit is the mean at which it has come down to the tail that is asked for.
Where plots vary more than by chance alone, zeros are likelier than the mean lets expect, and how
much more they vary is itself only estimated. The dispersion is therefore left free: at each mean
it takes the value that explains zeros and other groups best together.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.glm.count_model import CountFit
from trialkit.inference.glm.dispersion import (
    LARGEST,
    adjustment,
    log_likelihood,
    pose,
    settle,
)
from trialkit.inference.glm.weighted_fit import effects
from trialkit.inference.numerics.splines import spline_weights

#: Dispersion up to which the profile is followed (``k = 0.2``). Below any aggregation that is
#: common in field counts (common practice, no source); a trial with few individuals could not
#: exclude any, and its limit would have no end.
WIDEST: Final = 5.0
_NODES: Final = 12
_FINE: Final = 61
_SMALLEST: Final = 1e-3
_TURNS: Final = 60


def zero_limits(layout: Layout, fit: CountFit, tail: float) -> FloatArray:
    """Upper limits of the means of groups of zeros.

    Parameters
    ----------
    layout : Layout
        That of the fit.
    fit : CountFit
    tail : float
        Likelihood at the limit, relative to that of a mean of 0, such as 0.025.

    Returns
    -------
    (t, m) float array
        NaN for groups that are not all zero, and where the scale is unknown. Where all groups are
        zero nothing is known of the dispersion, and the limit is that of Poisson counts,
        ``-log(tail) / n`` for n plots.

    Notes
    -----
    At a known dispersion 0 the limit is exact: the chance that all plots are zero equals
    ``tail``. The dispersion is profiled by the likelihood of the other groups, adjusted as in
    ``by_likelihood``, from its estimate up to 5 (or the estimate, if larger). Differences
    between blocks count as known. For quasi-Poisson the logarithm of the tail is multiplied by
    the scale.
    """
    found: FloatArray = np.full(fit.means.shape, np.nan)
    group, column = np.nonzero(fit.means == 0.0)
    if not group.size:
        return found
    member = layout.treatment[None, :] == group[:, None]
    level = fit.levels[:, column].T
    weight = np.where(member & ~np.isnan(level), level, 0.0)
    # Blocks of zeros say nothing of how rich they are; with none else, plots count alike.
    alone = weight.sum(axis=1) <= 0.0
    weight = np.where(alone[:, None], member & ~np.isnan(level), weight)
    weight = weight / fit.unit[column, None]
    budget = -np.log(tail) * np.maximum(fit.scale[column], 1.0)
    nodes = fit.dispersion[None, :]
    fall = np.zeros(nodes.shape)
    if fit.estimated:
        nodes, fall = _profile(layout, fit, np.unique(column))
    left = np.maximum(budget[None, :] - fall[:, column], 0.0)
    limit = _solve(weight, nodes[:, column], left)
    usable = (weight.sum(axis=1) > 0.0) & np.isfinite(budget)
    found[group, column] = np.where(usable, limit.max(axis=0), np.nan)
    return found


def _profile(layout: Layout, fit: CountFit, wanted: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Dispersions from the estimate upwards, and how far the likelihood lies below its top."""
    size = fit.dispersion.size
    low = np.clip(fit.dispersion, _SMALLEST, LARGEST)
    high = np.maximum(WIDEST, low)
    share = np.linspace(0.0, 1.0, _NODES)[:, None]
    nodes = low * (high / low) ** share
    problem = pose(effects(layout), fit.counts[:, wanted] / fit.unit[wanted])
    start = problem.start
    heights = []
    for turn, node in enumerate(nodes[:, wanted]):
        part = settle(problem, node, start, scoring=0 if turn else 6, newton=20)
        start = part.predictor
        mean = np.exp(start)
        plots = np.where(problem.live, log_likelihood(problem.counts, mean, node), 0.0)
        heights.append(plots.sum(axis=0) - adjustment(problem, part.weights))
    height = np.array(heights)
    fine = np.linspace(0.0, 1.0, _FINE)
    smooth = spline_weights(share[:, 0], fine) @ height
    nodes = low * (high / low) ** fine[:, None]
    fall = np.zeros((_FINE, size))
    fall[:, wanted] = smooth.max(axis=0) - smooth
    # Without a live plot there is no profile: Poisson, or whatever dispersion the fit has.
    dead = ~(problem.live.any(axis=0) & (problem.df_error > 0.0))
    nodes[:, wanted[dead]] = fit.dispersion[wanted[dead]]
    fall[:, wanted[dead]] = 0.0
    return nodes, fall


def _solve(weight: FloatArray, dispersion: FloatArray, left: FloatArray) -> FloatArray:
    """Mean at which zeros in all plots have the log-chance ``-left``, (nodes, groups)."""
    spread = np.maximum(dispersion, 1e-12)
    plots = np.maximum((weight > 0.0).sum(axis=1), 1)
    total = np.maximum(weight.sum(axis=1), 1e-300)
    # With like plots this is the answer; the chance of zeros only rises as plots differ.
    place = np.log(np.expm1(np.minimum(left * spread / plots, 600.0)) + 1e-300)
    place = place - np.log(spread * total / plots)
    for _ in range(_TURNS):
        each = spread[:, :, None] * weight * np.exp(place)[:, :, None]
        value = np.log1p(each).sum(axis=2) / spread - left
        rise = (each / (1.0 + each)).sum(axis=2) / spread
        step = np.clip(-value / np.maximum(rise, 1e-300), -2.0, 2.0)
        step = np.where(left > 0.0, step, 0.0)
        place = place + step
        if np.abs(step).max(initial=0.0) < 1e-10:
            break
    return np.where(left > 0.0, np.exp(place), 1e-300)
