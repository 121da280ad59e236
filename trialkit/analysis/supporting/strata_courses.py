"""Split-plots and strip-plots: whether levels of the factors differ in course over the days."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from trialkit.analysis.plots.responses import FloatArray
from trialkit.inference.design.layout import Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.mixed import FixedTest
from trialkit.inference.normal.repeated_strata import (
    SOURCES,
    StrataCourses,
    StrataCourseTerm,
    strata_courses,
)
from trialkit.inference.normal.repeated_strata_reml import StrataStructure, strata_courses_reml

#: Source, test, degrees of freedom, F, p, whether the report speaks of it, and a note.
Row = tuple[str, str, float, float, float, float, bool, str | None]
#: Covariances tried by REML, one after the other until one settles, with their names.
_STRUCTURES: tuple[tuple[StrataStructure, str], ...] = (
    ("autoregressive", "REML, plot-autoregressive"),
    ("independent", "REML, compound-symmetry"),
)


def strata_course_rows(
    layout: Layout, values: FloatArray, days: FloatArray, *, most_effects: int, reml: bool
) -> list[Row]:
    """Test levels and courses of the factors of one variable.

    Where every plot was assessed on all days, a split-plot in time with the degrees of freedom
    of Greenhouse and Geisser (chosen) and of Huynh and Feldt, each source against its own error;
    where plots miss days, REML with all observations (chosen) and the same of the main plots
    (blocks of strips) that miss nothing.

    Parameters
    ----------
    layout : Layout
    values : float array, shape (plots, days)
    days : float array, shape (days,)
    most_effects : int
        No REML where combinations and groups of plots over the days are more than these.
    reml : bool
        Whether REML is wanted where plots miss days.
    """
    univariate = strata_courses(layout, values)
    by_reml: list[Row] = []
    groups = sum(np.unique(codes).size - 1 for _, codes in layout.blocking)
    effects = (layout.n_cells + groups) * days.size
    if reml and np.isnan(values).any() and effects <= most_effects:
        by_reml = _by_reml(layout, values, days)
    return [*_in_time(univariate, layout, chosen=not by_reml), *by_reml]


def _in_time(fit: StrataCourses, layout: Layout, *, chosen: bool) -> list[Row]:
    note = None
    if fit.n_left_out:
        whole = "main plots" if len(layout.units) == 1 else "blocks"
        note = (
            f"{fit.n_left_out} of {fit.n_plots + fit.n_left_out} plots were left out: their "
            f"{whole} miss a day"
        )
    rows: list[Row] = []
    for source in SOURCES:
        rows.append(_line(fit.term(source), "split-plot in time", 1.0, note, chosen=chosen))
    for source in SOURCES:
        course = fit.term(f"{source}:day")
        rows.append(_line(course, "split-plot in time", 1.0, note, chosen=False))
        rows.append(
            _line(
                course, "Greenhouse-Geisser", course.epsilon_gg, note, chosen=chosen, p=course.p_gg
            )
        )
        rows.append(
            _line(course, "Huynh-Feldt", course.epsilon_hf, note, chosen=False, p=course.p_hf)
        )
    return rows


def _line(
    term: StrataCourseTerm,
    test: str,
    epsilon: float,
    note: str | None,
    *,
    chosen: bool,
    p: float | None = None,
) -> Row:
    return (
        term.source,
        test,
        term.df * epsilon,
        term.df_error * epsilon,
        term.F,
        term.p if p is None else p,
        chosen,
        note,
    )


def _by_reml(layout: Layout, values: FloatArray, days: FloatArray) -> list[Row]:
    """Levels and courses by REML; nothing where it does not settle."""
    for structure, name in _STRUCTURES:
        try:
            fit = strata_courses_reml(layout, values, days, structure=structure)
        except NotEstimable:
            continue
        if fit.fit.converged and all(np.isfinite(test.p) for test in fit.terms):
            return reml_rows(fit.terms, name, values)
    return []


def reml_rows(tests: Iterable[FixedTest], how: str, values: FloatArray) -> list[Row]:
    """Rows of tests by REML, each with the number of observations behind it."""
    note = f"{int(np.isfinite(values).sum())} observations"
    return [
        (
            test.source,
            how,
            float(test.df),
            test.df_error,
            test.F,
            test.p,
            True,
            f"{note}; {test.note}" if test.note else note,
        )
        for test in tests
    ]
