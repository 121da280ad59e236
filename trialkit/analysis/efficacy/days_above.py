"""Days above the action threshold: how long the mean of a treatment stood above it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.courses import Course
from trialkit.analysis.plots.responses import treatment_means
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.inference.laws.farthest import farthest_courses
from trialkit.measures.pest_days import above_threshold, time_above
from trialkit.trial import VariableRole

NEVER_ABOVE = "the untreated never stood above the threshold"
NOT_ASSESSED = "assessed on fewer than two days"
OWN = "the untreated itself"


def days_above_table(basis: Basis) -> pd.DataFrame:
    """Days on which the course of the mean of each treatment lay above the threshold.

    ``days`` is read off the straight lines between the means on the days of assessment, with its
    interval from the courses within reach of the data (`farthest_courses`); it lies between 0 and
    ``span``. It is not the mean of the days of single plots, which stand above the threshold on
    other days than their mean does. ``difference`` is the untreated less the treatment: the days
    above the threshold that the treatment saved.
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
    farthest = farthest_courses(
        course.law, lambda means: time_above(item.days, means, threshold), alpha
    )
    low, high = np.fmin(farthest.lower, days), np.fmax(farthest.upper, days)
    difference = days[untreated] - days
    gap_low, gap_high = farthest.differences(untreated, farthest.around(threshold))
    gap_low, gap_high = np.fmin(gap_low, difference), np.fmax(gap_high, difference)
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
