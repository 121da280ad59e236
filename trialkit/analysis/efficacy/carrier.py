"""What the carrier did, and what products added to it; percent control as it is shown."""

from __future__ import annotations

from collections.abc import Iterator, Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.courses import Course, control_limits, method_of
from trialkit.analysis.result import empty_table, table_of_parts
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
    """Percent control that the report shows."""

    def __init__(self, basis: Basis, course: Course) -> None:
        self.method = method_of(course, basis.settings)
        self.days = course.after
        self.percent = np.zeros((len(basis.plan.treatments), self.days.size))
        control = basis.control_of(course.item.variable.name)
        if control is not None:
            self.percent[basis.plan.others] = control.percent[basis.plan.others]
        self.alpha = basis.settings.alpha


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
    ids = np.array(plan.treatments, dtype=object)
    products = [code for code in plan.others if code not in carriers]
    parts: list[dict[str, Sized]] = []
    for course in targets(basis):
        shown = Shown(basis, course)
        percent = shown.percent[products]
        for carrier in carriers:
            left = 1.0 - percent / 100.0, 1.0 - shown.percent[carrier] / 100.0
            positive = left[1] > 0
            added = np.where(
                positive, 100.0 * (1.0 - left[0] / np.where(positive, left[1], 1.0)), np.nan
            )
            law = course.ratios(carrier, shown.method)
            known = np.isfinite(added)
            lower, upper, p = (
                np.where(known, part[products], np.nan)
                for part in (*control_limits(law, shown.alpha), law.two_sided(1.0))
            )
            parts.append(
                {
                    "variable": [course.item.variable.name] * added.size,
                    "days_after": np.tile(shown.days, len(products)),
                    "treatment": np.repeat(ids[products], shown.days.size),
                    "carrier": [plan.treatments[carrier]] * added.size,
                    "percent": percent.ravel(),
                    "carrier_percent": np.tile(shown.percent[carrier], len(products)),
                    "added_percent": added.ravel(),
                    "lower": lower.ravel(),
                    "upper": np.maximum(upper, added).ravel(),
                    "p": p.ravel(),
                    "reason": [
                        None if np.isfinite(value) else "not defined on this day"
                        for value in added.ravel()
                    ],
                }
            )
    return table_of_parts("carrier", parts)
