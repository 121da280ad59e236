"""Captions of a series as statements: what a table or figure shows, true of its own numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable

from trialkit.report.captions import caption, sentence
from trialkit.report.numbers import percent_text, write_number
from trialkit.report.series.context import SeriesContext
from trialkit.rows import Rows

#: A number, and what it is of.
Spot = tuple[float, str]


def ranged(what: str, spots: Iterable[Spot], unit: str = "", digits: int | None = 0) -> str | None:
    """State the least and the largest of some numbers, and what they are of.

    Parameters
    ----------
    what : str
        Words for the numbers, in the plural.
    spots : iterable of (float, str)
        NaN is left out.
    unit : str
        With the space before it.
    digits : int or None

    Returns
    -------
    str or None
        None where there is no number.
    """
    kept = [spot for spot in spots if math.isfinite(spot[0])]
    if not kept:
        return None
    (low, low_of), (high, high_of) = min(kept), max(kept)
    ends = [
        percent_text(value) if unit == "%" and digits == 0 else write_number(value, digits)
        for value in (low, high)
    ]
    if ends[0] == ends[1]:
        return caption("ranged_same", what=sentence(what), low=ends[0], unit=unit)
    return caption(
        "ranged",
        what=sentence(what),
        low=ends[0],
        high=ends[1],
        low_of=low_of,
        high_of=high_of,
        unit=unit,
    )


def by_treatment(context: SeriesContext, rows: Rows, column: str) -> list[Spot]:
    """Numbers of a table, each of a treatment."""
    return [
        (float(value), context.label(name))
        for value, name in zip(rows[column], rows["treatment"], strict=True)
    ]


def by_trial(
    context: SeriesContext, rows: Rows, column: str, treatment: str = "treatment"
) -> list[Spot]:
    """Numbers of a table, each of a treatment in a trial."""
    cells = zip(rows[column], rows[treatment], rows["trial"], strict=True)
    return [
        (float(value), f"{context.label(name)}; {context.trial(trial)}")
        for value, name, trial in cells
    ]
