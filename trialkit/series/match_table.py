"""The table of what was taken as one: treatments, variables, units and days of every trial."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

import pandas as pd

from trialkit.analysis.fits.courses import DRAWN
from trialkit.analysis.result import make_table
from trialkit.numerals import day as write_day
from trialkit.series.facts import TrialFacts
from trialkit.series.matched import WHOLE, TrialMatch
from trialkit.series.matching import Matching
from trialkit.series.names import Match
from trialkit.series.trial_means import AVERAGED
from trialkit.trial import VariableRole


def matches_table(
    matching: Matching,
    facts: Sequence[TrialFacts],
    used: Mapping[tuple[str, str], Mapping[str, str]],
    left_out: Mapping[str, str],
    unweighed: Collection[tuple[str, str]] = (),
) -> pd.DataFrame:
    """Tabulate what was taken as what, the days too.

    Parameters
    ----------
    matching : Matching
    facts : sequence of TrialFacts
    used : mapping of (str, str) to mapping of str to str
        Trial and variable of the series to the window of each day that was taken, by the day as
        written.
    left_out : mapping of str to str
        Trials that take no part, and why.
    unweighed : collection of (str, str)
        Trial and variable of means that have no error to be weighed by.
    """
    rows = [
        *(Match("trial", key, key, None, f"{why}") for key, why in left_out.items()),
        *matching.rows,
        *_days(matching, facts, used, unweighed),
    ]
    order = {"trial": 0, "treatment": 1, "variable": 2, "unit": 3, "days": 4}
    rows.sort(key=lambda row: order[row.kind])
    columns = dict(zip(Match._fields, zip(*rows, strict=True), strict=True)) if rows else {}
    return make_table("series_matches", columns)


def _days(
    matching: Matching,
    facts: Sequence[TrialFacts],
    used: Mapping[tuple[str, str], Mapping[str, str]],
    unweighed: Collection[tuple[str, str]],
) -> Iterator[Match]:
    for trial, match in zip(facts, matching.matches, strict=True):
        for item in trial.variables:
            name = match.variables.get(item.variable.name)
            taken = used.get((trial.key, name), {}) if name is not None else {}
            for day in item.days:
                found = f"{name or item.variable.name}, day {write_day(day)}"
                window = taken.get(f"{day:g}")
                if window is not None:
                    others = _others(item.days, day, match)
                    how = "its mean with other days of the span" if others else "the only day of it"
                    yield Match("days", trial.key, found, window, how)
                elif name is not None and item.variable.role in AVERAGED and day > 0:
                    lacking = (trial.key, name) in unweighed
                    how = (
                        "the plots did not vary" if lacking else "mean of all days after treatment"
                    )
                    yield Match("days", trial.key, found, None if lacking else WHOLE, how)
                else:
                    why = _why_not(item.variable.role, day, match, trial)
                    yield Match("days", trial.key, found, None, why)


def _others(days: Sequence[float], day: float, match: TrialMatch) -> bool:
    """Whether other days lie in the span of one."""
    span = next((w for w in match.windows if w.first <= day <= w.last), None)
    return span is not None and any(span.first <= d <= span.last and d != day for d in days)


def _why_not(role: VariableRole, day: float, match: TrialMatch, trial: TrialFacts) -> str:
    if trial.undated:
        return "the trial gives no day"
    if day <= 0:
        return "before the first application"
    if role not in DRAWN:
        return "not asked, or not combined over trials"
    if not any(window.first <= day <= window.last for window in match.windows):
        return "in none of the spans of days"
    if trial.untreated is None:
        return "the trial has no untreated"
    return "not asked, or nothing could be compared with the untreated"
