"""Percent control by treatment and day, by every method that the data allow."""

from __future__ import annotations

from collections.abc import Mapping, Sized

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.courses import (
    Course,
    allowed_methods,
    chosen_method,
    limits,
    one_sided,
    two_sided,
)
from trialkit.analysis.responses import Assessed, FloatArray, PlotPlan, treatment_means
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.measures import control as formulas
from trialkit.problems import Problem, warning
from trialkit.trial import ControlMethod, Kind, Settings, VariableRole

#: Roles of the variables on which control is computed.
CONTROLLED = (VariableRole.PEST, VariableRole.DAMAGE)
#: Below this aggregation k, and below so many individuals in an untreated plot, intervals were
#: wider in simulation than they need be.
LEAST_AGGREGATION = 0.4
LEAST_INDIVIDUALS = 2.5


def control_by_method(
    means: FloatArray, item: Assessed, untreated: int
) -> dict[str, formulas.Control]:
    """Percent control after treatment by every formula that the data allow, (treatments, days)."""
    after = np.flatnonzero(item.days > 0)
    treated, check = means[:, after], means[untreated, after]
    found = {ControlMethod.ABBOTT.value: formulas.abbott(treated, check)}
    if item.baseline is None:
        return found
    treated_before = means[:, [item.baseline]]
    check_before = means[untreated, item.baseline]
    four = (treated, treated_before, check, check_before)
    found[ControlMethod.HENDERSON_TILTON.value] = formulas.henderson_tilton(*four)
    found[ControlMethod.SUN_SHEPARD.value] = formulas.sun_shepard(*four)
    if item.variable.kind is Kind.COUNT:
        # Percent dead since the count before treatment, signed where numbers rose: with
        # b = 100 (1 - Ta / Tb) and k = 100 (1 - Ca / Cb) the formula of Schneider-Orelli comes
        # to the same fraction, which does not cancel where k is near 100.
        found[ControlMethod.SCHNEIDER_ORELLI.value] = formulas.henderson_tilton(*four)
    return found


def control_table(
    assessed: tuple[Assessed, ...],
    plan: PlotPlan,
    settings: Settings,
    courses: Mapping[str, Course],
) -> pd.DataFrame:
    """Percent control of every treatment but the untreated, on every day after treatment.

    Intervals and p-values come from the draws of the courses: ``p_untreated`` for no control at
    all, ``p_reference`` for control as that of the reference (the first with that role), both
    two-sided; ``p_target`` is small where control above the target was shown.
    """
    if plan.untreated is None:
        return empty_table("control")
    others = [code for code in range(len(plan.treatments)) if code != plan.untreated]
    ids = [plan.treatments[code] for code in others]
    tables = []
    for item in assessed:
        days = item.days[item.days > 0]
        if item.variable.role not in CONTROLLED or days.size == 0:
            continue
        found = control_by_method(treatment_means(item.values, plan), item, plan.untreated)
        method_shown = chosen_method(settings.control, item).value
        course = courses.get(item.variable.name)
        inside: dict[bool, dict[str, FloatArray]] = {}
        for method, control in found.items():
            size = len(ids) * days.size
            columns: dict[str, Sized] = {
                "variable": [item.variable.name] * size,
                "days_after": np.repeat(days, len(ids)),
                "treatment": ids * days.size,
                "method": [method] * size,
                "percent": control.percent[others].T.ravel(),
                "reason": [text or None for text in control.reason[others].T.ravel()],
                "chosen": [method == method_shown] * size,
            }
            if course is not None:
                # All methods but Abbott's come to the same fraction, with the same draws.
                corrected = method != ControlMethod.ABBOTT.value
                if corrected not in inside:
                    drawn = course.control(plan.untreated, ControlMethod(method))
                    inside[corrected] = _intervals(drawn, control.percent, plan, settings)
                columns |= {
                    name: part[others].T.ravel() for name, part in inside[corrected].items()
                }
                columns["note"] = np.repeat(_cautions(course, plan.untreated, plan), len(ids))
            tables.append(make_table("control", columns))
    return join_tables("control", tables)


def control_problems(assessed: tuple[Assessed, ...], settings: Settings) -> tuple[Problem, ...]:
    """Say where another method than the one asked for had to be shown."""
    asked = settings.control
    return tuple(
        warning(
            "control-method",
            f"Percent control of {item.variable.name} by {asked.value} was asked for, which its "
            "counts do not allow"
            + (": there is none before treatment." if item.baseline is None else "."),
            f"It is shown by {chosen_method(asked, item).value}.",
        )
        for item in assessed
        if item.variable.role in CONTROLLED
        and (item.days > 0).any()
        and asked is not ControlMethod.AUTO
        and asked not in allowed_methods(item)
    )


def _intervals(
    drawn: FloatArray,
    percent: FloatArray,
    plan: PlotPlan,
    settings: Settings,
) -> dict[str, FloatArray]:
    known = np.isfinite(percent)
    lower, upper = limits(drawn, settings.alpha)
    # Nothing left is 100 % in this trial; the true control is at most that.
    upper = np.maximum(upper, np.where(known, percent, -np.inf))
    found = {
        "lower": lower,
        "upper": upper,
        "p_untreated": two_sided(drawn),
        "p_target": one_sided(drawn, settings.control_target),
    }
    if plan.reference is not None:
        found["p_reference"] = two_sided(drawn - drawn[:, [plan.reference]])
        found["p_reference"][plan.reference] = np.nan
    return {name: np.where(known, part, np.nan) for name, part in found.items()}


def _cautions(course: Course, untreated: int, plan: PlotPlan) -> NDArray[np.object_]:
    """Say of each day after treatment where intervals are known to be too wide, (days,)."""
    crowded = (
        f"plots differ so much from each other (aggregation k = {course.aggregation:.2f}) that the "
        "interval is wider than it need be: it covers more often than it says"
    )
    few = (
        "fewer than 2.5 individuals in an untreated plot: the interval is wider than it need be "
        "and the tests seldom find a difference"
    )
    check = treatment_means(course.item.values, plan)[untreated, course.item.days > 0]
    counted = course.item.variable.kind is Kind.COUNT
    scarce = counted & (check / course.unit < LEAST_INDIVIDUALS)
    found = np.full(check.size, None, dtype=object)
    if course.aggregation < LEAST_AGGREGATION:
        found[:] = crowded
    found[scarce] = few
    return found
