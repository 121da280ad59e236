"""Draws of group means over several days together, from their confidence distribution.

What is asked of a course (control on a day, when it fell below a target, what a mixture did
beyond its parts) is computed from each draw; the central part of the answers is its interval.
How often such intervals cover is in tests/benchmarks/calibration.md.

A mean known from a total of T individuals in n plots is drawn as a quotient of gammas: one of
shape T + 1/2 for chance between individuals, over one of shape n / dispersion for the plots. A
share is drawn as a beta. The dispersion itself is drawn from what the trial says of it, for each
group and day (``dispersion_posterior``). Groups err independently, but for those whose plots share
larger units; the plots of one group err together over the days, as their residuals do. Chance
between individuals or items is fresh everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray, Layout
from trialkit.inference.draws.count_evidence import Evidence, count_evidence, count_evidence_apart
from trialkit.inference.draws.dispersion_posterior import DispersionPosterior, weigh
from trialkit.inference.draws.share_evidence import share_evidence
from trialkit.inference.draws.shared_units import SharedUnits, shared_units
from trialkit.inference.numerics.gamma_of_normal import gamma_of_normal

Kind = Literal["count", "percent", "positive"]

_HALF = 0.5
_MOST_SAMPLES = 60
_LEAST_PART = 0.15
#: Least and largest dispersion of a group that is drawn.
_DISPERSIONS = (1e-6, 150.0)
#: Least that a draw leaves of the variance of plots.
_LEAST_LEFT = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseDraws:
    """Draws of the means of t groups on d days.

    Attributes
    ----------
    means : (draws, t, d) float array
        Positive; NaN for a group without plots on that day. In the units of the responses. The
        draws of one mean lie side by side in memory.
    estimate : (t, d) float array
        Arithmetic means, or least-squares means on days that lack plots.
    correlation : (d, d) float array
        Of what makes a plot differ from its expectation, between days.
    dispersion : float
        Common level: for counts ``1 / k``, for shares the variance over ``mean * (1 - mean)``.
    df : float
        Degrees of freedom of the level.
    differing : float
        Weight, 0 to 1, of dispersions that differ between groups beyond a trend with the mean;
        above 0.7 in about one of 25 trials where they do not. The draws allow for what was seen:
        intervals err where groups differ widely and four plots did not show it.
    plot_df : float
        Residual degrees of freedom of plots, over all days.
    deviations, precision : (n, d) float arrays
        Of plots from what group and block let expect, over that expectation, and one over their
        variance (`foretelling`).
    """

    means: FloatArray
    estimate: FloatArray
    correlation: FloatArray
    dispersion: float
    df: float
    differing: float
    plot_df: float
    deviations: FloatArray
    precision: FloatArray


def course_draws(
    layout: Layout,
    responses: FloatArray,
    *,
    kind: Kind = "count",
    unit: float | None = None,
    items: FloatArray | None = None,
    units: Sequence[IntArray] = (),
    draws: int = 2000,
    seed: int = 1,
) -> CourseDraws:
    """Draw the group means of several days from their joint confidence distribution.

    Parameters
    ----------
    layout : Layout
    responses : (n,) or (n, d) float array
        Not negative; NaN where a plot is missing. Percentages lie between 0 and 100.
    kind : {"count", "percent", "positive"}
        ``count``: individuals, or means of samples of them. ``percent``: shares of a whole.
        ``positive``: measurements, such as areas under a curve.
    unit : float, optional
        What one individual adds to a value: 1 for counts, ``1 / s`` for means of s samples.
        Found from the grain of the values where not given.
    items : float array in the shape of the responses, optional
        For percentages: of how many items each is the share.
    units : sequence of (n,) int array
        Main plots, or both kinds of strips: larger units whose plots err together.
    draws : int
    seed : int

    Raises
    ------
    ValueError
        When values lie outside their range or do not fit the layout.
    """
    evidence, scale = evidence_of(layout, responses, kind=kind, unit=unit, items=items)
    return _course(layout, evidence, scale, kind, units, draws, _generator(seed))


def evidence_of(
    layout: Layout,
    responses: FloatArray,
    *,
    kind: Kind = "count",
    unit: float | None = None,
    items: FloatArray | None = None,
) -> tuple[Evidence, float]:
    """Weigh what the plots say of the means of several days, and what one individual adds.

    Parameters and errors are those of `course_draws`.

    Returns
    -------
    Evidence
        In individuals, or shares from 0 to 1.
    float
        What its means are multiplied by to be in the units of the responses.
    """
    values = _columns(layout, responses)
    if kind == "percent":
        if np.any(values > 100.0):
            raise ValueError("percentages lie between 0 and 100")
        examined = None if items is None else _columns(layout, items)
        return share_evidence(layout, values / 100.0, examined), 100.0
    scale = unit_of(values, kind) if unit is None else unit
    if not scale > 0.0:
        raise ValueError("the unit must be positive")
    return count_evidence(layout, values / scale), scale


def positive_draws(
    layout: Layout,
    responses: FloatArray,
    *,
    units: Sequence[IntArray] = (),
    draws: int = 2000,
    seed: int = 1,
) -> tuple[CourseDraws, ...]:
    """Draw the group means of several measurements, each on its own.

    The draws of `course_draws` for each of the columns alone, with ``kind="positive"``; all are
    fitted at once.

    Parameters
    ----------
    layout, units, draws, seed
        As for `course_draws`; each column starts from the seed.
    responses : (n, m) float array
        Not negative; NaN where a plot is missing.

    Raises
    ------
    ValueError
        When values lie outside their range or do not fit the layout.
    """
    values = _columns(layout, responses)
    scales = [unit_of(column, "positive") for column in values.T]
    return tuple(
        _course(layout, evidence, scale, "positive", units, draws, _generator(seed))
        for evidence, scale in zip(
            count_evidence_apart(layout, values / scales), scales, strict=True
        )
    )


def _course(
    layout: Layout,
    evidence: Evidence,
    scale: float,
    kind: Kind,
    units: Sequence[IntArray],
    draws: int,
    generator: np.random.Generator,
) -> CourseDraws:
    correlation, posterior, shared = weighed(layout, evidence, units)
    drawn = _drawn(evidence, posterior, correlation, shared, kind, draws, generator)
    drawn *= scale
    drawn[~np.isfinite(evidence.estimate)] = np.nan
    return CourseDraws(
        means=np.moveaxis(drawn, -1, 0),
        estimate=evidence.estimate * scale,
        correlation=correlation,
        dispersion=posterior.level,
        df=posterior.df,
        differing=posterior.differing,
        plot_df=evidence.df,
        deviations=evidence.deviations,
        precision=evidence.precision,
    )


def weighed(
    layout: Layout, evidence: Evidence, units: Sequence[IntArray]
) -> tuple[FloatArray, DispersionPosterior, SharedUnits | None]:
    """Correlation of plots between days (d, d), their dispersion, and what units share."""
    correlation, temper = _correlation(evidence)
    posterior = weigh(
        evidence.log_likelihood, evidence.offset, evidence.floors, evidence.prior, temper=temper
    )
    shared = shared_units(layout, units, evidence.residuals, evidence.plot_part, temper=temper)
    return correlation, posterior, shared


def _generator(seed: int) -> np.random.Generator:
    # A fifth faster than the usual one, and as good.
    return np.random.Generator(np.random.SFC64(seed))


def unit_of(values: FloatArray, kind: Kind) -> float:
    """What one individual seems to add to a value.

    For counts one over the least number of samples (up to 60) that makes all values whole. For
    measurements, and counts that are no such means, the smallest positive value where there are
    zeros and a thousandth of it elsewhere, where single individuals then hardly matter.
    """
    known = values[~np.isnan(values)]
    positive = known[known > 0.0]
    if positive.size == 0:
        return 1.0
    for samples in range(1, _MOST_SAMPLES + 1) if kind == "count" else ():
        whole = known * samples
        # Means are often written with two decimals.
        tolerance = 1e-9 if samples == 1 else min(0.0051 * samples, 0.1)
        if np.all(np.abs(whole - np.round(whole)) <= tolerance):
            return 1.0 / samples
    smallest = float(positive.min())
    return smallest if positive.size < known.size else 1e-3 * smallest


def _columns(layout: Layout, values: FloatArray) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    array = array[:, None] if array.ndim == 1 else array
    if array.ndim != 2 or array.shape[0] != layout.n_plots:
        raise ValueError("there must be one row of values for each plot")
    if np.any(array < 0.0) or np.any(np.isinf(array)):
        raise ValueError("values must be finite and not negative")
    return array


def _drawn(
    evidence: Evidence,
    posterior: DispersionPosterior,
    correlation: FloatArray,
    shared: SharedUnits | None,
    kind: Kind,
    draws: int,
    generator: np.random.Generator,
) -> FloatArray:
    """Draws of the means, counts in individuals and shares from 0 to 1, (t, d, draws)."""
    dispersion = posterior.sample(draws, generator)
    levels: tuple[IntArray, ...] = ()
    shares = np.empty((0, draws))
    if shared is not None:
        own, of_units = shared.draw(draws, generator)
        varied = np.maximum(own + of_units.sum(axis=0), _LEAST_LEFT)
        dispersion *= varied
        levels, shares = shared.levels, of_units / varied
    np.clip(dispersion, *_DISPERSIONS, out=dispersion)
    root = np.linalg.cholesky(correlation)
    normal = root @ _together(generator, dispersion.shape, levels, shares)
    if kind != "percent":
        return _counts(evidence, dispersion, normal, generator)
    other = root @ _together(generator, dispersion.shape, levels, shares)
    apart = len(levels) > 0 or len(correlation) > 1
    return _shares(evidence, dispersion, normal, other, generator if apart else None)


def _counts(
    evidence: Evidence, dispersion: FloatArray, normal: FloatArray, generator: np.random.Generator
) -> FloatArray:
    """Means of counts, from standard normal variables of their plots, (t, d, draws).

    Group after group: what belongs to one stays near the processor while it is worked on.
    """
    mean, plots, total, added = _known(evidence)
    whole = np.where(total > 0.0, total / np.where(mean > 0.0, mean, 1.0), plots)
    out = np.empty(dispersion.shape)
    for g, spread in enumerate(dispersion):
        individuals = gamma_of_normal(total[g] + added[g], _normals(generator, spread.shape))
        k = plots[g] / spread
        individuals *= k
        individuals /= gamma_of_normal(k, normal[g])
        np.divide(individuals, whole[g], out=out[g])
    return out


def _shares(
    evidence: Evidence,
    dispersion: FloatArray,
    hits: FloatArray,
    misses: FloatArray,
    fresh: np.random.Generator | None,
) -> FloatArray:
    """Means of shares, from two kinds of standard normal variables, (t, d, draws).

    What plots do goes together with their units and over days; chance of items does not, and is
    drawn afresh where there are any.
    """
    mean, plots, total, added = _known(evidence)
    chance = np.where(total > 0.0, np.minimum(plots / np.maximum(total, 1e-300), 1.0), 0.0)
    mixed = fresh if chance.any() else None
    out = np.empty(dispersion.shape)
    for g, spread in enumerate(dispersion):
        of_plots = np.minimum(spread, 1.0) * (1.0 - chance[g])
        factor = chance[g] + of_plots
        if mixed is not None:
            _mix_in_chance(mixed, chance[g] / factor, hits[g], misses[g])
        worth = np.maximum(plots[g] / factor - 1.0, _HALF)
        hit = gamma_of_normal(worth * mean[g] + added[g], hits[g])
        left = gamma_of_normal(worth * (1.0 - mean[g]) + _HALF, misses[g])
        out[g] = hit / (hit + left)
    return out


def _known(evidence: Evidence) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Means, plots and totals of the evidence, and what a total is drawn about, (t, d, 1).

    A group of zeros is drawn about one individual: its upper 95 % limit then is the exact
    one-sided limit of a Poisson count of none.
    """
    mean = np.where(np.isfinite(evidence.estimate), evidence.estimate, 0.0)[:, :, None]
    plots = np.maximum(evidence.plots, 1.0)[:, :, None]
    total = np.maximum(evidence.total, 0.0)[:, :, None]
    return mean, plots, total, np.where(mean > 0.0, _HALF, 1.0)


def _together(
    generator: np.random.Generator,
    shape: tuple[int, ...],
    levels: Sequence[IntArray],
    shares: FloatArray,
) -> FloatArray:
    """Standard normal variables (t, d, draws), alike for treatments that share units."""
    normal = _normals(generator, shape)
    if not levels:
        return normal
    normal *= np.sqrt(np.maximum(1.0 - shares.sum(axis=0), 0.0))
    for level, share in zip(levels, shares, strict=True):
        of_units = _normals(generator, (int(level.max()) + 1, *shape[1:]))
        normal += np.sqrt(share) * of_units[level]
    return normal


def _normals(generator: np.random.Generator, shape: tuple[int, ...]) -> FloatArray:
    """Standard normal variables, those of one half of the draws the opposite of the other's.

    Half the work, and shares of draws move a little less from seed to seed.
    """
    half = generator.standard_normal((*shape[:-1], (shape[-1] + 1) // 2))
    return np.concatenate([half, -half], axis=-1)[..., : shape[-1]]


def _mix_in_chance(
    generator: np.random.Generator, chance: FloatArray, *normals: FloatArray
) -> None:
    """Give standard normal variables (d, draws) a part of their variance that is of each alone."""
    kept, fresh = np.sqrt(1.0 - chance), np.sqrt(chance)
    for normal in normals:
        normal *= kept
        normal += fresh * _normals(generator, normal.shape)


def _correlation(evidence: Evidence) -> tuple[FloatArray, float]:
    """Correlation of plot effects between days, and the temper of what days say together.

    Residuals correlate less than plot effects do, as chance between individuals is fresh on each
    day: their correlation is divided by the share of plot effects. Pairs of days are drawn
    towards their mean as far as they differ no more than chance makes them. The squares of
    residuals, which tell of the dispersion, correlate as the square of theirs.
    """
    residuals = evidence.residuals
    d = residuals.shape[1]
    if d == 1:
        return np.ones((1, 1)), 1.0
    cross = residuals.T @ residuals
    size = np.sqrt(np.maximum(np.diagonal(cross), 1e-12))
    seen = cross / np.outer(size, size)
    off = ~np.eye(d, dtype=bool)
    part = np.sqrt(np.outer(evidence.plot_part, evidence.plot_part))
    trusted = np.maximum(part, _LEAST_PART)
    lifted = np.clip(seen / trusted, -0.98, 0.98)
    weight = np.where(off, trusted**2, 0.0)
    level = float((weight * lifted).sum() / weight.sum())
    df = max(evidence.df / d, 2.0)
    noise = (1.0 - level**2) ** 2 / df / trusted**2
    spread = float((weight * ((lifted - level) ** 2 - noise)).sum() / weight.sum())
    kept = max(spread, 0.0) / (max(spread, 0.0) + noise)
    found = np.where(off, level + kept * (lifted - level), 1.0)
    values, vectors = np.linalg.eigh(found)
    near = (vectors * np.maximum(values, 0.01)) @ vectors.T
    scale = np.sqrt(np.diagonal(near))
    near /= np.outer(scale, scale)
    squares = float(np.mean(seen[off] ** 2))
    return near, 1.0 / (1.0 + (d - 1) * squares)
