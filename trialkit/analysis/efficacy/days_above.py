"""Days above the action threshold: how long the mean of a treatment stood above it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.draws import Course
from trialkit.analysis.plots.responses import FloatArray, treatment_means
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.inference.numerics.quantiles import quantiles_of_draws
from trialkit.measures.pest_days import above_threshold, time_above
from trialkit.trial import VariableRole

NEVER_ABOVE = "the untreated never stood above the threshold"
NOT_ASSESSED = "assessed on fewer than two days"
OWN = "the untreated itself"


def days_above_table(basis: Basis) -> pd.DataFrame:
    """Days on which the course of the mean of each treatment lay above the threshold.

    ``days`` is read off the straight lines between the means on the days of assessment, with its
    interval from draws of the whole course; it lies between 0 and ``span``. It is not the mean of
    the days of single plots, which stand above the threshold on other days than their mean does.
    ``difference`` is the untreated less the treatment: the days above the threshold that the
    treatment saved. Its limits come from those of the two: draws of the difference itself are
    pulled to one side where either stands at the end of what is possible.
    """
    untreated = basis.plan.untreated
    if untreated is None:
        return empty_table("days_above")
    tables = [
        _rows(basis, course, float(course.item.variable.threshold), untreated)
        for course in basis.courses.values()
        if course.item.variable.threshold is not None
        and course.item.variable.role in (VariableRole.PEST, VariableRole.DAMAGE)
        and course.item.days.size > 1
    ]
    return join_tables("days_above", tables)


def _rows(basis: Basis, course: Course, threshold: float, untreated: int) -> pd.DataFrame:
    item, alpha = course.item, basis.settings.alpha
    means = treatment_means(item.values, basis.plan)
    found = above_threshold(item.days, means, threshold)
    days = found.days_above
    known = np.isfinite(days)
    drawn = time_above(item.days, course.means.swapaxes(0, 1), threshold).T
    low, high = _limits(np.where(np.isfinite(drawn), drawn, 0.0), alpha)
    difference = days[untreated] - days
    gap_low, gap_high = _difference_limits(
        (days[untreated], low[untreated], high[untreated]), (days, low, high)
    )
    size = len(basis.plan.treatments)
    own = np.arange(size) == untreated
    reason = np.full(size, None, dtype=object)
    if days[untreated] == 0.0:
        reason[:] = NEVER_ABOVE
    reason[own] = OWN
    reason[~known] = NOT_ASSESSED
    compared = known & np.array([text is None for text in reason], dtype=bool)
    return make_table(
        "days_above",
        {
            "variable": [item.variable.name] * size,
            "treatment": list(basis.plan.treatments),
            "threshold": [threshold] * size,
            "span": found.days,
            "days": days,
            "lower": np.where(known, low, np.nan),
            "upper": np.where(known, high, np.nan),
            "difference": np.where(compared, difference, np.nan),
            "difference_lower": np.where(compared, gap_low, np.nan),
            "difference_upper": np.where(compared, gap_high, np.nan),
            "reason": reason,
        },
    )


def _difference_limits(
    first: tuple[float, float, float], second: tuple[FloatArray, FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Limits of a difference from the estimates and limits of both.

    The distances from estimate to limit are added as squares, each on its own side: Zou GY & Donner
    A 2008, Statistics in Medicine 27:1693-1702 (reference from memory). Independence of the two is
    assumed.
    """
    (x, x_low, x_high), (y, y_low, y_high) = first, second
    lower = x - y - np.hypot(x - x_low, y_high - y)
    upper = x - y + np.hypot(x_high - x, y - y_low)
    return np.asarray(lower), np.asarray(upper)


def _limits(drawn: FloatArray, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Central interval of draws of which many may be exactly 0, or the whole span."""
    low, high = quantiles_of_draws(drawn, [alpha / 2.0, 1.0 - alpha / 2.0], method="inverted_cdf")
    return low, high
