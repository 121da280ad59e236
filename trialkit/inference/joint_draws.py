"""Draws of group means over several days together, for anything that is computed from a course.

What is asked of a course (when control fell below a target, what a mixture did beyond its parts)
is no single ratio. Its interval comes from drawing all means of all groups and days at once from
their confidence distribution, and computing the answer from each draw.

Means of different groups err independently; means of one group on different days err together,
as its plots do: plots that stand high on one day tend to stand high on the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.count_fit import effects
from trialkit.inference.count_fit_dispersion import Problem, pose, profile
from trialkit.inference.layouts import BoolArray, FloatArray, Layout

DRAWS = 2000
LARGEST_DISPERSION = 30.0
#: Dispersions at which the profile likelihood is worked out.
_NODES = np.concatenate([[1e-4], np.geomspace(1e-3, LARGEST_DISPERSION, 30)])
_STEPS = 10
#: Correlations of residuals are divided by no smaller share of plot effects than this.
LEAST_SHARE = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointDraws:
    """Draws of the means of ``t`` groups on ``d`` days.

    Attributes
    ----------
    means : (draws, t, d) float array
        Positive; NaN for a group without plots on that day.
    correlation : (d, d) float array
        Of what makes a plot differ from its expectation, between days.
    df : float
        Effective degrees of freedom of the dispersion.
    dispersion : float
        Variance is ``mean + dispersion * mean**2``, in units of one individual.
    """

    means: FloatArray
    correlation: FloatArray
    df: float
    dispersion: float


def joint_draws(
    layout: Layout,
    responses: FloatArray,
    *,
    unit: float = 1.0,
    draws: int = DRAWS,
    seed: int = 1,
) -> JointDraws:
    """Draw the group means of several days from their joint confidence distribution.

    Parameters
    ----------
    layout : Layout
    responses : (n, d) float array
        Not negative; NaN where a plot is missing.
    unit : float
        What one individual adds to a value: 1 for counts, ``1 / s`` for means of s samples.
    draws : int
    seed : int

    Returns
    -------
    JointDraws

    Notes
    -----
    Counts are Poisson about plot means that vary as gamma, with one dispersion over the days.
    Each draw takes

    1. a dispersion from its adjusted profile likelihood (Cox and Reid), summed over the days, times
       a prior density ``1 / (dispersion + 1 / mean)``: flat over the log of how many times the
       variance exceeds that of Poisson. A trial which knows its dispersion badly has wide draws.
       Days on which the same plots stand high count as fewer days;
    2. a correlation of plot effects between days, drawn about that of the residuals;
    3. for each group and day the Poisson part, gamma with half an individual added for the step
       of a count (a group of zeros has a mean too), and the part of the plots, a divisor that is
       gamma with shape ``n / dispersion`` and goes together over the days. A mean over rich and
       poor blocks hangs on its rich ones: ``n`` is lowered by how much blocks differ.

    Gamma variables are Wilson and Hilferty's cubes of normal ones. The centre of the draws is the
    arithmetic mean where no plot is missing, otherwise that of the log-linear fit.

    References
    ----------
    Cox DR and Reid N 1987, J. R. Stat. Soc. B 49:1-39; Wilson EB and Hilferty MM 1931, Proc. Natl.
    Acad. Sci. 17:684-688 (references from memory).
    """
    y = np.asarray(responses, dtype=np.float64) / unit
    problem = pose(effects(layout), y)
    t, d = layout.n_treatments, y.shape[1]
    member = (layout.treatment[None, :] == np.arange(t)[:, None]).astype(float)
    number = member @ problem.present
    profiled = _profile(problem)
    residuals = _residuals(problem, profiled.mean, profiled.top)
    df_day = float(np.maximum(problem.df_error, 1.0).mean())
    alike = _days_alike(residuals, df_day)
    cumulated = _cumulated(profiled, (d - 1) * alike)
    dispersion = float(_quantile(cumulated, np.array(0.5)))
    share = _share_of_plots(problem, profiled.mean, dispersion)
    correlation = _correlation(residuals, share, df_day)

    generator = np.random.default_rng(seed)
    theta = _quantile(cumulated, generator.random(draws))
    centre = _centre(layout, problem, profiled.mean, member, number)
    poisson = _poisson_part(problem, member, centre, generator, draws)
    root = _drawn_root(correlation, df_day * float(share.mean()) ** 2, generator, draws)
    normal = generator.standard_normal((draws, t, d)) @ root
    spread = _unevenness(problem, profiled.mean, dispersion, member)
    plots = np.maximum(number, 1.0) / (1.0 + spread)
    drawn = poisson / _gamma(theta[:, None, None] / plots, normal)
    return JointDraws(
        means=np.where(number > 0, drawn * unit, np.nan),
        correlation=correlation,
        df=df_day * d / (1.0 + (d - 1) * alike),
        dispersion=dispersion,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Profile:
    """Log-likelihood at each of ``_NODES``, and the fit at the best: means (n, d), dispersion."""

    height: FloatArray
    mean: FloatArray
    top: float
    typical: float


def _profile(problem: Problem) -> _Profile:
    """Adjusted profile likelihood of the dispersion, the same on all days."""
    nodes, d = _NODES.size, problem.counts.shape[1]
    counts = np.where(problem.present, problem.counts, np.nan)
    many = pose(problem.model, np.tile(counts, (1, nodes)))
    plots, penalty, predictor = profile(many, np.repeat(_NODES, d), many.start, iterations=_STEPS)
    live = problem.live
    typical = max(float(problem.counts[live].mean()) if live.any() else 1.0, 0.001)
    height = (plots.sum(axis=0) - penalty).reshape(nodes, d).sum(axis=1)
    best = int(np.argmax(height))
    mean = np.where(live, np.exp(predictor[:, best * d : (best + 1) * d]), 0.0)
    return _Profile(height=height, mean=mean, top=float(_NODES[best]), typical=typical)


def _cumulated(profiled: _Profile, repeated: float) -> FloatArray:
    """Distribution function of the dispersion at the nodes; each day tells as 1 + repeated do."""
    logs = np.log(_NODES)
    density = profiled.height / (1.0 + repeated) + logs - np.log(_NODES + 1.0 / profiled.typical)
    density = np.exp(density - density.max())
    sums = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) * np.diff(logs))])
    return np.asarray(sums / sums[-1])


def _quantile(cumulated: FloatArray, chance: FloatArray) -> FloatArray:
    return np.asarray(np.exp(np.interp(chance, cumulated, np.log(_NODES))))


def _residuals(problem: Problem, mean: FloatArray, dispersion: float) -> FloatArray:
    """Pearson residuals, 0 where a plot is missing."""
    usable = problem.live & (mean > 0)
    variance = np.where(usable, mean + dispersion * mean**2, 1.0)
    found: FloatArray = np.where(usable, (problem.counts - mean) / np.sqrt(variance), 0.0)
    return found


def _seen_correlation(residuals: FloatArray) -> FloatArray:
    product = residuals.T @ residuals
    size = np.sqrt(np.maximum(np.diagonal(product), 1e-12))
    return np.asarray(product / np.outer(size, size))


def _days_alike(residuals: FloatArray, df: float) -> float:
    """How far the days repeat each other: their mean squared correlation, beyond chance."""
    seen = _seen_correlation(residuals)
    d = seen.shape[0]
    if d < 2:
        return 0.0
    squares = float((seen[~np.eye(d, dtype=bool)] ** 2).mean())
    return float(np.clip(squares - 1.0 / df, 0.0, 1.0))


def _share_of_plots(problem: Problem, mean: FloatArray, dispersion: float) -> FloatArray:
    """Part of the variance of a day that plot effects make, not chance between individuals."""
    usable = problem.live & (mean > 0)
    part = np.where(usable, dispersion * mean / (1.0 + dispersion * mean), 0.0)
    share: FloatArray = part.sum(axis=0) / np.maximum(usable.sum(axis=0), 1)
    return share


def _unevenness(problem: Problem, mean: FloatArray, dispersion: float, member: FloatArray) -> float:
    """Squared coefficient of variation of block levels, less what their estimation adds to it."""
    number = member @ problem.live
    first, second = member @ mean, member @ mean**2
    usable = (number > 1) & (first > 0)
    if not usable.any():
        return 0.0
    seen = number * second / np.where(usable, first, 1.0) ** 2 - 1.0
    live = problem.live.sum(axis=0)
    groups = (number > 0).sum(axis=0)
    blocks = np.maximum(live - problem.df_error - groups, 0.0)
    typical = float(problem.counts[problem.live].mean())
    noise = (dispersion + 1.0 / max(typical, 0.1)) * (blocks / np.maximum(live, 1)).mean()
    return float(np.clip(seen[usable].mean() - noise, 0.0, 1.0))


def _centre(
    layout: Layout, problem: Problem, mean: FloatArray, member: FloatArray, number: FloatArray
) -> FloatArray:
    """Means (t, d) about which draws lie.

    Arithmetic where every plot was counted; else the mean that the log-linear fit gives each
    group over all plots of the layout, so that blocks it lacks do not count against it.
    """
    raw: FloatArray = member @ problem.counts / np.maximum(number, 1.0)
    if not layout.blocking or problem.present.all():
        return raw
    fitted = np.where(problem.present & (mean > 0), mean, np.nan)
    planned = member.sum(axis=1)
    for j in np.flatnonzero(~problem.present.all(axis=0)):
        seen = np.isfinite(fitted[:, j])
        for g in np.flatnonzero(number[:, j] < planned):
            mine = seen & (layout.treatment == g)
            if mine.any():
                raw[g, j] *= _blocks_lacked(layout, fitted[:, j], mine, seen)
    return raw


def _blocks_lacked(layout: Layout, fitted: FloatArray, mine: BoolArray, seen: BoolArray) -> float:
    """What the mean of a group would be over all plots, as a share of that over its own.

    Plots of other groups in the same blocks tell how rich those blocks are.
    """
    others = seen & (layout.treatment != layout.treatment[mine][0])
    own_blocks = np.ones(layout.n_plots, dtype=bool)
    for _, codes in layout.blocking:
        own_blocks &= np.isin(codes, codes[mine])
    beside = others & own_blocks
    if not beside.any():
        return 1.0
    return float(fitted[others].mean() / fitted[beside].mean())


def _poisson_part(
    problem: Problem,
    member: FloatArray,
    centre: FloatArray,
    generator: np.random.Generator,
    draws: int,
) -> FloatArray:
    """Draws of the means as far as only chance between individuals goes, (draws, t, d)."""
    total = member @ problem.counts
    number = np.maximum(member @ problem.present, 1.0)
    shape = total + 0.5
    normal = generator.standard_normal((draws, *total.shape))
    level = np.where(total > 0, centre * (1.0 + 0.5 / np.maximum(total, 0.5)), 0.5 / number)
    zero = total <= 0
    drawn = level * _gamma(1.0 / shape, normal)
    # The cube is poor for half an individual: a group of zeros is drawn from the exponential that
    # gives its one-sided limits exactly.
    nothing = -special.log_ndtr(-normal) / number
    return np.where(zero, nothing, drawn)


def _gamma(variance: FloatArray, normal: FloatArray) -> FloatArray:
    """Gamma variables of mean 1 and the variance given, from normal ones."""
    ninth = variance / 9.0
    root = 1.0 - ninth + normal * np.sqrt(ninth)
    # Far out in the lower tail, where the cube would turn negative, gamma falls as a power.
    low = np.maximum(root, 0.05 * np.exp(np.minimum(root - 0.05, 0.0)))
    gamma: FloatArray = low**3
    return gamma


def _correlation(residuals: FloatArray, share: FloatArray, df: float) -> FloatArray:
    """Correlation of plot effects between days, (d, d).

    Residuals correlate less than plot effects, since chance between individuals is fresh on every
    day; their correlation is divided by the share of plot effects in them. Pairs of days are drawn
    together towards their mean as far as they differ no more than chance makes them.
    """
    seen = _seen_correlation(residuals)
    d = seen.shape[0]
    if d < 2:
        return np.ones((1, 1))
    scale = np.maximum(np.sqrt(np.outer(share, share)), LEAST_SHARE)
    lifted = np.clip(seen / scale, -0.98, 0.98)
    off = ~np.eye(d, dtype=bool)
    level = float(lifted[off].mean())
    chance = (1.0 - level**2) ** 2 / (df * float(scale[off].mean()) ** 2)
    between = float(lifted[off].var())
    weight = min(1.0, chance / between) if between > 0 else 1.0
    found = np.where(off, (1.0 - weight) * lifted + weight * level, 1.0)
    value, vector = np.linalg.eigh(found)
    near = (vector * np.maximum(value, 0.01)) @ vector.T
    size = np.sqrt(np.diagonal(near))
    return np.asarray(near / np.outer(size, size))


def _drawn_root(
    correlation: FloatArray, df: float, generator: np.random.Generator, draws: int
) -> FloatArray:
    """Square roots of correlations drawn about the one given, transposed, (draws, d, d).

    That of Wishart matrices by Bartlett's decomposition.
    """
    d = correlation.shape[0]
    if d < 2:
        return np.ones((draws, 1, 1))
    low = np.linalg.cholesky(correlation)
    freedom = max(df, d + 1.0) - np.arange(d)
    factor = np.tril(generator.standard_normal((draws, d, d)), -1)
    factor[:, np.arange(d), np.arange(d)] = np.sqrt(generator.chisquare(freedom, (draws, d)))
    root = low @ factor
    root /= np.sqrt((root**2).sum(axis=2, keepdims=True))
    return np.asarray(root.transpose(0, 2, 1))
