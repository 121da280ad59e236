"""How long each treatment held the target, from the course of its percent control."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import Course, method_of
from trialkit.analysis.responses import FloatArray
from trialkit.analysis.result import join_tables, make_table
from trialkit.inference.quantiles import quantiles_of_draws
from trialkit.measures.persistence import persistence, time_held


def persistence_table(basis: Basis) -> pd.DataFrame:
    """Knockdown, peak, last day at the target and rebound of every treatment.

    ``lower`` and ``upper`` are the interval of ``holds_until_day``: a lower limit of 0 says that
    the target may never have been reached, and no upper limit that control may have held beyond
    the last assessment.
    """
    control, target = basis.control, basis.settings.control_target
    shown = control[control["chosen"].to_numpy(dtype=bool)]
    tables = []
    for variable in dict.fromkeys(shown["variable"]):
        rows = shown[shown["variable"] == variable]
        treatments = list(dict.fromkeys(rows["treatment"]))
        days = np.unique(rows["days_after"].to_numpy(dtype=float))
        if days.size < 2:
            continue
        course = rows["percent"].to_numpy(dtype=float).reshape(days.size, len(treatments)).T
        found = persistence(days, course, target)
        held = np.isfinite(found.holds_until_day)
        lower, upper = _interval(basis, basis.courses.get(variable), treatments, course)
        size = len(treatments)
        tables.append(
            make_table(
                "persistence",
                {
                    "variable": [variable] * size,
                    "treatment": treatments,
                    "target": [target] * size,
                    "knockdown_percent": found.knockdown_percent,
                    "peak_percent": found.peak_percent,
                    "peak_day": found.peak_day,
                    "holds_until_day": found.holds_until_day,
                    "lower": lower,
                    "upper": upper,
                    "censored": [
                        bool(flag) if known else None
                        for flag, known in zip(found.censored, held, strict=True)
                    ],
                    "rebound_percent": found.rebound_percent,
                    "last_percent": found.last_percent,
                    "last_day": found.last_day,
                    "reason": [text or None for text in found.reason],
                },
            )
        )
    return join_tables("persistence", tables)


def _interval(
    basis: Basis, course: Course | None, treatments: list[str], percent: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Limits of the day until which the target is held, one for each treatment."""
    nothing = np.full(len(treatments), np.nan)
    untreated = basis.plan.untreated
    if course is None or untreated is None:
        return nothing, nothing
    codes = [basis.plan.treatments.index(item) for item in treatments]
    drawn = course.control(untreated, method_of(course, basis.settings))[:, codes]
    # A day without an estimate is passed by in the draws as well.
    drawn = np.where(np.isfinite(percent), drawn, np.nan)
    found = time_held(course.after, drawn, basis.settings.control_target)
    day = np.where(found.censored, np.inf, found.holds_until_day)
    day = np.where(np.isfinite(day) | found.censored, day, 0.0)
    alpha = basis.settings.alpha
    low, high = quantiles_of_draws(day, [alpha / 2.0, 1.0 - alpha / 2.0], method="inverted_cdf")
    known = np.isfinite(percent).any(axis=1)
    last = course.after[-1]
    low = np.where(np.isinf(low), last, low)
    return np.where(known, low, np.nan), np.where(known & np.isfinite(high), high, np.nan)
