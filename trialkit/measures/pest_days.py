"""Pest-days: the area under the course of a pest (or disease, damage) over days.

Between assessments the course is taken as a straight line. A missing assessment inside is
bridged by the line between its neighbours and counted; it is never taken as zero. At an end it
shortens the span of that plot, so that plots are compared by the value per day (``per_day``),
the mean level over the plot's own span.

All functions take one row of rising days and values with the days along the last axis; any
leading axes (plots, or simulated draws) are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import (
    NOT_COUNTED,
    BoolArray,
    FloatArray,
    IntArray,
    TextArray,
    floats,
    settle,
)
from trialkit.measures._course import Course, course
from trialkit.measures.control import Control, abbott

COUNTED_ONCE = "counted on one day only, and pest-days need two"

Start: TypeAlias = Literal["first", "application"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PestDays:
    """Area under the course, one element a plot.

    Attributes
    ----------
    pest_days : ndarray of float
        Area, in units of the variable times days. NaN where undefined.
    days : ndarray of float
        Span, from the plot's first to its last count.
    per_day : ndarray of float
        Area divided by the span, in units of the variable.
    bridged : ndarray of int
        Missing assessments inside the span.
    n : ndarray of int
        Counts within the period.
    first_day, last_day : ndarray of float
        Ends of the span; NaN where pest_days is undefined.
    reason : ndarray of str (object)
        Why undefined; empty otherwise.
    """

    pest_days: FloatArray
    days: FloatArray
    per_day: FloatArray
    bridged: IntArray
    n: IntArray
    first_day: FloatArray
    last_day: FloatArray
    reason: TextArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AboveThreshold:
    """Time and area above a threshold, one element a plot.

    Attributes
    ----------
    days_above : ndarray of float
        Days on which the line lies above the threshold. NaN where undefined.
    pest_days_above : ndarray of float
        Area between the line and the threshold, where the line is above it.
    days : ndarray of float
        Span, from the plot's first to its last count.
    share_of_days : ndarray of float
        ``days_above / days``, 0 to 1: what is compared where spans differ.
    per_day : ndarray of float
        ``pest_days_above / days``, in units of the variable.
    bridged : ndarray of int
        Missing assessments inside the span.
    reason : ndarray of str (object)
        Why undefined; empty otherwise.
    """

    days_above: FloatArray
    pest_days_above: FloatArray
    days: FloatArray
    share_of_days: FloatArray
    per_day: FloatArray
    bridged: IntArray
    reason: TextArray


def pest_days(days: ArrayLike, values: ArrayLike, *, start: Start = "first") -> PestDays:
    """Area under the course of each plot by the trapezoid rule on the actual days.

    The sum of ``(t[i+1] - t[i]) (y[i] + y[i+1]) / 2``: cumulative insect-days, or the area under
    the disease progress curve (AUDPC) for severity.

    Parameters
    ----------
    days : array_like, (d,)
        Days after the first application, rising; negative before it. The days of this
        variable's assessments.
    values : array_like, (..., d)
        NaN where a plot was not counted.
    start : {"first", "application"}
        Where the period begins. ``first``: the first assessment, before the application or
        after it. ``application``: the last assessment on or before day 0, or else the first
        after it; earlier counts stay out.

    Returns
    -------
    PestDays
        Undefined with fewer than two counts in the period.

    Raises
    ------
    ValueError
        When days do not rise or do not match values.

    References
    ----------
    Ruppel RF 1983, J. Econ. Entomol. 76:375-377 (reference from memory); Shaner G & Finney RE
    1977, Phytopathology 67:1051-1056 (reference from memory, the rule seen in secondary texts).

    Examples
    --------
    >>> result = pest_days([0, 7, 14, 21, 28], [1, 5, 20, 45, 60])
    >>> float(result.pest_days), float(result.per_day)
    (703.5, 25.125)
    """
    line = _period(days, values, start)
    with np.errstate(all="ignore"):
        area, reason = settle(_area(line), *_too_few(line))
        first_day, last_day, span = _span(line, reason)
        per_day = area / span
    return PestDays(
        pest_days=area,
        days=span,
        per_day=per_day,
        bridged=line.bridged,
        n=line.n,
        first_day=first_day,
        last_day=last_day,
        reason=reason,
    )


def above_threshold(
    days: ArrayLike, values: ArrayLike, threshold: float, *, start: Start = "first"
) -> AboveThreshold:
    """Days above a threshold, and pest-days above it.

    The line between two assessments crosses the threshold where the straight line does, so both
    are exact for the piecewise linear course.

    Parameters
    ----------
    days, values, start
        As for `pest_days`.
    threshold : float
        In units of the variable. Above means strictly above: a stretch that lies exactly on the
        threshold does not count.

    Returns
    -------
    AboveThreshold
        Undefined with fewer than two counts in the period.

    Raises
    ------
    ValueError
        When days do not rise or do not match values, or the threshold is no finite number.

    Examples
    --------
    >>> result = above_threshold([0, 10], [0, 20], 15)
    >>> float(result.days_above), float(result.pest_days_above)
    (2.5, 6.25)
    """
    if not np.isfinite(threshold):
        raise ValueError("the threshold must be a number")
    line = _period(days, values, start)
    with np.errstate(all="ignore"):
        over = line.values - threshold
        low = np.minimum(over[..., 1:], over[..., :-1])
        high = np.maximum(over[..., 1:], over[..., :-1])
        # The part of each interval that lies above, and the area over that part.
        part = _part_above(low, high)
        mean_over = np.where(low >= 0, (low + high) / 2, high / 2)
        step = np.diff(line.days)
        area = np.where(high > 0, mean_over * part * step, 0.0).sum(axis=-1)
        area, reason = settle(area, *_too_few(line))
        time = np.where(reason == "", (part * step).sum(axis=-1), np.nan)
        _, _, span = _span(line, reason)
        share, per_day = time / span, area / span
    return AboveThreshold(
        days_above=time,
        pest_days_above=area,
        days=span,
        share_of_days=np.minimum(share, 1.0),
        per_day=per_day,
        bridged=line.bridged,
        reason=reason,
    )


def time_above(
    days: ArrayLike, values: ArrayLike, threshold: float, *, start: Start = "first"
) -> FloatArray:
    """Days above a threshold, of many courses.

    The days of `above_threshold`, several times faster: made for simulated draws, and fastest where
    those of one treatment lie along the last of the leading axes.

    Parameters
    ----------
    days, values, threshold, start
        As for `above_threshold`.

    Returns
    -------
    ndarray of float
        NaN with fewer than two counts in the period.

    Raises
    ------
    ValueError
        When days do not rise or do not match values, or the threshold is no finite number.
    """
    if not np.isfinite(threshold):
        raise ValueError("the threshold must be a number")
    line = _period(days, values, start)
    time = np.zeros(line.n.shape)
    with np.errstate(all="ignore"):
        for j, step in enumerate(np.diff(line.days)):
            before, after = line.values[..., j] - threshold, line.values[..., j + 1] - threshold
            time += _part_above(np.minimum(before, after), np.maximum(before, after)) * step
    return np.where(line.n > 1, time, np.nan)


def reduction(treated: ArrayLike, untreated: ArrayLike) -> Control:
    """Percent by which pest-days are below those of the untreated.

    ``100 (C - T) / C``, signed, at most 100.

    Parameters
    ----------
    treated, untreated : array_like
        Pest-days, or pest-days per day where spans differ. They broadcast against each other.

    Returns
    -------
    Control
        Undefined where the untreated has none.
    """
    return abbott(treated, untreated)


def _period(days: ArrayLike, values: ArrayLike, start: Start) -> Course:
    day, value = floats(days), floats(values)
    if start not in ("first", "application"):
        raise ValueError(f"start must be 'first' or 'application', not {start!r}")
    line = course(day, value)
    before = int((day <= 0).sum())
    if start == "first" or before < 2:
        return line
    return course(day[before - 1 :], value[..., before - 1 :])


def _area(line: Course) -> FloatArray:
    step = np.diff(line.days) * (line.values[..., 1:] + line.values[..., :-1]) / 2
    return np.asarray(np.where(np.isnan(step), 0.0, step).sum(axis=-1))


def _part_above(low: FloatArray, high: FloatArray) -> FloatArray:
    """Share of a piece of line that lies above 0, from its ends; 0 where they are not known."""
    return np.asarray(np.fmin(np.fmax(high / (high - low), 0.0), 1.0))


def _span(line: Course, reason: TextArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    undefined = reason != ""
    if line.days.size == 0:
        nothing = np.full(line.n.shape, np.nan)
        return nothing, nothing.copy(), nothing.copy()
    first = np.where(undefined, np.nan, line.days[line.first])
    last = np.where(undefined, np.nan, line.days[line.last])
    return first, last, last - first


def _too_few(line: Course) -> tuple[tuple[BoolArray, str], ...]:
    return (np.asarray(line.n == 0), NOT_COUNTED), (np.asarray(line.n == 1), COUNTED_ONCE)
