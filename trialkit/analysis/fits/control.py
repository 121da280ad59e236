"""Percent control by treatment and day, by every method that the data allow."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.fits.courses import (
    Course,
    allowed_methods,
    chosen_method,
    control_limits,
    formula_of,
)
from trialkit.analysis.plots.responses import Assessed, FloatArray, PlotPlan, treatment_means
from trialkit.analysis.result import table_of_parts
from trialkit.inference.comparisons.adjust import holm
from trialkit.measures import control as formulas
from trialkit.problems import Problem, warning
from trialkit.trial import ControlMethod, Kind, Settings, VariableRole

#: Roles of the variables on which control is computed.
CONTROLLED = (VariableRole.PEST, VariableRole.DAMAGE)
#: Below this aggregation k, and below so many individuals in an untreated plot, intervals were
#: wider in simulation than they need be.
LEAST_AGGREGATION = 0.4
LEAST_INDIVIDUALS = 2.5
#: What the laws of ratios tell of percent control, as the table names it.
INTERVALS = ("lower", "upper", "p_untreated", "p_target", "p_reference")


@dataclass(frozen=True, kw_only=True, eq=False)
class Controlled:
    """Percent control of one variable by one method.

    Attributes
    ----------
    item : Assessed
    days : float array, shape (days,)
        Days after treatment.
    method : ControlMethod
    chosen : bool
        Whether this is the method that the report shows.
    percent : float array, shape (treatments, days)
        NaN where undefined; of the untreated itself 0.
    reason : object array, shape (treatments, days)
        Why it is undefined; empty elsewhere.
    intervals : mapping of str to float array, shape (treatments, days)
        Limits and p-values, by the names in `INTERVALS`; NaN where there is no percent, or no
        course is known.
    note : object array, shape (days,)
        What is to be known of the intervals of a day; None elsewhere.
    """

    item: Assessed
    days: FloatArray
    method: ControlMethod
    chosen: bool
    percent: FloatArray
    reason: NDArray[np.object_]
    intervals: Mapping[str, FloatArray]
    note: NDArray[np.object_]


def percent_control(
    means: FloatArray,
    item: Assessed,
    untreated: int,
    method: ControlMethod,
    course: Course | None = None,
) -> formulas.Control:
    """Percent control after treatment by one of the formulas that the data allow.

    Parameters
    ----------
    means : float array, shape (..., treatments, days)
        Means on all days of the variable.
    item : Assessed
    untreated : int
    method : ControlMethod
    course : Course, optional
        That of the variable, whose slope `ControlMethod.ADJUSTED` needs.

    Returns
    -------
    Control
        Of shape (..., treatments, days after treatment).
    """
    after = item.days > 0
    treated, check = means[..., after], means[..., [untreated], :][..., after]
    if method is ControlMethod.ABBOTT or item.baseline is None:
        return formulas.abbott(treated, check)
    before = means[..., [item.baseline]]
    counts = treated, before, check, before[..., [untreated], :]
    if method is ControlMethod.ADJUSTED and course is not None and course.start is not None:
        return formulas.adjusted(*counts, course.start.power)
    # All others come to the same fraction. Schneider-Orelli's, of percent dead since the count
    # before treatment (signed where numbers rose), does not cancel in this form where nearly all
    # of the untreated are dead.
    return formulas.henderson_tilton(*counts)


def control_by_method(
    assessed: tuple[Assessed, ...],
    plan: PlotPlan,
    settings: Settings,
    courses: Mapping[str, Course],
) -> tuple[Controlled, ...]:
    """Percent control of pests and damage by every method that the data allow.

    Intervals and p-values come from the laws of the ratios: ``p_untreated`` for no control at
    all, ``p_reference`` for control as that of the reference (the first with that role), both
    two-sided and the latter adjusted over treatments and days (Holm); ``p_target`` is small where
    control above the target was shown.
    """
    if plan.untreated is None:
        return ()
    found = []
    for item in assessed:
        if item.variable.role not in CONTROLLED or not (item.days > 0).any():
            continue
        course = courses.get(item.variable.name)
        shown = chosen_method(settings.control, item, course)
        made: dict[ControlMethod, Controlled] = {}
        for method in allowed_methods(item, course):
            formula = formula_of(method)
            if formula not in made:
                made[formula] = _controlled(item, course, formula, plan.untreated, plan, settings)
            found.append(replace(made[formula], method=method, chosen=method is shown))
    return tuple(found)


def control_table(controlled: tuple[Controlled, ...], plan: PlotPlan) -> pd.DataFrame:
    """Percent control of every treatment but the untreated, on every day after treatment."""
    ids = [plan.treatments[code] for code in plan.others]

    def rows(values: NDArray[Any]) -> NDArray[Any]:
        return values[plan.others].T.ravel()

    parts: list[dict[str, Sized]] = []
    for part in controlled:
        size = len(ids) * part.days.size
        parts.append(
            {
                "variable": [part.item.variable.name] * size,
                "days_after": np.repeat(part.days, len(ids)),
                "treatment": ids * part.days.size,
                "method": [part.method.value] * size,
                "percent": rows(part.percent),
                "reason": [text or None for text in rows(part.reason)],
                "chosen": [part.chosen] * size,
                **{name: rows(values) for name, values in part.intervals.items()},
                "note": np.repeat(part.note, len(ids)),
            }
        )
    return table_of_parts("control", parts)


def control_problems(
    assessed: tuple[Assessed, ...], settings: Settings, courses: Mapping[str, Course]
) -> tuple[Problem, ...]:
    """Say where another method than the one asked for had to be shown."""
    asked = settings.control
    return tuple(
        warning(
            "control-method",
            f"{item.variable.label}: percent control by {asked.value} was asked for, which the "
            "counts do not allow"
            + (": there is none before treatment." if item.baseline is None else "."),
            f"It is shown by {chosen_method(asked, item, course).value}.",
        )
        for item, course in ((item, courses.get(item.variable.name)) for item in assessed)
        if item.variable.role in CONTROLLED
        and (item.days > 0).any()
        and asked is not ControlMethod.AUTO
        and asked not in allowed_methods(item, course)
    )


def _controlled(
    item: Assessed,
    course: Course | None,
    method: ControlMethod,
    untreated: int,
    plan: PlotPlan,
    settings: Settings,
) -> Controlled:
    means = treatment_means(item.values, plan)
    control = percent_control(means, item, untreated, method, course)
    days: FloatArray = item.days[item.days > 0]
    note = np.full(days.size, None, dtype=object)
    found = dict.fromkeys(INTERVALS, np.full(control.percent.shape, np.nan))
    if course is not None:
        found |= _intervals(course, method, control.percent, plan, settings)
        note = _cautions(course, means[untreated, item.days > 0])
    return Controlled(
        item=item,
        days=days,
        method=method,
        chosen=False,
        percent=control.percent,
        reason=control.reason,
        intervals=found,
        note=note,
    )


def _intervals(
    course: Course,
    method: ControlMethod,
    percent: FloatArray,
    plan: PlotPlan,
    settings: Settings,
) -> dict[str, FloatArray]:
    if plan.untreated is None:
        return {}
    known = np.isfinite(percent)
    law = course.ratios(plan.untreated, method)
    lower, upper = control_limits(law, settings.alpha)
    # Nothing left is 100 % in this trial; the true control is at most that.
    upper = np.maximum(upper, np.where(known, percent, -np.inf))
    found = {
        "lower": lower,
        "upper": upper,
        "p_untreated": law.two_sided(1.0),
        "p_target": 1.0 - law.below(1.0 - settings.control_target / 100.0),
    }
    if plan.reference is not None:
        # Control is the same where the ratio of the two is 1.
        single = course.ratios(plan.reference, method).two_sided(1.0)
        single[[code for code in (plan.reference, plan.untreated) if code is not None]] = np.nan
        # One sign among many: adjusted over treatments and days.
        found["p_reference"] = holm(single.reshape(-1, 1)).reshape(single.shape)
    return {name: np.where(known, part, np.nan) for name, part in found.items()}


def _cautions(course: Course, check: FloatArray) -> NDArray[np.object_]:
    """Say of each day after treatment where intervals are known to be too wide, (days,).

    ``check`` are the means of the untreated on those days.
    """
    crowded = (
        f"plots differ so much from each other (aggregation k = {course.aggregation:.2f}) "
        "that the interval is conservative: it covers more often than it says"
    )
    few = (
        "fewer than 2.5 individuals in an untreated plot: the interval is conservative and "
        "the tests seldom find a difference"
    )
    counted = course.item.variable.kind is Kind.COUNT
    scarce = counted & (check / course.unit < LEAST_INDIVIDUALS)
    found = np.full(check.size, None, dtype=object)
    if course.aggregation < LEAST_AGGREGATION:
        found[:] = crowded
    found[scarce] = few
    return found
