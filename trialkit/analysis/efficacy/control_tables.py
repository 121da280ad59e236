"""Whether the count before treatment is worth its place in the percent control that is shown."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.control import Controlled
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import empty_table, make_table
from trialkit.numerals import number
from trialkit.problems import Problem, warning
from trialkit.trial import ControlMethod, Trial

#: How many times wider than by Abbott intervals must be for a word about it (common practice, no
#: source). Two counts that have nothing to do with each other make a log ratio 1.4 times as wide.
FAR_WIDER = 2.0
CONSIDER_ABBOTT = "consider abbott"
UNEVEN = "treatments differed before treatment"
ONLY_ABBOTT = "only abbott is defined"


def control_method_table(basis: Basis) -> pd.DataFrame:
    """Compare the intervals of control with and without the count before treatment.

    One row a variable for which the method was left to the data and fell on Henderson-Tilton.
    ``width`` and ``width_other`` are the medians, over treatments and days, of the widths of the
    intervals of percent control by Henderson-Tilton and by Abbott, ``times`` that of the quotients.
    ``recommendation`` stands where ``times`` is `FAR_WIDER` or more and treatments were not shown
    to differ before treatment (``p_before``): what the count before treatment corrects is then
    less than the chance that it brings in. Where Henderson-Tilton is defined nowhere, as the
    untreated held none before treatment, it says that Abbott alone is. Nothing is switched.
    """
    if basis.settings.control is not ControlMethod.AUTO:
        return empty_table("control_methods")
    rows: list[dict[str, object]] = []
    for shown in basis.controlled:
        other = basis.control_of(shown.item.variable.name, ControlMethod.ABBOTT)
        compared = shown.chosen and shown.method is ControlMethod.HENDERSON_TILTON
        if not compared or other is None or shown.item.variable.name not in basis.courses:
            continue
        undefined = not _defined(basis, shown)
        if undefined and not _defined(basis, other):
            continue
        widths = _widths(basis, shown), _widths(basis, other)
        if not undefined and not all(np.isfinite(width).any() for width in widths):
            continue
        rows.append(_row(basis, shown.item, *widths, undefined=undefined))
    if not rows:
        return empty_table("control_methods")
    return make_table("control_methods", {key: [row[key] for row in rows] for key in rows[0]})


def _widths(basis: Basis, part: Controlled) -> FloatArray:
    """Widths of the intervals of all treatments but the untreated; NaN where there is none."""
    width = (part.intervals["upper"] - part.intervals["lower"])[basis.plan.others]
    return np.where(width > 0.0, width, np.nan)


def _defined(basis: Basis, part: Controlled) -> bool:
    """Whether control by a method has a value for any treatment on any day."""
    return bool(np.isfinite(part.percent[basis.plan.others]).any())


def _row(
    basis: Basis, item: Assessed, shown: FloatArray, other: FloatArray, *, undefined: bool
) -> dict[str, object]:
    known = np.isfinite(shown) & np.isfinite(other)
    times = float(np.median((shown / other)[known])) if known.any() else float("nan")
    p = _p_before(basis, item)
    recommendation = None
    if undefined:
        recommendation = ONLY_ABBOTT
    elif times >= FAR_WIDER:
        recommendation = UNEVEN if p < basis.settings.alpha else CONSIDER_ABBOTT
    return {
        "variable": item.variable.name,
        "method": ControlMethod.HENDERSON_TILTON.value,
        "other": ControlMethod.ABBOTT.value,
        "before": float(np.nanmean(item.values[:, item.baseline])),
        "p_before": p,
        "width": _median(shown),
        "width_other": _median(other),
        "times": times,
        "recommendation": recommendation,
    }


def _median(widths: FloatArray) -> float:
    known = widths[np.isfinite(widths)]
    return float(np.median(known)) if known.size else float("nan")


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
    """Say for which variables Abbott's control is by far the surer, or the only one."""
    labels = [trial.variable(name).label for name in table["variable"].to_list()]
    said = table["recommendation"].to_list()
    means, times = table["before"].to_list(), table["times"].to_list()
    rows = range(len(table))
    return (
        *(
            warning(
                "no-start",
                f"{labels[i]}: percent control by Henderson-Tilton is not defined on any day, "
                "because of what the counts before treatment hold (the reasons stand in the tables "
                "file). By Abbott, which leaves them out, it is.",
                'With control = "abbott" in the settings the report shows it; both stand in the '
                "workbook.",
            )
            for i in rows
            if said[i] == ONLY_ABBOTT
        ),
        *(_weak_start(labels[i], means[i], times[i]) for i in rows if said[i] == CONSIDER_ABBOTT),
    )


def _weak_start(label: str, mean: float, times: float) -> Problem:
    return warning(
        "weak-start",
        f"{label}: intervals of percent control by Henderson-Tilton are {number(times)} times "
        f"as wide as by Abbott: before treatment the values (mean {number(mean)}) were too small, "
        "or differed too much between plots, to correct by.",
        'Treatments were not shown to differ before treatment; with control = "abbott" in the '
        "settings the count before treatment is left out. Both stand in the workbook.",
    )
