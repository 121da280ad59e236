"""A variable over all days after treatment in one number a plot, on the scale that fits it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from trialkit.analysis.fits.courses import step_of
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.trial import Kind


def level_of(item: Assessed, days: Iterable[int] | None = None) -> FloatArray:
    """Level of every plot over the days after treatment, (plots,); NaN where it has none.

    Of counts the logarithm of the mean over days, each day as a share of its own mean over all
    plots, so that every day weighs the same whatever the numbers; half an individual over all
    days stands for none. Of percentages the arcsine of the root of the mean; of measurements the
    mean. Days are averaged before the scale is applied: plots that vary more have smaller mean
    logarithms at the same mean, and averaging first takes most of that away.

    Parameters
    ----------
    item : Assessed
    days : iterable of int, optional
        Places of the days; all after treatment where left out.
    """
    places = after_treatment(item) if days is None else np.fromiter(days, dtype=np.intp)
    values = item.values[:, places]
    if not places.size:
        return np.full(len(item.values), np.nan)
    if item.variable.kind is not Kind.COUNT:
        return _scaled(item, mean_over_days(values))
    size = np.nanmean(np.where(np.isfinite(values), values, np.nan), axis=0)
    found = np.isfinite(size) & (size > 0.0)
    if not found.any():
        return np.where(np.isfinite(values).any(axis=1), 0.0, np.nan)
    relative = mean_over_days(values[:, found] / size[found])
    half = 0.5 * step_of(item) * float(np.mean(1.0 / size[found])) / int(found.sum())
    level: FloatArray = np.log(relative + half)
    return level


def after_treatment(item: Assessed) -> np.ndarray:
    """Places of the days after treatment that were assessed in any plot."""
    seen = np.isfinite(item.values).any(axis=0)
    return np.flatnonzero(~(item.days <= 0) & seen)


def level_before(item: Assessed) -> FloatArray | None:
    """Level of every plot before treatment, on the same scale; None where nothing was found."""
    if item.baseline is None:
        return None
    values = item.values[:, item.baseline]
    if not (values > 0.0).any():
        return None
    if item.variable.kind is Kind.COUNT:
        level: FloatArray = np.log(values + 0.5 * step_of(item))
        return level
    return _scaled(item, values)


def levels_by_day(item: Assessed, days: Iterable[int] | None = None) -> FloatArray:
    """Level of every plot on each day after treatment, (plots, days), on the same scale."""
    places = after_treatment(item) if days is None else np.fromiter(days, dtype=np.intp)
    values = item.values[:, places]
    if item.variable.kind is Kind.COUNT:
        level: FloatArray = np.log(values + 0.5 * step_of(item))
        return level
    return _scaled(item, values)


def _scaled(item: Assessed, values: FloatArray) -> FloatArray:
    if item.variable.kind is Kind.PERCENT:
        angle: FloatArray = np.arcsin(np.sqrt(np.clip(values, 0.0, 100.0) / 100.0))
        return angle
    return values


def mean_over_days(values: FloatArray) -> FloatArray:
    """Mean of every plot over the days on which it was assessed; NaN where it never was."""
    known = np.isfinite(values)
    number = known.sum(axis=1)
    total = np.where(known, values, 0.0).sum(axis=1)
    mean: FloatArray = np.divide(total, number, out=np.full(total.shape, np.nan), where=number > 0)
    return mean
