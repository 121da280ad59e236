"""Whether treatments differ in course over the days, not only on single days."""

from __future__ import annotations

from collections.abc import Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray
from trialkit.analysis.result import empty_table, make_table
from trialkit.analysis.supporting.covariate import scale_of
from trialkit.analysis.supporting.strata_courses import Row, reml_rows, strata_course_rows
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import forward
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.repeated_reml import StructureName, repeated_reml
from trialkit.inference.normal.split_plot_in_time import RepeatedFit, repeated_measures
from trialkit.trial import VariableRole

#: The lines of the table: treatments with days averaged, and their courses over the days.
LEVEL, COURSE = "treatment", "treatment:day"
#: Covariances tried by REML, one after the other until one settles.
STRUCTURES: tuple[StructureName, ...] = ("plot-autoregressive", "compound-symmetry")
#: REML takes time in proportion to the cube of this number of treatment and block effects.
MOST_EFFECTS = 240


def course_table(basis: Basis) -> pd.DataFrame:
    """Test of level and course of every variable with two days or more after treatment.

    Where all plots were assessed on all days, a split-plot in time with the degrees of freedom of
    Greenhouse and Geisser (chosen) and of Huynh and Feldt; where plots miss days, for pests REML
    with days correlated by their distance and all observations (chosen), and the split-plot in
    time of the complete plots beside it; other variables keep to the complete plots, since REML
    takes half a second a variable. In split-plots and strip-plots each factor by itself, see
    `strata_course_rows`.
    """
    if basis.tested is None:
        return empty_table("course_tests")
    layout = basis.plan.layout
    named: list[tuple[str, Row]] = []
    for item in basis.assessed:
        after = np.flatnonzero(item.days > 0)
        values = forward(scale_of(basis, item), item.values[:, after])
        kept = np.isfinite(values).any(axis=0)
        if kept.sum() >= 2:
            pest = item.variable.role is VariableRole.PEST
            part, days = values[:, kept], item.days[after][kept]
            if layout.units:
                rows = strata_course_rows(layout, part, days, most_effects=MOST_EFFECTS, reml=pest)
            else:
                rows = _tests(layout, part, days, reml=pest)
            named += [(item.variable.name, row) for row in rows]
    columns: dict[str, Sized] = {
        name: [row[i] for _, row in named]
        for i, name in enumerate(("source", "test", "df", "df_error", "F", "p", "chosen", "note"))
    }
    return make_table("course_tests", {"variable": [name for name, _ in named], **columns})


def _tests(layout: Layout, values: FloatArray, days: FloatArray, *, reml: bool) -> list[Row]:
    univariate = repeated_measures(layout, values, days)
    missing = bool(np.isnan(values).any())
    by_reml = _reml(layout, values, days) if missing and reml else []
    return [*_univariate(univariate, chosen=not by_reml), *by_reml]


def _univariate(fit: RepeatedFit, *, chosen: bool) -> list[Row]:
    level, course = fit.term(LEVEL), fit.term(COURSE)
    total = fit.plots.size + fit.n_left_out
    note = None
    if fit.n_left_out:
        note = f"{fit.n_left_out} of {total} plots miss a day and were left out"
    rows: list[Row] = [
        (
            LEVEL,
            "split-plot in time",
            level.df,
            level.df_error,
            level.F,
            level.p,
            chosen,
            note,
        ),
        (
            COURSE,
            "split-plot in time",
            course.df,
            course.df_error,
            course.F,
            course.p,
            False,
            note,
        ),
    ]
    for name, epsilon, p in (
        ("Greenhouse-Geisser", fit.epsilon_gg, course.p_gg),
        ("Huynh-Feldt", fit.epsilon_hf, course.p_hf),
    ):
        rows.append(
            (
                COURSE,
                name,
                course.df * epsilon,
                course.df_error * epsilon,
                course.F,
                p,
                chosen and name == "Greenhouse-Geisser",
                note,
            )
        )
    return rows


def _reml(layout: Layout, values: FloatArray, days: FloatArray) -> list[Row]:
    """Level and course by REML; nothing where it does not settle or would take too long."""
    groups = sum(np.unique(codes).size - 1 for _, codes in layout.blocking)
    if (layout.n_treatments + groups) * days.size > MOST_EFFECTS:
        return []
    for structure in STRUCTURES:
        try:
            fit = repeated_reml(layout, values, days, structure=structure)
        except NotEstimable:
            continue
        found = [fit.term(LEVEL), fit.term(COURSE)]
        if fit.fit.converged and all(np.isfinite(test.p) for test in found):
            return reml_rows(found, f"REML, {structure}", values)
    return []
