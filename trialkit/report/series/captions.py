"""Captions of a series as statements: what a table or figure shows, true of its own numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable

from trialkit.report.captions import caption, counted, sentence
from trialkit.report.numbers import percent_text, write_number
from trialkit.report.series.context import SeriesContext
from trialkit.rows import Rows
from trialkit.series.matched import SeriesVariable
from trialkit.series.rows import CONTROLLED, Asked
from trialkit.trial import VariableRole

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


def what_of(context: SeriesContext, variable: SeriesVariable) -> str:
    """Control of a pest, or reduction of anything else."""
    word = "Control" if variable.role is VariableRole.PEST else "Reduction"
    return f"{word} of {context.short_label(variable).lower()}"


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


def over_all(context: SeriesContext, variable: SeriesVariable, windows: list[Asked]) -> str:
    """State the least and the largest control over all trials."""
    main = context.tables.main(variable.name) or windows[0]
    rows = context.tables["combined_control"].where(**main.where)
    what = f"estimates of {what_of(context, variable).lower()} over all trials"
    found = ranged(f"{what} ({context.days(main)})", by_treatment(context, rows, "percent"), "%")
    return found or f"{what_of(context, variable)} over all trials, %"


def in_trials(context: SeriesContext, variable: SeriesVariable, asked: Asked) -> str:
    """State the least and the largest control in any trial."""
    rows = context.tables["trial_control"].where(**asked.where)
    what = f"estimates of {what_of(context, variable).lower()} in single trials"
    found = ranged(f"{what} ({context.days(asked)})", by_trial(context, rows, "percent"), "%")
    return found or f"{what_of(context, variable)} trial by trial, %"


def over_spans(context: SeriesContext, variable: SeriesVariable, spans: list[Asked]) -> str:
    """State the least and the largest control over all trials of any span of days."""
    spots: list[Spot] = []
    for asked in spans:
        rows = context.tables["combined_control"].where(**asked.where)
        spots += [
            (value, f"{name}; {context.days(asked)}")
            for value, name in by_treatment(context, rows, "percent")
        ]
    what = f"estimates of {what_of(context, variable).lower()} over all trials, by span of days,"
    return ranged(what, spots, "%") or over_all(context, variable, spans)


def reached_in_trials(context: SeriesContext, variable: SeriesVariable, asked: Asked) -> str:
    """State how many results of single trials reached the target; of enemies, their range."""
    rows = context.tables["trial_control"].where(**asked.where)
    found = [float(value) for value in rows["percent"] if math.isfinite(float(value))]
    if variable.role not in CONTROLLED or not found:
        return in_trials(context, variable, asked)
    target = context.settings.target
    return caption(
        "series_reached",
        what=what_of(context, variable).lower(),
        target=f"{target:g}",
        number=counted(sum(value >= target for value in found)),
        all=len(found),
        days=context.days(asked),
    )
