"""Speed and persistence compared between treatments: against the reference, and pair by pair."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import Course, limits, method_of
from trialkit.analysis.responses import FloatArray
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.inference.comparisons_adjust import holm
from trialkit.inference.quantiles import quantiles_of_draws
from trialkit.measures.persistence import time_held
from trialkit.trial import TreatmentRole

#: What is compared: days for which the target was held, and control at the first assessment.
DAYS_HELD, FIRST_CONTROL = "days held", "first control"
BOTH_HELD = "both held to the last assessment: how they differ after it cannot be seen"
NEITHER_REACHED = "neither was seen to reach the target"
NO_CONTROL = "control is not defined at the first assessment"
AT_LEAST, AT_MOST = "at least", "at most"


@dataclass(frozen=True, kw_only=True, eq=False)
class _Compared:
    """One number for each treatment, with its draws, and what cannot be said of pairs.

    ``value`` and ``censored`` are (t,), ``draws`` (draws, t), ``never`` (t,) marks treatments that
    were not seen to reach the target.
    """

    question: str
    value: FloatArray
    draws: FloatArray
    censored: NDArray[np.bool_]
    never: NDArray[np.bool_]


def persistence_difference_table(basis: Basis, held: pd.DataFrame) -> pd.DataFrame:
    """Differences between treatments in days at the target and in control at first.

    Parameters
    ----------
    basis : Basis
    held : DataFrame
        The table ``persistence``.

    Returns
    -------
    DataFrame
        One row a variable, question and pair of products; ``b`` is the reference wherever it is
        one of the pair. ``difference`` is a less b. Days are counted up to the last assessment and
        are 0 where the target was never reached; where one of the pair held to the end, the
        difference is the least (or, below zero, the most) that it can be, and where both did
        there is none.
        ``p`` is two-sided; ``p_adjusted`` allows for the number of pairs (Holm).
    """
    untreated = basis.plan.untreated
    if untreated is None or held.empty:
        return empty_table("persistence_differences")
    tables = []
    for variable in dict.fromkeys(held["variable"]):
        rows = held[held["variable"] == variable]
        course = basis.courses.get(variable)
        if course is None or len(rows) < 2:
            continue
        for compared in _questions(basis, course, rows, untreated):
            tables.append(_pairs(basis, variable, list(rows["treatment"]), compared))
    return join_tables("persistence_differences", tables)


def _questions(
    basis: Basis, course: Course, rows: pd.DataFrame, untreated: int
) -> Iterator[_Compared]:
    codes = [basis.plan.treatments.index(item) for item in rows["treatment"]]
    drawn = course.control(untreated, method_of(course, basis.settings))[:, codes]
    shown = basis.control[basis.control["chosen"].to_numpy(dtype=bool)]
    shown = shown[shown["variable"] == course.item.variable.name]
    percent = shown["percent"].to_numpy(dtype=float).reshape(course.after.size, len(codes)).T
    found = time_held(
        course.after,
        np.where(np.isfinite(percent), drawn, np.nan),
        basis.settings.control_target,
    )
    days = rows["holds_until_day"].to_numpy(dtype=float)
    known = np.isfinite(rows["peak_percent"].to_numpy(dtype=float))
    never = ~np.isfinite(days)
    yield _Compared(
        question=DAYS_HELD,
        value=np.where(never, np.where(known, 0.0, np.nan), days),
        draws=np.where(np.isfinite(found.holds_until_day), found.holds_until_day, 0.0),
        censored=np.array([flag is True for flag in rows["censored"]], dtype=bool),
        never=never,
    )
    no = np.zeros(len(codes), dtype=bool)
    first = np.isfinite(percent[:, 0])  # compared on one day, or not at all
    yield _Compared(
        question=FIRST_CONTROL,
        value=np.where(first, percent[:, 0], np.nan),
        draws=drawn[:, :, 0],
        censored=no,
        never=no,
    )


def _pairs(basis: Basis, variable: str, names: list[str], compared: _Compared) -> pd.DataFrame:
    reference = basis.plan.reference
    last = None if reference is None else basis.plan.treatments[reference]
    products = [
        place
        for place, name in enumerate(names)
        if basis.trial.treatment(name).role is not TreatmentRole.CARRIER
    ]
    pairs = [(j, i) if names[i] == last else (i, j) for i, j in combinations(products, 2)]
    if not pairs:
        return empty_table("persistence_differences")
    a, b = np.array(pairs, dtype=np.intp).T
    gap = compared.draws[:, a] - compared.draws[:, b]
    if compared.question == DAYS_HELD:
        tail = basis.settings.alpha / 2.0
        low, high = quantiles_of_draws(gap, [tail, 1.0 - tail], method="inverted_cdf")
    else:
        low, high = limits(gap, basis.settings.alpha)
    difference = compared.value[a] - compared.value[b]
    reason = np.full(a.size, None, dtype=object)
    reason[~np.isfinite(difference)] = NO_CONTROL
    reason[compared.never[a] & compared.never[b]] = NEITHER_REACHED
    reason[compared.censored[a] & compared.censored[b]] = BOTH_HELD
    known = np.array([text is None for text in reason], dtype=bool)
    p = np.where(known, two_sided_with_ties(gap), np.nan)
    open_end = np.full(a.size, None, dtype=object)
    open_end[compared.censored[a] & known] = AT_LEAST
    open_end[compared.censored[b] & known] = AT_MOST
    return make_table(
        "persistence_differences",
        {
            "variable": [variable] * a.size,
            "question": [compared.question] * a.size,
            "a": [names[i] for i in a],
            "b": [names[i] for i in b],
            "value_a": compared.value[a],
            "value_b": compared.value[b],
            "difference": np.where(known, difference, np.nan),
            "lower": np.where(known, low, np.nan),
            "upper": np.where(known, high, np.nan),
            "p": p,
            "p_adjusted": holm(p[:, None])[:, 0],
            "bound": open_end,
            "reason": reason,
        },
    )


def two_sided_with_ties(draws: FloatArray) -> FloatArray:
    """Two-sided p-value of no difference, where many draws may be exactly 0.

    Draws of 0 (both held to the end, or both never reached) speak for neither side.
    """
    n = draws.shape[0]
    below = ((draws <= 0.0).sum(axis=0) + 1.0) / (n + 1.0)
    above = ((draws >= 0.0).sum(axis=0) + 1.0) / (n + 1.0)
    p: FloatArray = np.minimum(1.0, 2.0 * np.minimum(below, above))
    return p
