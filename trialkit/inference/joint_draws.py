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

from trialkit.inference.count_fit import effects, iterate, log_working
from trialkit.inference.count_fit_dispersion import Problem, pose
from trialkit.inference.layouts import BoolArray, FloatArray, Layout

DRAWS = 2000
LARGEST_DISPERSION = 30.0
#: Dispersions between which those of the draws are interpolated.
_GRID = np.concatenate([[0.0], np.geomspace(1e-4, LARGEST_DISPERSION, 120)])
_ROUNDS = 6


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
    Counts are Poisson about plot means that vary as gamma, with one dispersion over the days,
    estimated from the Pearson chi-square. Each draw takes

    1. a dispersion at which the chi-square of the trial has the value of a random chi-square on
       its degrees of freedom, so that a trial which knows its dispersion badly has wide draws;
    2. for each group and day the Poisson part, gamma with half an individual added for the step
       of a count (a group of zeros has a mean too), and the part of the plots, a divisor that is
       gamma with shape ``n / dispersion``; the latter goes together over the days as the
       residuals of the plots do.

    Gamma variables are Wilson and Hilferty's cubes of normal ones. The centre of the draws is the
    arithmetic mean where no plot is missing, otherwise that of the log-linear fit.

    References
    ----------
    Wilson EB and Hilferty MM 1931, Proc. Natl. Acad. Sci. 17:684-688 (reference from memory).
    """
    y = np.asarray(responses, dtype=np.float64) / unit
    problem = pose(effects(layout), y)
    mean, dispersion = _fit(problem)
    t, d = layout.n_treatments, y.shape[1]
    member = (layout.treatment[None, :] == np.arange(t)[:, None]).astype(float)
    number = member @ problem.present
    square = np.where(problem.live, problem.counts - mean, 0.0) ** 2
    df_day = np.maximum(problem.df_error, 1.0)
    correlation, together = _correlation(problem, mean, dispersion)
    # Squares of gamma variables scatter more than those of normal ones (excess kurtosis 6 / shape),
    # and those of one plot on several days tell in part the same.
    df = float(df_day.sum() / (1.0 + (d - 1) * together) / (1.0 + 3.0 * dispersion))
    generator = np.random.default_rng(seed)
    theta = _drawn_dispersion(problem, mean, square, df_day.sum(), df, generator, draws)
    centre = _centre(layout, problem, mean, member, number)
    poisson = _poisson_part(problem, member, centre, generator, draws)
    normal = generator.standard_normal((draws, t, d)) @ _root(correlation).T
    spread = theta[:, None, None] / np.maximum(number, 1.0)
    drawn = poisson / _gamma(spread, normal)
    return JointDraws(
        means=np.where(number > 0, drawn * unit, np.nan),
        correlation=correlation,
        df=df,
        dispersion=dispersion,
    )


def _fit(problem: Problem) -> tuple[FloatArray, float]:
    """Log-linear means of the plots (n, d), and the dispersion shared by all days."""
    predictor, dispersion = problem.start, 0.0
    df = float(problem.df_error.sum())
    size = problem.live.shape[1]
    mean: FloatArray = np.where(problem.live, np.exp(predictor), 0.0)
    for _ in range(_ROUNDS):
        fit = iterate(
            problem.model,
            problem.frame,
            problem.live,
            predictor,
            log_working(problem.counts, np.full(size, dispersion)),
            iterations=6,
        )
        predictor = fit.predictor
        mean = np.where(problem.live, np.exp(predictor), 0.0)
        square = np.where(problem.live, problem.counts - mean, 0.0) ** 2
        before, dispersion = dispersion, float(_dispersion_at(problem, mean, square, np.array(df)))
        if abs(dispersion - before) < 1e-4 * (1e-3 + dispersion):
            break
    return mean, dispersion


def _pearson(problem: Problem, mean: FloatArray, square: FloatArray) -> FloatArray:
    """Pearson chi-square over all days at each dispersion of the grid."""
    live = problem.live & (mean > 0)
    m, e = mean[live], square[live]
    curve: FloatArray = (e / (m + _GRID[:, None] * m**2)).sum(axis=1)
    return curve


def _dispersion_at(
    problem: Problem, mean: FloatArray, square: FloatArray, chi_square: FloatArray
) -> FloatArray:
    """Dispersion at which the Pearson chi-square has the values given; 0 where none has.

    Fitted means follow the large plots of a skew distribution, so that the chi-square is too small
    the more parameters each plot has to bear: in simulation (treatments times blocks of 6 x 4 to
    12 x 6, k of 0.3 to 5) the dispersion came out low by about the share that is put back here.
    """
    curve = _pearson(problem, mean, square)
    # Falls along the grid; interpolated on the square root, which is nearly straight near 0.
    found = np.interp(-chi_square, -curve, np.sqrt(_GRID)) ** 2
    plots = np.maximum(problem.live.sum(axis=0), 1)
    borne = float((1.0 - problem.df_error / plots).mean())
    raised: FloatArray = np.minimum(found * (1.0 + 1.0 * borne * found), LARGEST_DISPERSION)
    return raised


def _drawn_dispersion(
    problem: Problem,
    mean: FloatArray,
    square: FloatArray,
    df_all: float,
    df: float,
    generator: np.random.Generator,
    draws: int,
) -> FloatArray:
    chi_square = generator.chisquare(df, draws) * df_all / df
    return _dispersion_at(problem, mean, square, chi_square)


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


def _correlation(problem: Problem, mean: FloatArray, dispersion: float) -> tuple[FloatArray, float]:
    """Correlation of plot effects between days, and how much of it the squares share.

    Pearson residuals correlate less than plot effects, since chance between individuals is
    fresh on every day; their correlation is divided by the share of plot effects in them.
    """
    variance = mean + dispersion * mean**2
    usable = problem.live & (mean > 0)
    safe = np.where(usable, variance, 1.0)
    residual = np.where(usable, (problem.counts - mean) / np.sqrt(safe), 0.0)
    product = residual.T @ residual
    size = np.sqrt(np.maximum(np.diagonal(product), 1e-12))
    seen = product / np.outer(size, size)
    d = seen.shape[0]
    off = ~np.eye(d, dtype=bool)
    noise = 1.0 / max(float(problem.df_error.mean()), 1.0)
    together = float(np.clip((seen[off] ** 2).mean() - noise, 0.0, 1.0)) if d > 1 else 0.0
    share = np.where(usable, dispersion * mean**2 / safe, 0.0).sum(axis=0) / np.maximum(
        usable.sum(axis=0), 1
    )
    scale = np.sqrt(np.outer(share, share))
    lifted = np.clip(seen / np.maximum(scale, 0.4), -0.98, 0.98)
    np.fill_diagonal(lifted, 1.0)
    return np.asarray(lifted), together


def _root(correlation: FloatArray) -> FloatArray:
    """Square root of the nearest matrix that is a correlation."""
    value, vector = np.linalg.eigh(correlation)
    root = vector * np.sqrt(np.maximum(value, 0.0))
    size = np.sqrt((root**2).sum(axis=1, keepdims=True))
    return np.asarray(root / size)
