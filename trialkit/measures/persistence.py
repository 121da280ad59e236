"""Speed and persistence of control: how much at once, how much at best, and for how long.

The course of percent control between two assessments is taken as a straight line, so every day
given here is an interpolation between days on which somebody counted. It says nothing of the
days after the last assessment: control that still held then is marked as censored.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import BoolArray, FloatArray, IntArray, TextArray, floats
from trialkit.measures._course import Course, course

NO_CONTROL = "percent control is not defined on any day after the application"
NEVER_REACHED = "control was below the target at every assessment"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Persistence:
    """Speed and persistence, one element a course (a treatment, or a simulated draw of one).

    Attributes
    ----------
    knockdown_percent, knockdown_day : ndarray of float
        Control at the first assessment after the application on which it is defined, and that
        day.
    peak_percent, peak_day : ndarray of float
        Highest control at an assessment, and the first day that had it.
    reached_day : ndarray of float
        First day at or above the target: the first assessment, or where the line rises through
        the target. NaN where it never did.
    holds_until_day : ndarray of float
        First day after reached_day on which control falls below the target. The day of the last
        assessment where it never fell (``censored``); NaN where the target was never reached.
    censored : ndarray of bool
        Control reached the target and held to the last assessment: holds_until_day is a lower
        bound.
    last_percent, last_day : ndarray of float
        Control at the last assessment on which it is defined, and that day.
    rebound_percent : ndarray of float
        Peak less last, in percentage points; 0 where control was at its peak at the end.
    skipped : ndarray of int
        Assessments after the application on which control is undefined; the line passes them by.
    reason : ndarray of str (object)
        Why holds_until_day is undefined; empty otherwise.
    """

    knockdown_percent: FloatArray
    knockdown_day: FloatArray
    peak_percent: FloatArray
    peak_day: FloatArray
    reached_day: FloatArray
    holds_until_day: FloatArray
    censored: BoolArray
    last_percent: FloatArray
    last_day: FloatArray
    rebound_percent: FloatArray
    skipped: IntArray
    reason: TextArray


def persistence(
    days: ArrayLike, percent: ArrayLike, target: ArrayLike, *, applied: float = 0.0
) -> Persistence:
    """Describe the course of percent control after an application.

    Parameters
    ----------
    days : array_like, (d,)
        Days of the assessments, rising, on the clock on which the first application is day 0.
    percent : array_like, (..., d)
        Percent control on those days, signed; NaN where undefined. Leading axes are treatments,
        simulated draws, or both.
    target : array_like
        Percent control that counts as holding. A number, or one that broadcasts against the
        leading axes.
    applied : float
        Day of the application. Only assessments later than this day are used.

    Returns
    -------
    Persistence

    Raises
    ------
    ValueError
        When days do not rise or do not match percent, or a target is no finite number.

    Notes
    -----
    Control that dips below the target and comes back is said to hold until the dip; the last day
    at the target is given beside it. At the target counts as holding. Where control is undefined
    on a day (no pests in the untreated), the line runs from the day before to the day after; such
    days at either end leave the course shorter.

    Rules of thumb (common practice, no source): in small plots a good product holds some 8 to 10
    days, an excellent one 27 days and more; at 50 % control or less none is called effective.

    Examples
    --------
    >>> result = persistence([1, 3, 7, 14, 21], [70, 90, 95, 85, 65], 80)
    >>> float(result.holds_until_day), float(result.rebound_percent)
    (15.75, 30.0)
    """
    day, value, aim = floats(days), floats(percent), floats(target)
    if not np.isfinite(aim).all():
        raise ValueError("the target must be a number")
    line = course(day, value)
    later = day > applied
    if not later.all():
        line = course(day[later], value[..., later])
    lead = np.broadcast_shapes(line.n.shape, aim.shape)
    if line.days.size == 0:
        return _nothing(lead)
    return _describe(line, np.broadcast_to(aim, lead), lead)


def _describe(line: Course, target: FloatArray, lead: tuple[int, ...]) -> Persistence:
    days = line.days
    y = np.broadcast_to(line.values, (*lead, days.size))
    counted = np.broadcast_to(line.counted, y.shape)
    n, first, last = (np.broadcast_to(part, lead) for part in (line.n, line.first, line.last))
    none = np.asarray(n == 0)
    place = np.arange(days.size)
    with np.errstate(all="ignore"):
        at_target = y >= target[..., None]
        reached = np.asarray(at_target.any(axis=-1))
        start = at_target.argmax(axis=-1)
        below = ~at_target & (place > start[..., None]) & (place <= last[..., None])
        fell = below.any(axis=-1) & reached
        fall = below.argmax(axis=-1)

        rose = _crossing(days, y, target, np.maximum(start - 1, 0), start)
        reached_day = np.where(start == first, days[start], rose)
        dropped = _crossing(days, y, target, np.maximum(fall - 1, 0), fall)
        holds_until = np.where(fell, dropped, days[last])

        peak = np.where(counted, y, -np.inf).argmax(axis=-1)
        peak_percent, last_percent = _at(y, peak), _at(y, last)
    reason = np.full(lead, "", dtype=object)
    reason[~reached] = NEVER_REACHED
    reason[none] = NO_CONTROL
    return Persistence(
        knockdown_percent=_at(y, first),
        knockdown_day=_where(~none, days[first]),
        peak_percent=peak_percent,
        peak_day=_where(~none, days[peak]),
        reached_day=_where(reached, reached_day),
        holds_until_day=_where(reached, holds_until),
        censored=np.asarray(reached & ~fell),
        last_percent=last_percent,
        last_day=_where(~none, days[last]),
        rebound_percent=np.asarray(peak_percent - last_percent),
        skipped=np.asarray(days.size - n, dtype=np.int64),
        reason=reason,
    )


def _nothing(lead: tuple[int, ...]) -> Persistence:
    def number() -> FloatArray:
        return np.full(lead, np.nan)

    return Persistence(
        knockdown_percent=number(),
        knockdown_day=number(),
        peak_percent=number(),
        peak_day=number(),
        reached_day=number(),
        holds_until_day=number(),
        censored=np.zeros(lead, dtype=bool),
        last_percent=number(),
        last_day=number(),
        rebound_percent=number(),
        skipped=np.zeros(lead, dtype=np.int64),
        reason=np.full(lead, NO_CONTROL, dtype=object),
    )


def _at(y: FloatArray, place: IntArray) -> FloatArray:
    return np.asarray(np.take_along_axis(y, place[..., None], axis=-1)[..., 0])


def _crossing(
    days: FloatArray, y: FloatArray, target: FloatArray, before: IntArray, after: IntArray
) -> FloatArray:
    """Day on which the line between two assessments passes the target."""
    y0, y1 = _at(y, before), _at(y, after)
    share = (target - y0) / (y1 - y0)
    return np.asarray(days[before] + share * (days[after] - days[before]))


def _where(mask: BoolArray, value: FloatArray) -> FloatArray:
    return np.asarray(np.where(mask, value, np.nan))
