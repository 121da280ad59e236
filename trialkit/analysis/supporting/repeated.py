"""Whether treatments, or the factors, differ in course over the days, not only on single days."""

from __future__ import annotations

from collections.abc import Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray
from trialkit.analysis.result import empty_table, make_table
from trialkit.analysis.supporting.covariate import scale_of
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import forward
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.repeated_reml import StructureName, repeated_reml
from trialkit.inference.normal.split_plot_in_time import (
    CourseTerm,
    RepeatedFit,
    course_sources,
    repeated_measures,
)
from trialkit.trial import VariableRole

#: Source, test, degrees of freedom, F, p, whether the report speaks of it, and a note.
Row = tuple[str, str, float, float, float, float, bool, str | None]
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
    takes half a second a variable. In split-plots and strip-plots each factor by itself, against
    its own error.
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
            rows = _tests(layout, values[:, kept], item.days[after][kept], reml=pest)
            named += [(item.variable.name, row) for row in rows]
    columns: dict[str, Sized] = {
        name: [row[i] for _, row in named]
        for i, name in enumerate(("source", "test", "df", "df_error", "F", "p", "chosen", "note"))
    }
    return make_table("course_tests", {"variable": [name for name, _ in named], **columns})


def _tests(layout: Layout, values: FloatArray, days: FloatArray, *, reml: bool) -> list[Row]:
    univariate = repeated_measures(layout, values)
    by_reml = _by_reml(layout, values, days) if reml and np.isnan(values).any() else []
    return [*_in_time(univariate, layout, chosen=not by_reml), *by_reml]


def _in_time(fit: RepeatedFit, layout: Layout, *, chosen: bool) -> list[Row]:
    note, sources = _left_out(fit, layout), course_sources(layout)
    rows = [_row(fit.term(source), "split-plot in time", chosen=chosen) for source in sources]
    for source in sources:
        course = fit.term(f"{source}:day")
        gg, hf = (course.epsilon_gg, course.p_gg), (course.epsilon_hf, course.p_hf)
        rows.append(_row(course, "split-plot in time", chosen=False))
        rows.append(_row(course, "Greenhouse-Geisser", gg, chosen=chosen))
        rows.append(_row(course, "Huynh-Feldt", hf, chosen=False))
    return [(*row, note) for row in rows]


def _left_out(fit: RepeatedFit, layout: Layout) -> str | None:
    """Say how many plots were left out, and for what."""
    if not fit.n_left_out:
        return None
    number = f"{fit.n_left_out} of {fit.n_plots + fit.n_left_out} plots"
    if not layout.units:
        return f"{number} miss a day and were left out"
    whole = "main plots" if len(layout.units) == 1 else "blocks"
    return f"{number} were left out: their {whole} miss a day"


def _row(
    term: CourseTerm, test: str, corrected: tuple[float, float] | None = None, *, chosen: bool
) -> tuple[str, str, float, float, float, float, bool]:
    """Line of a term, with epsilon and p of a correction where there is one."""
    epsilon, p = corrected or (1.0, term.p)
    return term.source, test, term.df * epsilon, term.df_error * epsilon, term.F, p, chosen


def _by_reml(layout: Layout, values: FloatArray, days: FloatArray) -> list[Row]:
    """Levels and courses by REML; nothing where it does not settle or would take too long."""
    groups = sum(np.unique(codes).size - 1 for _, codes in layout.blocking)
    if (layout.n_cells + groups) * days.size > MOST_EFFECTS:
        return []
    sources = course_sources(layout)
    for structure in STRUCTURES:
        try:
            fit = repeated_reml(layout, values, days, structure=structure)
        except NotEstimable:
            continue
        found = [fit.term(name) for name in (*sources, *(f"{source}:day" for source in sources))]
        if fit.fit.converged and all(np.isfinite(test.p) for test in found):
            seen = f"{int(np.isfinite(values).sum())} observations"
            return [
                (
                    test.source,
                    f"REML, {structure}",
                    float(test.df),
                    test.df_error,
                    test.F,
                    test.p,
                    True,
                    f"{seen}; {test.note}" if test.note else seen,
                )
                for test in found
            ]
    return []
