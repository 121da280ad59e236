"""Trial -> the matrix of responses that are tested, one row a plot."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.inference.design.layout import Layout
from trialkit.measures import pest_days as areas
from trialkit.trial import (
    Trial,
    Variable,
    harvest_variable,
    numbers_examined,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotPlan:
    """The plots of a trial as codes.

    Attributes
    ----------
    plots : tuple of str
        Plot ids, in the order of every array of plots.
    treatments : tuple of str
        Treatment ids; code i stands for the i-th.
    treatment : int array, shape (plots,)
    untreated, reference : int or None
        Code of the untreated, and of the first treatment with the role of a reference.
    layout : Layout
        With main plots, or both kinds of strips, for larger units where the design has them.
    levels : tuple of (str, tuple of str)
        Name and levels of the factors of the layout; code i stands for the i-th.
    """

    plots: tuple[str, ...]
    treatments: tuple[str, ...]
    treatment: IntArray
    untreated: int | None
    reference: int | None
    layout: Layout
    levels: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @property
    def units(self) -> tuple[IntArray, ...]:
        """Main plots, or both kinds of strips: larger units whose plots err together."""
        return tuple(codes for _, codes in self.layout.units)

    @property
    def others(self) -> list[int]:
        """Codes of all treatments but the untreated."""
        return [code for code in range(len(self.treatments)) if code != self.untreated]


@dataclass(frozen=True, kw_only=True, eq=False)
class Assessed:
    """One variable over its days, averaged to plots.

    Attributes
    ----------
    variable : Variable
    days : float array, shape (days,)
        Ascending.
    values : float array, shape (plots, days)
        Mean of the samples of a plot; of a share k of n the percentage of all units of its
        samples together. NaN where the plot was not assessed.
    samples : int array, shape (plots, days)
        Number of samples behind each value.
    examined : float array, shape (plots, days), or None
        Of a share k of n, how many units were examined in all samples of a plot; NaN where the
        plot was not assessed.
    """

    variable: Variable
    days: FloatArray
    values: FloatArray
    samples: IntArray
    examined: FloatArray | None = None

    @property
    def hits(self) -> FloatArray | None:
        """How many of the units examined were hit; None where it is not known."""
        if self.examined is None:
            return None
        return np.round(self.values * self.examined / 100.0)

    @property
    def baseline(self) -> int | None:
        """Index of the last assessment on or before day 0."""
        before = np.flatnonzero(self.days <= 0)
        return int(before[-1]) if before.size else None


@dataclass(frozen=True, kw_only=True, eq=False)
class Response:
    """One column that is tested."""

    variable: Variable
    measure: str
    day: float
    values: FloatArray


def codes_of(labels: Sequence[Hashable]) -> IntArray:
    """Number labels in the order in which they first appear."""
    order: dict[Hashable, int] = {}
    return np.array([order.setdefault(label, len(order)) for label in labels], dtype=np.intp)


def assessed_variables(trial: Trial, plan: PlotPlan) -> tuple[Assessed, ...]:
    """Average samples to plots, for every variable that was assessed.

    The plot is the unit of the trial: nothing after this point sees a sample as a replicate.
    Where a share k of n has its numbers examined, k and n are summed over the samples of a plot.
    """
    if trial.counts.empty:
        return ()
    plot_index = {plot: row for row, plot in enumerate(plan.plots)}
    rows_all = trial.counts["plot"].map(plot_index).to_numpy(dtype=np.intp)
    names = trial.counts["variable"].to_numpy(dtype=object)
    day_all = trial.counts["day"].to_numpy(dtype=float)
    value_all = trial.counts["value"].to_numpy(dtype=float)
    number_all = numbers_examined(trial.counts).to_numpy(dtype=float)
    result = []
    for variable in trial.variables:
        chosen = names == variable.name
        if not chosen.any():
            continue
        days, day_index = np.unique(day_all[chosen], return_inverse=True)
        cell = rows_all[chosen] * days.size + day_index
        value = value_all[chosen]
        known = ~np.isnan(value)
        size = len(plan.plots) * days.size
        number = np.bincount(cell[known], minlength=size)
        weight = number_all[chosen]
        share = variable.examined is not None and bool((weight[known] > 0).all())
        each = weight[known] if share else np.ones(int(known.sum()))
        whole = np.bincount(cell[known], weights=each, minlength=size)
        total = np.bincount(cell[known], weights=value[known] * each, minlength=size)
        mean = np.full(size, np.nan)
        mean[number > 0] = total[number > 0] / whole[number > 0]
        shape = (len(plan.plots), days.size)
        result.append(
            Assessed(
                variable=variable,
                days=days,
                values=mean.reshape(shape),
                samples=number.reshape(shape).astype(np.intp),
                examined=np.where(whole > 0, whole, np.nan).reshape(shape) if share else None,
            )
        )
    return tuple(result)


def treatment_means(values: FloatArray, plan: PlotPlan) -> FloatArray:
    """Arithmetic means of plots by treatment.

    Parameters
    ----------
    values : float array, shape (..., plots, days)
    plan : PlotPlan

    Returns
    -------
    float array, shape (..., treatments, days)
        NaN where no plot of a treatment was assessed.
    """
    known = np.isfinite(values)
    member = plan.treatment[None, :] == np.arange(len(plan.treatments))[:, None]
    number = member.astype(float) @ known
    total = member.astype(float) @ np.where(known, values, 0.0)
    means: FloatArray = np.divide(total, number, out=np.full(total.shape, np.nan), where=number > 0)
    return means


def count_responses(assessed: tuple[Assessed, ...]) -> list[Response]:
    """One response for each variable and day."""
    return [
        Response(variable=item.variable, measure="count", day=float(day), values=item.values[:, j])
        for item in assessed
        for j, day in enumerate(item.days)
    ]


def areas_under_curves(
    assessed: tuple[Assessed, ...],
) -> tuple[tuple[Assessed, areas.PestDays], ...]:
    """Pest-days of every plot, for each variable with two assessments or more."""
    return tuple(
        (item, areas.pest_days(item.days, item.values)) for item in assessed if item.days.size > 1
    )


def areas_above_thresholds(
    curves: tuple[tuple[Assessed, areas.PestDays], ...],
) -> dict[str, areas.AboveThreshold]:
    """Time and area above the threshold of every plot, for each such variable that has one."""
    return {
        item.variable.name: areas.above_threshold(item.days, item.values, item.variable.threshold)
        for item, _ in curves
        if item.variable.threshold is not None
    }


def area_responses(curves: tuple[tuple[Assessed, areas.PestDays], ...]) -> list[Response]:
    """One response for the pest-days of each variable.

    Where a plot lacks the first or last assessment its span is shorter: what is compared is
    its value per day, brought to the span of the whole trial, which is the pest-days
    themselves wherever nothing is missing.
    """
    responses = []
    for item, area in curves:
        span = float(np.nanmax(area.days)) if np.isfinite(area.days).any() else np.nan
        whole = area.days == span
        values = np.where(whole, area.pest_days, area.per_day * span)
        responses.append(
            Response(variable=item.variable, measure="pest_days", day=np.nan, values=values)
        )
    return responses


def yield_responses(trial: Trial, plan: PlotPlan, harvested: FloatArray | None) -> list[Response]:
    """One response for each yield variable, and one for the masses as harvested."""
    responses = []
    by_variable: dict[str, dict[str, float]] = {}
    columns = (trial.yields[name].to_list() for name in ("variable", "plot", "value"))
    for name, plot, value in zip(*columns, strict=True):
        by_variable.setdefault(name, {})[plot] = value
    for variable in trial.variables:
        by_plot = by_variable.get(variable.name)
        if by_plot is None:
            continue
        values = np.array([by_plot.get(plot, np.nan) for plot in plan.plots], dtype=float)
        responses.append(Response(variable=variable, measure="yield", day=np.nan, values=values))
    if harvested is not None and np.isfinite(harvested).any():
        responses.append(
            Response(
                variable=harvest_variable(trial), measure="yield", day=np.nan, values=harvested
            )
        )
    return responses
