"""How long each treatment held the target, from a course fitted to its percent control."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.control import Controlled
from trialkit.analysis.fits.courses import Course
from trialkit.analysis.plots.responses import FloatArray, IntArray
from trialkit.analysis.result import table_of_parts
from trialkit.inference.courses.declines import Declines, declines
from trialkit.inference.courses.evidence import course_evidence
from trialkit.inference.courses.pairs import (
    DayDifferences,
    day_differences,
    day_limits,
)
from trialkit.inference.courses.ratios import ratios
from trialkit.measures.persistence import Persistence, persistence
from trialkit.trial import ControlMethod, Kind

#: What a day was read from, as the table names it.
LINE, HINGE, LATER, AS_SEEN, BETWEEN = (
    "line over all assessments",
    "level, then a line",
    "line from the highest control on",
    "as seen, made to fall",
    "between assessments",
)
BELOW = "the course fitted to all assessments stays below the target"
#: Assessments after treatment that a course needs, and those of a treatment.
_FEWEST = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedDays:
    """Days on which the fitted courses of the treatments pass the target.

    Attributes
    ----------
    found : Declines
    correlation : float array, shape (treatments, treatments)
        Between those days.
    known : bool array, shape (treatments,)
        Which treatments have a course.
    """

    found: Declines
    correlation: FloatArray
    known: NDArray[np.bool_]

    def compare(self, a: IntArray, b: IntArray, alpha: float) -> DayDifferences:
        """Days of some treatments less those of others, by their codes."""
        return day_differences(self.found, self.correlation, a, b, 1.0 - alpha)


@dataclass(frozen=True, kw_only=True, eq=False)
class TargetHeld:
    """How long the treatments held the target on one variable, the untreated left out.

    Attributes
    ----------
    control : Controlled
        The percent control that the report shows.
    percent : float array, shape (treatments, days)
        Its course, without the untreated.
    between : Persistence
        What that course says, read between assessments, one element a treatment.
    course : Course or None
        What is known of the means.
    fitted : FittedDays or None
        Courses of all treatments, the untreated among them; None where none can be fitted.
    until : float array, shape (treatments,)
        Day until which the target was held; NaN where it was not reached.
    censored : bool array, shape (treatments,)
        Held to the last assessment.
    """

    control: Controlled
    percent: FloatArray
    between: Persistence
    course: Course | None
    fitted: FittedDays | None
    until: FloatArray
    censored: NDArray[np.bool_]

    @property
    def never(self) -> NDArray[np.bool_]:
        """Treatments with percent control that never reached the target."""
        reached: NDArray[np.bool_] = np.isfinite(self.percent).any(axis=1) & np.isnan(self.until)
        return reached


def targets_held(basis: Basis) -> tuple[TargetHeld, ...]:
    """How long the target was held, for each variable with two days after treatment or more."""
    plan, target = basis.plan, basis.settings.control_target
    found = []
    for control in basis.controlled:
        if not control.chosen or control.days.size < _FEWEST or plan.untreated is None:
            continue
        percent = control.percent[plan.others]
        course = basis.courses.get(control.item.variable.name)
        between = persistence(control.days, percent, target)
        fitted = None
        until, censored = between.holds_until_day, between.censored
        if course is not None:
            fitted = _fitted(basis, control, course, plan.untreated)
        if fitted is not None:
            day, own = fitted.found.day[plan.others], fitted.known[plan.others]
            last = fitted.found.nodes[-1]
            line = np.where(day == np.inf, last, np.where(day == -np.inf, np.nan, day))
            until = np.where(own, line, until)
            censored = np.where(own, day == np.inf, censored)
        found.append(
            TargetHeld(
                control=control,
                percent=percent,
                between=between,
                course=course,
                fitted=fitted,
                until=until,
                censored=censored,
            )
        )
    return tuple(found)


def _fitted(basis: Basis, control: Controlled, course: Course, untreated: int) -> FittedDays | None:
    """Fit courses to the days on which control is defined for anything."""
    item, plan = control.item, basis.plan
    after = np.flatnonzero(item.days > 0)
    defined = np.isfinite(control.percent)
    after = after[defined[plan.others].any(axis=0)]
    left = 1.0 - basis.settings.control_target / 100.0
    if after.size < _FEWEST or not 0.0 < left < 1.0:
        return None
    evidence = course_evidence(
        plan.layout,
        item.values,
        kind="count" if item.variable.kind is Kind.COUNT else "percent",
        unit=course.unit,
        items=item.examined,
        units=plan.units,
    )
    if evidence.df < 0.5:
        return None
    data = ratios(
        evidence, after, untreated, start=item.baseline, power=_start_power(control, course)
    )
    # A treatment without percent control, as nothing was found before it, has no course either.
    data = data.only(defined[:, np.isin(np.flatnonzero(item.days > 0), after)])
    found = declines(item.days[after], data, left)
    return FittedDays(
        found=found,
        correlation=data.correlations(found.influence),
        known=data.known.sum(axis=1) >= _FEWEST,
    )


def _start_power(control: Controlled, course: Course) -> float:
    """To what power the ratio before treatment is raised in the formula of control."""
    if control.method is ControlMethod.ABBOTT or course.item.baseline is None:
        return 0.0
    if control.method is ControlMethod.ADJUSTED and course.start is not None:
        return course.start.power
    return 1.0


def persistence_table(basis: Basis, held: Sequence[TargetHeld]) -> pd.DataFrame:
    """Knockdown, peak, last day at the target and rebound of every treatment.

    ``holds_until_day`` is where the fitted course passes the target, ``interpolated_day`` where
    straight lines between the assessments do. ``lower`` and ``upper`` are the interval of the
    first: a lower limit of 0 says that the target may never have been reached, and no upper limit
    that control may have held beyond the last assessment.
    """
    treatments = [basis.plan.treatments[code] for code in basis.plan.others]
    size = len(treatments)
    parts: list[dict[str, Sized]] = []
    for item in held:
        found = item.between
        parts.append(
            {
                "variable": [item.control.item.variable.name] * size,
                "treatment": treatments,
                "target": [basis.settings.control_target] * size,
                "knockdown_percent": found.knockdown_percent,
                "peak_percent": found.peak_percent,
                "peak_day": found.peak_day,
                "holds_until_day": item.until,
                "censored": [
                    bool(flag) if np.isfinite(day) else None
                    for flag, day in zip(item.censored, item.until, strict=True)
                ],
                "rebound_percent": found.rebound_percent,
                "last_percent": found.last_percent,
                "last_day": found.last_day,
                "reason": _reasons(item),
                "interpolated_day": found.holds_until_day,
                **_of_fit(basis, item),
            }
        )
    return table_of_parts("persistence", parts)


def _reasons(item: TargetHeld) -> list[str | None]:
    """Why there is no day: below the target at every assessment, or by the course alone."""
    return [
        None if np.isfinite(day) else (text or BELOW)
        for day, text in zip(item.until, item.between.reason, strict=True)
    ]


def _of_fit(basis: Basis, item: TargetHeld) -> dict[str, Sized]:
    """Limits of the day, what it was read from, and how well that fits."""
    size = len(item.percent)
    lower, upper, p = (np.full(size, np.nan) for _ in range(3))
    fit = np.full(size, BETWEEN, dtype=object)
    fit[~np.isfinite(item.percent).any(axis=1)] = None
    if item.fitted is not None:
        others, found = basis.plan.others, item.fitted.found
        own = item.fitted.known[others]
        low, high = day_limits(found, 1.0 - basis.settings.alpha)
        lower = np.where(own, low[others], np.nan)
        upper = np.where(own & np.isfinite(high[others]), high[others], np.nan)
        p = np.where(own, found.p_lack_of_fit[others], np.nan)
        fit = np.where(own, _names(found)[others], fit)
    return {"lower": lower, "upper": upper, "fit": fit, "p_lack_of_fit": p}


def _names(found: Declines) -> NDArray[np.object_]:
    shapes = [found.shapes[place] for place in found.shape]
    names = [
        AS_SEEN if seen else LATER if shape.skip else HINGE if shape.hinge else LINE
        for shape, seen in zip(shapes, found.monotone, strict=True)
    ]
    return np.array(names, dtype=object)
