"""By which formula percent control is shown, and what the others would give."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.control import Controlled
from trialkit.analysis.fits.courses import chosen_method
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import empty_table, make_table
from trialkit.problems import Problem, warning
from trialkit.trial import ControlMethod, Trial

#: Why a formula is shown.
ASKED = "asked for"
NOT_ALLOWED = "the one asked for is not allowed by the data"
NO_START = "no count before treatment"
NOT_TOLD = "the plots do not show whether counts before treatment predict later ones"
NOTHING_BEFORE = "none in the untreated before treatment"
FORETOLD = "slope nearer 1 than 0"
NOT_FORETOLD = "slope nearer 0 than 1"
#: What stands beside it.
UNEVEN = "treatments differed before treatment"
ONLY_ABBOTT = "only abbott is defined"

#: Formulas whose widths are compared, and their columns.
_WIDTHS = {
    "width_abbott": ControlMethod.ABBOTT,
    "width_adjusted": ControlMethod.ADJUSTED,
    "width_henderson_tilton": ControlMethod.HENDERSON_TILTON,
}


def control_method_table(basis: Basis) -> pd.DataFrame:
    """Say by which formula control is shown, and how wide intervals are by each.

    One row a variable with percent control. ``slope`` is that of later on earlier counts between
    plots of one treatment, blocks taken out and all days together (0 is Abbott's formula, 1 that
    of Henderson and Tilton), with its standard error and degrees of freedom; ``rule`` says why
    ``method`` is shown. Widths are medians over treatments and days of the widths of intervals of
    percent control. ``p_before`` is the smallest p-value of treatments in the count before
    treatment: where it lies below the level, the recommendation says so, and ``adjusted`` takes
    out of that difference what the slope makes of it.
    """
    rows = [_row(basis, shown) for shown in basis.controlled if shown.chosen]
    if not rows:
        return empty_table("control_methods")
    return make_table("control_methods", {key: [row[key] for row in rows] for key in rows[0]})


def _row(basis: Basis, shown: Controlled) -> dict[str, object]:
    item, name = shown.item, shown.item.variable.name
    course = basis.courses.get(name)
    start = None if course is None else course.start
    p = _p_before(basis, item)
    recommendation = None
    if item.baseline is not None and not _defined(basis, shown):
        other = basis.control_of(name, ControlMethod.ABBOTT)
        recommendation = ONLY_ABBOTT if other is not None and _defined(basis, other) else None
    elif shown.method is ControlMethod.ABBOTT and p < basis.settings.alpha:
        recommendation = UNEVEN
    before = np.nan if item.baseline is None else _mean(item.values[:, item.baseline])
    nan = float("nan")
    return {
        "variable": name,
        "method": shown.method.value,
        "rule": _rule(basis, shown),
        "slope": nan if start is None else start.slope,
        "slope_se": nan if start is None else start.se,
        "slope_df": nan if start is None else start.df,
        "before": before,
        "p_before": p,
        **{
            column: _width(basis, basis.control_of(name, method))
            for column, method in _WIDTHS.items()
        },
        "recommendation": recommendation,
    }


def _rule(basis: Basis, shown: Controlled) -> str:
    asked, item = basis.settings.control, shown.item
    course = basis.courses.get(item.variable.name)
    if item.baseline is None:
        return NO_START
    if asked is shown.method:
        return ASKED
    if asked is not ControlMethod.AUTO:
        return NOT_ALLOWED
    if course is None or course.start is None:
        return NOT_TOLD
    if chosen_method(asked, item, course) is ControlMethod.HENDERSON_TILTON:
        return FORETOLD
    return NOTHING_BEFORE if course.foretold else NOT_FORETOLD


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _width(basis: Basis, part: Controlled | None) -> float:
    """Median width of the intervals of all treatments but the untreated."""
    if part is None:
        return float("nan")
    width = (part.intervals["upper"] - part.intervals["lower"])[basis.plan.others]
    known = width[width > 0.0]
    return float(np.median(known)) if known.size else float("nan")


def _defined(basis: Basis, part: Controlled) -> bool:
    """Whether control by a method has a value for any treatment on any day."""
    return bool(np.isfinite(part.percent[basis.plan.others]).any())


def _p_before(basis: Basis, item: Assessed) -> float:
    """Smallest p-value of treatments (or of their factors) in the count before treatment."""
    if basis.tested is None or item.baseline is None:
        return float("nan")
    lines = basis.tested.anova
    p = lines["p"].to_numpy()
    own = (
        (lines["days_after"].to_numpy() == item.days[item.baseline])
        & (lines["variable"].to_numpy() == item.variable.name)
        & (lines["measure"].to_numpy() == "count")
        & np.isfinite(p)
    )
    # Only treatments and factors count, not what is taken out of the way.
    own &= [source not in ("block", "row", "column") for source in lines["source"]]
    return float(p[own].min()) if own.any() else float("nan")


def control_method_problems(table: pd.DataFrame, trial: Trial) -> tuple[Problem, ...]:
    """Say for which variables only Abbott's control is defined, where another was asked for."""
    columns = (table[name].to_list() for name in ("variable", "method", "recommendation"))
    return tuple(
        warning(
            "no-start",
            f"{trial.variable(name).label}: percent control by {method} is not defined on any "
            "day because of the counts before treatment (the tables file has the reasons). "
            "By Abbott, which does not use them, it is.",
            'With control = "abbott" or "auto" in the settings the report shows it; both are '
            "in the workbook.",
        )
        for name, method, said in zip(*columns, strict=True)
        if said == ONLY_ABBOTT
    )
