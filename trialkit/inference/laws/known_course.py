"""What is known of group means over several days together: their joint confidence distribution.

A mean known from a total of T individuals in n plots is a quotient of gammas: one of shape
T + 1/2 for chance between individuals, over one of shape n / dispersion for the plots. A share is
a beta. The dispersion itself is averaged over what the trial says of it, for each group and day
(``dispersion_posterior``). Groups err independently, but for those whose plots share larger units;
the plots of one group err together over the days, as their residuals do. Chance between
individuals or items is fresh everywhere. How often intervals cover is in
tests/benchmarks/calibration.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray, Layout
from trialkit.inference.laws.count_evidence import Evidence, count_evidence, count_evidence_apart
from trialkit.inference.laws.course_laws import CourseLaw
from trialkit.inference.laws.dispersion_posterior import DispersionPosterior, weigh
from trialkit.inference.laws.share_evidence import share_evidence
from trialkit.inference.laws.shared_units import SharedUnits, shared_units

Kind = Literal["count", "percent", "positive"]

_MOST_SAMPLES = 60
_LEAST_PART = 0.15


def course_law(
    layout: Layout,
    responses: FloatArray,
    *,
    kind: Kind = "count",
    unit: float | None = None,
    items: FloatArray | None = None,
    units: Sequence[IntArray] = (),
) -> CourseLaw:
    """What is known of the group means of several days together.

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

    Raises
    ------
    ValueError
        When values lie outside their range or do not fit the layout.
    """
    evidence, scale = evidence_of(layout, responses, kind=kind, unit=unit, items=items)
    return _law(layout, evidence, scale, kind, units)


def evidence_of(
    layout: Layout,
    responses: FloatArray,
    *,
    kind: Kind = "count",
    unit: float | None = None,
    items: FloatArray | None = None,
) -> tuple[Evidence, float]:
    """Weigh what the plots say of the means of several days, and what one individual adds.

    Parameters and errors are those of `course_law`.

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


def positive_laws(
    layout: Layout, responses: FloatArray, *, units: Sequence[IntArray] = ()
) -> tuple[CourseLaw, ...]:
    """What is known of the group means of several measurements, each on its own.

    The laws of `course_law` for each of the columns alone, with ``kind="positive"``; all are
    fitted at once.

    Parameters
    ----------
    layout, units
        As for `course_law`.
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
        _law(layout, evidence, scale, "positive", units)
        for evidence, scale in zip(
            count_evidence_apart(layout, values / scales), scales, strict=True
        )
    )


def _law(
    layout: Layout, evidence: Evidence, scale: float, kind: Kind, units: Sequence[IntArray]
) -> CourseLaw:
    correlation, posterior, shared = weighed(layout, evidence, units)
    return CourseLaw(
        evidence=evidence,
        posterior=posterior,
        correlation=correlation,
        shared=shared,
        shares=kind == "percent",
        scale=scale,
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
