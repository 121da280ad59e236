"""Speed and persistence compared between treatments: against the reference, and pair by pair."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Sized
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.persistence import FittedDays, TargetHeld
from trialkit.analysis.fits.courses import Course
from trialkit.analysis.plots.responses import FloatArray, IntArray
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.comparisons.adjust import holm
from trialkit.trial import TreatmentRole

#: What is compared: days for which the target was held, and control at the first assessment.
DAYS_HELD, FIRST_CONTROL = "days held", "first control"
BOTH_HELD = "both held to the last assessment: how they differ after it cannot be seen"
NEITHER_REACHED = "neither was seen to reach the target"
NO_COURSE = "one of them has no course of control over the days"
NO_CONTROL = "control is not defined at the first assessment"
AT_LEAST, AT_MOST = "at least", "at most"


_Pairs = tuple[IntArray, IntArray]


def persistence_difference_table(basis: Basis, held: Sequence[TargetHeld]) -> pd.DataFrame:
    """Differences between treatments in days at the target and in control at first.

    Parameters
    ----------
    basis : Basis
    held : sequence of TargetHeld

    Returns
    -------
    DataFrame
        One row a variable, question and pair of products; ``b`` is the reference wherever it is
        one of the pair. ``difference`` is a less b. Days are counted up to the last assessment and
        are 0 where the target was never reached; where one of the pair held to the end, the
        difference is the least (or, below zero, the most) that it can be, and where both did
        there is none. ``p`` is two-sided: of days by the ratio of likelihoods of one day for both
        against a day each, with the interval that turns this test round, of control at first from
        the law of the ratio of what both left. ``p_adjusted`` allows for the number of pairs
        (Holm).
    """
    codes = basis.plan.others
    ids = [basis.plan.treatments[code] for code in codes]
    products = [
        place
        for place, name in enumerate(ids)
        if basis.trial.treatment(name).role is not TreatmentRole.CARRIER
    ]
    last = codes.index(basis.plan.reference) if basis.plan.reference in codes else None
    pairs = [(j, i) if i == last else (i, j) for i, j in combinations(products, 2)]
    if not pairs:
        return empty_table("persistence_differences")
    a, b = np.array(pairs, dtype=np.intp).T
    parts: list[dict[str, Sized]] = []
    for item in held:
        for question, columns in _questions(basis, item, (a, b)):
            parts.append(
                {
                    "variable": [item.control.item.variable.name] * a.size,
                    "question": [question] * a.size,
                    "a": [ids[i] for i in a],
                    "b": [ids[i] for i in b],
                    **columns,
                }
            )
    return table_of_parts("persistence_differences", parts)


def _questions(
    basis: Basis, item: TargetHeld, pairs: _Pairs
) -> Iterator[tuple[str, dict[str, NDArray[Any]]]]:
    """What is asked of each variable; nothing where no course was drawn."""
    if item.fitted is not None:
        yield DAYS_HELD, _of_days(basis, item, item.fitted, pairs)
    if item.course is not None:
        yield FIRST_CONTROL, _of_first(basis, item, item.course, pairs)


def _of_days(
    basis: Basis, item: TargetHeld, fitted: FittedDays, pairs: _Pairs
) -> dict[str, NDArray[Any]]:
    """Columns of the table: days of each of a less those of each of b."""
    a, b = pairs
    codes = np.array(basis.plan.others, dtype=np.intp)
    found = fitted.compare(codes[a], codes[b], basis.settings.alpha)
    known = fitted.known[codes]
    value = np.where(known, np.where(item.never, 0.0, item.until), np.nan)
    reason = np.full(a.size, None, dtype=object)
    reason[~(known[a] & known[b])] = NO_COURSE
    reason[item.never[a] & item.never[b]] = NEITHER_REACHED
    reason[item.censored[a] & item.censored[b]] = BOTH_HELD
    told = np.array([text is None for text in reason], dtype=bool)
    open_end = np.full(a.size, None, dtype=object)
    open_end[item.censored[a] & told] = AT_LEAST
    open_end[item.censored[b] & told] = AT_MOST
    limits_ = (found.lower, found.upper)
    return _columns((value[a], value[b]), limits_, found.p, told) | {
        "bound": open_end,
        "reason": reason,
    }


def _of_first(
    basis: Basis, item: TargetHeld, course: Course, pairs: _Pairs
) -> dict[str, NDArray[Any]]:
    """Columns of the table: control at the first assessment."""
    a, b = pairs
    value = item.percent[:, 0]
    codes = np.array(basis.plan.others, dtype=np.intp)
    day = int(np.flatnonzero(course.item.days > 0)[0])
    low, high, p = course.compared(
        day, item.control.method, (codes[a], codes[b]), basis.settings.alpha
    )
    told = np.isfinite(value[a] - value[b])
    found = _columns((value[a], value[b]), (low, high), p, told)
    nothing, reason = np.full(a.size, None, dtype=object), np.full(a.size, NO_CONTROL, dtype=object)
    reason[told] = None
    return found | {"bound": nothing, "reason": reason}


def _columns(
    values: tuple[FloatArray, FloatArray],
    ends: tuple[FloatArray, FloatArray],
    p: FloatArray,
    told: NDArray[np.bool_],
) -> dict[str, NDArray[Any]]:
    shown = np.where(told, p, np.nan)
    return {
        "value_a": values[0],
        "value_b": values[1],
        "difference": np.where(told, values[0] - values[1], np.nan),
        "lower": np.where(told, ends[0], np.nan),
        "upper": np.where(told, ends[1], np.nan),
        "p": shown,
        "p_adjusted": holm(shown[:, None])[:, 0],
    }
