"""A course of values over days, with gaps: what pest-days and persistence share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import BoolArray, FloatArray, IntArray, floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """Values over days with the gaps inside bridged by straight lines.

    Attributes
    ----------
    days : ndarray of float, (d,)
    values : ndarray of float, (..., d)
        NaN before the first and after the last value of a course, nowhere else.
    counted : ndarray of bool, (..., d)
        Where a value was given.
    n : ndarray of int, (...)
        Values given.
    bridged : ndarray of int, (...)
        Gaps inside.
    first, last : ndarray of int, (...)
        Positions of the first and the last value given; 0 where there is none.
    """

    days: FloatArray
    values: FloatArray
    counted: BoolArray
    n: IntArray
    bridged: IntArray
    first: IntArray
    last: IntArray


def course(days: ArrayLike, values: ArrayLike) -> Course:
    """Check the days and bridge the gaps.

    Raises
    ------
    ValueError
        When days are not one row of rising finite numbers, or do not match the last axis of
        values.
    """
    day, value = floats(days), floats(values)
    if day.ndim != 1 or not np.isfinite(day).all() or (np.diff(day) <= 0).any():
        raise ValueError("days must be one row of rising numbers, each day once")
    if value.ndim == 0 or value.shape[-1] != day.size:
        raise ValueError(f"values must have one column for each of the {day.size} days")
    counted = np.isfinite(value)
    n = np.asarray(counted.sum(axis=-1), dtype=np.int64)
    lead = value.shape[:-1]
    if day.size == 0:
        none = np.zeros(lead, dtype=np.int64)
        return Course(
            days=day, values=value, counted=counted, n=n, bridged=none, first=none, last=none
        )
    if counted.all():
        none = np.zeros(lead, dtype=np.int64)
        return Course(
            days=day,
            values=value,
            counted=counted,
            n=n,
            bridged=none,
            first=none,
            last=np.full(lead, day.size - 1, dtype=np.int64),
        )
    first = np.asarray(counted.argmax(axis=-1), dtype=np.int64)
    last = np.asarray(day.size - 1 - counted[..., ::-1].argmax(axis=-1), dtype=np.int64)
    last = np.where(n > 0, last, 0)
    place = np.arange(day.size)
    inside = (place > first[..., None]) & (place < last[..., None]) & ~counted
    filled = np.where(counted, value, np.nan)
    if inside.any():
        # Positions of the nearest value given on either side; outside the ends they are wrong,
        # and not used.
        before = np.maximum.accumulate(np.where(counted, place, 0), axis=-1)
        after = np.where(counted, place, day.size - 1)[..., ::-1]
        after = np.minimum.accumulate(after, axis=-1)[..., ::-1]
        y0 = np.take_along_axis(filled, before, axis=-1)
        y1 = np.take_along_axis(filled, after, axis=-1)
        with np.errstate(all="ignore"):
            share = (day - day[before]) / (day[after] - day[before])
            filled = np.where(inside, y0 + (y1 - y0) * share, filled)
    return Course(
        days=day,
        values=filled,
        counted=counted,
        n=n,
        bridged=np.asarray(inside.sum(axis=-1), dtype=np.int64),
        first=first,
        last=last,
    )
