"""Where treatments differ in variance: comparisons that allow for it, and what to believe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import Part, comparison_table, in_order, response_keys
from trialkit.analysis.plots.responses import Assessed, IntArray
from trialkit.analysis.result import empty_table
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.unequal_variances import (
    TreatmentVariances,
    compare_unequal,
    treatment_variances,
)
from trialkit.inference.design.scales import by_column, forward
from trialkit.numerals import number, p_value
from trialkit.problems import Problem, warning
from trialkit.trial import Comparison

#: Level of the test, over all days of a variable together, that treatments vary alike.
EVIDENCE = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class Unequal:
    """Table ``unequal_comparisons``, and what is to be known."""

    table: pd.DataFrame
    problems: tuple[Problem, ...] = ()


def unequal_tables(basis: Basis) -> Unequal:
    """Compare treatments with variances of their own, for variables where these differ.

    Only in designs with one error, and for variables with two days or more: the evidence, and the
    variances, come from all of them together.
    """
    if basis.tested is None or basis.plan.layout.units:
        return Unequal(table=empty_table("unequal_comparisons"))
    parts: list[Part] = []
    problems = []
    for item in basis.assessed:
        if item.days.size < 2:
            continue
        columns = _columns_of(basis, item)
        values = np.column_stack([basis.responses[column].values for column in columns])
        values = by_column(forward, [basis.scales[column] for column in columns], values)
        found = treatment_variances(basis.plan.layout, values)
        # Evidence needs less than the variances do: they may not be had where plots are few.
        if found.p < EVIDENCE and np.isfinite(found.share).any():
            parts += _compared(basis, columns, values, found)
            problems.append(_warning(basis, item, found))
    return Unequal(table=in_order("unequal_comparisons", parts), problems=tuple(problems))


def _columns_of(basis: Basis, item: Assessed) -> IntArray:
    """Places of the days of a variable among the responses."""
    return np.array(
        [
            place
            for place, response in enumerate(basis.responses)
            if response.measure == "count" and response.variable.name == item.variable.name
        ],
        dtype=np.intp,
    )


def _compared(
    basis: Basis, columns: IntArray, values: np.ndarray, found: TreatmentVariances
) -> list[Part]:
    plan, settings = basis.plan, basis.settings
    chosen = settings.comparison
    wanted: list[tuple[Method, int | None]] = []
    if chosen not in {Comparison.NONE, Comparison.DUNNETT}:
        wanted.append((Method(chosen.value), None))
    if chosen is not Comparison.NONE and plan.untreated is not None:
        wanted.append((Method.DUNNETT, plan.untreated))
    keys = response_keys(basis.responses, basis.scales)
    return [
        comparison_table(
            compare_unequal(
                plan.layout, values, found, method, alpha=settings.alpha, control=control
            ),
            columns,
            plan.treatments,
            keys,
        )
        for method, control in wanted
    ]


def _warning(basis: Basis, item: Assessed, found: TreatmentVariances) -> Problem:
    share = found.share
    most, least = int(np.nanargmax(share)), int(np.nanargmin(share))
    names = basis.plan.treatments
    return warning(
        "unequal-variances",
        f"{item.variable.label}: over all days together, plots of some treatments vary more "
        f"than those of others ({p_value(found.p)}). Those of {names[most]} have "
        f"{number(float(share[most]))} times the mean variance, those of {names[least]} "
        f"{number(float(share[least]))} times. The analysis of variance assumes that all vary "
        "alike. It then finds too many differences with treatments of large variance, and "
        "too few among the others. Its F tests, those of courses too, reject too often.",
        "Rely on the comparisons with a variance for each treatment (table "
        "unequal_comparisons), or set a scale on which treatments vary alike.",
    )
