"""Log means of groups over several days with their covariance.

The model is that of `trialkit.inference.laws`; the dispersion of plots is taken at the mean of
what is known of it: its inverse, by which trials are weighed, is then right on average, and limits
at normal quantiles are those of t. Serves where many trials are put together, and their intervals
come from the differences between trials more than from those inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray, Layout
from trialkit.inference.laws.count_evidence import Evidence
from trialkit.inference.laws.known_course import Kind, evidence_of, weighed

_HALF = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseMoments:
    """Means of t groups on d days, and how they err.

    Attributes
    ----------
    mean : (t, d) float array
        In the units of the responses, as the trial tells them; NaN without a plot.
    log_total : (t, d) float array
        Logarithm of the means with half an individual added to each total (of shares half an item
        to both sides): finite where nothing was found, and less biased than that of the means.
    worth : (t, d) float array
        What one individual adds to a mean.
    chance : (t, d) float array
        Variance of the log mean by chance between individuals, fresh on each day.
    plots : (t, d) float array
        Variance of the log mean by what plots do, which goes together over days.
    correlation : (d, d) float array
        Of what plots do, between days.
    together : (t, t) float array
        Of what plots do, between groups: above 0 for those that share larger units; ones on the
        diagonal.
    df : float
        Degrees of freedom behind the dispersion.
    """

    mean: FloatArray
    log_total: FloatArray
    worth: FloatArray
    chance: FloatArray
    plots: FloatArray
    correlation: FloatArray
    together: FloatArray
    df: float

    def covariance(self, rows: FloatArray) -> FloatArray:
        """Covariance (q, q) of linear combinations (q, t, d) of the log means."""
        by_chance = np.where(rows != 0.0, rows, 0.0) * np.sqrt(np.nan_to_num(self.chance))
        of_plots = np.where(rows != 0.0, rows, 0.0) * np.sqrt(np.nan_to_num(self.plots))
        flat = by_chance.reshape(len(rows), -1)
        spread = np.einsum("gh,qhd,de->qge", self.together, of_plots, self.correlation)
        found: FloatArray = flat @ flat.T + np.tensordot(of_plots, spread, axes=([1, 2], [1, 2]))
        return (found + found.T) / 2.0


def course_moments(
    layout: Layout,
    responses: FloatArray,
    *,
    kind: Kind = "count",
    unit: float | None = None,
    items: FloatArray | None = None,
    units: Sequence[IntArray] = (),
) -> CourseMoments:
    """Log means of groups on several days with their covariance.

    Parameters
    ----------
    layout, responses, kind, unit, items, units
        As for `trialkit.inference.laws.known_course.course_law`.

    Raises
    ------
    ValueError
        When values lie outside their range or do not fit the layout.
    """
    evidence, scale = evidence_of(layout, responses, kind=kind, unit=unit, items=items)
    correlation, posterior, shared = weighed(layout, evidence, units)
    dispersion = posterior.mean()
    together = np.eye(layout.n_treatments)
    if shared is not None:
        own, of_units = shared.typical()
        varied = max(own + float(of_units.sum()), 1e-3)
        dispersion = dispersion * varied
        for level, part in zip(shared.levels, of_units / varied, strict=True):
            together += part * ((level[:, None] == level) & ~np.eye(level.size, dtype=bool))
    made = _shares(evidence, dispersion) if kind == "percent" else _counts(evidence, dispersion)
    log_total, worth, chance, plots = made
    return CourseMoments(
        mean=evidence.estimate * scale,
        log_total=log_total + np.log(scale),
        worth=worth * scale,
        chance=chance,
        plots=plots,
        correlation=correlation,
        together=together,
        df=posterior.df,
    )


def _counts(
    evidence: Evidence, dispersion: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    total, known = np.maximum(evidence.total, 0.0), np.isfinite(evidence.estimate)
    plots = np.maximum(evidence.plots, 1.0)
    mean = np.where(known, evidence.estimate, 1.0)
    worth = np.where(total > 0.0, mean / np.where(total > 0.0, total, 1.0), 1.0 / plots)
    log_total = np.where(known, np.log((total + _HALF) * worth), np.nan)
    chance = special.polygamma(1, np.where(total > 0.0, total + _HALF, 1.0))
    of_plots = special.polygamma(1, plots / dispersion)
    return log_total, worth, np.where(known, chance, np.nan), np.where(known, of_plots, np.nan)


def _shares(
    evidence: Evidence, dispersion: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    total, known = evidence.total, np.isfinite(evidence.estimate)
    plots = np.maximum(evidence.plots, 1.0)
    mean = np.where(known, evidence.estimate, 0.5)
    chance = np.where(total > 0.0, np.minimum(plots / np.maximum(total, 1e-300), 1.0), 0.0)
    of_plots = np.minimum(dispersion, 1.0) * (1.0 - chance)
    items = np.maximum(plots / (chance + of_plots) - 1.0, _HALF)
    log_total = np.where(known, np.log((items * mean + _HALF) / (items + 1.0)), np.nan)
    whole = special.polygamma(1, items * mean + _HALF) - special.polygamma(1, items + 1.0)
    fresh = whole * chance / (chance + of_plots)
    return (
        log_total,
        1.0 / (items + 1.0),
        np.where(known, fresh, np.nan),
        np.where(known, whole - fresh, np.nan),
    )
