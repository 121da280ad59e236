"""Speed and persistence compared between treatments: against the reference, and pair by pair."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Sized
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.persistence import TargetHeld
from trialkit.analysis.fits.draws import limits
from trialkit.analysis.plots.responses import FloatArray, IntArray
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.comparisons.adjust import holm
from trialkit.inference.numerics.quantiles import quantiles_of_draws
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
        there is none.
        ``p`` is two-sided; ``p_adjusted`` allows for the number of pairs (Holm).
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
        for compared in _questions(item):
            parts.append(
                {
                    "variable": [item.control.item.variable.name] * a.size,
                    "question": [compared.question] * a.size,
                    "a": [ids[i] for i in a],
                    "b": [ids[i] for i in b],
                    **_differences(compared, a, b, basis.settings.alpha),
                }
            )
    return table_of_parts("persistence_differences", parts)


def _questions(item: TargetHeld) -> Iterator[_Compared]:
    """What is asked of each variable; nothing where no course was drawn."""
    draws, held = item.draws, item.days_held
    if draws is None or held is None:
        return
    never = ~np.isfinite(item.found.holds_until_day)
    known = np.isfinite(item.found.peak_percent)
    yield _Compared(
        question=DAYS_HELD,
        value=np.where(never, np.where(known, 0.0, np.nan), item.found.holds_until_day),
        draws=held,
        censored=item.found.censored & ~never,
        never=never,
    )
    no = np.zeros(never.size, dtype=bool)
    # Compared on one day, or not at all.
    yield _Compared(
        question=FIRST_CONTROL,
        value=item.percent[:, 0],
        draws=draws[:, :, 0],
        censored=no,
        never=no,
    )


def _differences(
    compared: _Compared, a: IntArray, b: IntArray, alpha: float
) -> dict[str, NDArray[Any]]:
    """Columns of the table: each of a less each of b."""
    gap = compared.draws[:, a] - compared.draws[:, b]
    if compared.question == DAYS_HELD:
        tails = [alpha / 2.0, 1.0 - alpha / 2.0]
        low, high = quantiles_of_draws(gap, tails, method="inverted_cdf")
    else:
        low, high = limits(gap, alpha)
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
    return {
        "value_a": compared.value[a],
        "value_b": compared.value[b],
        "difference": np.where(known, difference, np.nan),
        "lower": np.where(known, low, np.nan),
        "upper": np.where(known, high, np.nan),
        "p": p,
        "p_adjusted": holm(p[:, None])[:, 0],
        "bound": open_end,
        "reason": reason,
    }


def two_sided_with_ties(draws: FloatArray) -> FloatArray:
    """Two-sided p-value of no difference, where many draws may be exactly 0.

    Draws of 0 (both held to the end, or both never reached) speak for neither side.
    """
    n = draws.shape[0]
    below = ((draws <= 0.0).sum(axis=0) + 1.0) / (n + 1.0)
    above = ((draws >= 0.0).sum(axis=0) + 1.0) / (n + 1.0)
    p: FloatArray = np.minimum(1.0, 2.0 * np.minimum(below, above))
    return p
