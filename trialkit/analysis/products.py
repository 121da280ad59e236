"""What the carrier did, and what products added to it; percent control with its draws."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import Course, limits, method_of, two_sided
from trialkit.analysis.responses import FloatArray
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.trial import TreatmentRole, VariableRole


def pests(basis: Basis) -> Iterator[Course]:
    """Courses of the pests, in the order of the trial."""
    for course in basis.courses.values():
        if course.item.variable.role is VariableRole.PEST:
            yield course


def targets(basis: Basis) -> Iterator[Course]:
    """Courses of the pests; where none was assessed, of the damage."""
    found = list(pests(basis))
    damaged = (
        course
        for course in basis.courses.values()
        if course.item.variable.role is VariableRole.DAMAGE
    )
    yield from found or damaged


class Shown:
    """Percent control that the report shows, with the draws behind it."""

    def __init__(self, basis: Basis, course: Course, untreated: int) -> None:
        self.method = method_of(course, basis.settings)
        self.days = course.after
        self.draws = course.control(untreated, self.method)
        self.percent = np.zeros((len(basis.plan.treatments), self.days.size))
        control = basis.control_of(course.item.variable.name)
        if control is not None:
            self.percent[basis.plan.others] = control.percent[basis.plan.others]
        self.alpha = basis.settings.alpha

    def interval(
        self, draws: FloatArray, estimate: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Limits and p-value, NaN where there is no estimate."""
        known = np.isfinite(estimate)
        lower, upper = limits(draws, self.alpha)
        p = two_sided(draws)
        return (
            np.where(known, lower, np.nan),
            np.where(known, upper, np.nan),
            np.where(known, p, np.nan),
        )


def carrier_table(basis: Basis) -> pd.DataFrame:
    """Control split into what the carrier did and what the product added to it.

    ``added_percent`` is control against the carrier instead of the untreated, and the interval
    and ``p`` are of it: the share of the pest left by the carrier that the product took away.
    """
    plan = basis.plan
    carriers = [
        plan.treatments.index(item.id)
        for item in basis.trial.treatments
        if item.role is TreatmentRole.CARRIER
    ]
    if plan.untreated is None or not carriers:
        return empty_table("carrier")
    tables = []
    for course in targets(basis):
        shown = Shown(basis, course, plan.untreated)
        for carrier in carriers:
            against = course.control(carrier, shown.method)
            for code, treatment in enumerate(plan.treatments):
                if code in carriers or code == plan.untreated:
                    continue
                left = 1.0 - shown.percent[code] / 100.0, 1.0 - shown.percent[carrier] / 100.0
                positive = left[1] > 0
                added = np.where(
                    positive, 100.0 * (1.0 - left[0] / np.where(positive, left[1], 1.0)), np.nan
                )
                lower, upper, p = shown.interval(against[:, code], added)
                size = shown.days.size
                tables.append(
                    make_table(
                        "carrier",
                        {
                            "variable": [course.item.variable.name] * size,
                            "days_after": shown.days,
                            "treatment": [treatment] * size,
                            "carrier": [plan.treatments[carrier]] * size,
                            "percent": shown.percent[code],
                            "carrier_percent": shown.percent[carrier],
                            "added_percent": added,
                            "lower": lower,
                            "upper": np.maximum(upper, added),
                            "p": p,
                            "reason": [
                                None if np.isfinite(value) else "not defined on this day"
                                for value in added
                            ],
                        },
                    )
                )
    return join_tables("carrier", tables)
