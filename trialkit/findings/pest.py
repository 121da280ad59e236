"""Findings about the pest itself: how high it rose, how much control, for how long."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from trialkit.analysis import Analysis
from trialkit.findings.sentences import Finding, Style, Teller, day_list, series
from trialkit.trial import Variable, VariableRole

PESTS = (VariableRole.PEST, VariableRole.DAMAGE)
#: Percentage points of fall after the peak from which a sentence speaks of a rebound.
REBOUND_POINTS = 20.0
#: How many treatments a sentence names before it stops.
MOST_NAMED = 4


def _variables(analysis: Analysis, *roles: VariableRole) -> Iterator[Variable]:
    assessed = set(analysis.responses["variable"])
    for variable in analysis.trial.variables:
        if variable.role in roles and variable.name in assessed:
            yield variable


def pressure_findings(analysis: Analysis) -> Iterator[Finding]:
    """How high the pest stood in the untreated, and whether it passed the threshold."""
    untreated = analysis.trial.untreated
    if untreated is None:
        return
    for variable in _variables(analysis, VariableRole.PEST):
        say = Teller(analysis)
        rows = say.table("means", variable=variable.name, measure="count", treatment=untreated)
        rows = rows[rows["mean"].notna()]
        if rows.empty:
            continue
        peak = rows["mean"].idxmax()
        text = f"{variable.label}: the untreated plots "
        if len(rows) > 1:
            first = rows.index[0]
            if first != peak:
                text += (
                    f"went from {say.cite('means', first, 'mean')} on day "
                    f"{say.cite('means', first, 'days_after', Style.DAY)} to a highest mean of "
                )
            else:
                text += "had their highest mean, "
            text += (
                f"{say.cite('means', peak, 'mean')}"
                f"{',' if first == peak else ''} on day "
                f"{say.cite('means', peak, 'days_after', Style.DAY)}"
            )
        else:
            text += f"had a mean of {say.cite('means', peak, 'mean')}"
        if variable.threshold is not None:
            above = rows["mean"].max() >= variable.threshold
            text += (
                f", {'above' if above else 'never above'} the action threshold of "
                f"{variable.threshold:g}"
            )
        yield say.finding("pressure", text + ".")


def difference_findings(analysis: Analysis) -> Iterator[Finding]:
    """On which days after treatment the treatments differed."""
    alpha = analysis.trial.settings.alpha
    for variable in _variables(analysis, *PESTS):
        say = Teller(analysis)
        rows = say.table("responses", variable=variable.name, measure="count")
        rows = rows[(rows["days_after"] > 0) & rows["p"].notna()]
        if rows.empty:
            continue
        differ = rows[rows["p"] < alpha]
        if differ.empty:
            least = rows["p"].idxmin()
            text = (
                f"{variable.label}: no difference between treatments could be shown on any day "
                f"(smallest {say.cite('responses', least, 'p', Style.P)}, on day "
                f"{say.cite('responses', least, 'days_after', Style.DAY)})."
            )
        elif len(differ) == len(rows):
            on = (
                f"on {day_list(list(rows['days_after']))}"
                if len(rows) == 1
                else f"on every one of the {len(rows)} days after treatment"
            )
            largest = differ["p"].idxmax()
            lead = "" if len(rows) == 1 else "each "
            text = (
                f"{variable.label}: treatments differed {on} "
                f"({lead}{say.cite('responses', largest, 'p', Style.P)}"
                f"{'' if len(rows) == 1 else ' or less'})."
            )
            text = text.replace("each p", "p")
        else:
            others = rows[rows["p"] >= alpha]
            text = (
                f"{variable.label}: treatments differed on "
                f"{day_list(list(differ['days_after']))}; on {day_list(list(others['days_after']))} "
                "no difference could be shown."
            )
        yield say.finding("differences", text)


def control_findings(analysis: Analysis) -> Iterator[Finding]:
    """The best control, when it was reached and what was left of it at the end."""
    for variable in _variables(analysis, *PESTS):
        say = Teller(analysis)
        rows = say.table("control", variable=variable.name, chosen=True)
        rows = rows[rows["percent"].notna()]
        if rows.empty:
            continue
        best = rows["percent"].idxmax()
        last_day = rows["days_after"].max()
        if rows.loc[best, "percent"] <= 0:
            yield say.finding(
                "control",
                f"{variable.label}: on no day did any treatment stand below the untreated.",
            )
            continue
        text = (
            f"{variable.label}: the highest control was "
            f"{say.cite('control', best, 'percent', Style.PERCENT)} %"
            f"{say.interval('control', best, Style.PERCENT)}, by "
            f"{say.name(rows.loc[best, 'treatment'])}"
        )
        if rows["days_after"].nunique() > 1:
            text += f" on day {say.cite('control', best, 'days_after', Style.DAY)}"
            end = rows[rows["days_after"] == last_day]
            top = end["percent"].idxmax()
            if top != best:
                text += (
                    f"; at the last assessment, day "
                    f"{say.cite('control', top, 'days_after', Style.DAY)}, it was "
                    f"{say.cite('control', top, 'percent', Style.PERCENT)} %"
                    f"{say.interval('control', top, Style.PERCENT)}, by "
                    f"{say.name(rows.loc[top, 'treatment'])}"
                )
        yield say.finding("control", text + ".")


def persistence_findings(analysis: Analysis) -> Iterator[Finding]:
    """Who held the target until when, and where control fell again."""
    for variable in _variables(analysis, *PESTS):
        rows = analysis.persistence[analysis.persistence["variable"] == variable.name]
        if rows.empty:
            continue
        yield _holding(analysis, variable, rows)
        fallen = rows[rows["rebound_percent"].to_numpy(dtype=float) >= REBOUND_POINTS]
        if not fallen.empty:
            yield _rebound(analysis, variable, fallen)


def _holding(analysis: Analysis, variable: Variable, rows: pd.DataFrame) -> Finding:
    say = Teller(analysis)
    target = say.cite("persistence", rows.index[0], "target", Style.PERCENT)
    held = rows["holds_until_day"].to_numpy(dtype=float)
    reached = rows[np.isfinite(held)].sort_values("holds_until_day", ascending=False, kind="stable")
    never = rows[~np.isfinite(held)]
    parts = []
    for row in list(reached.index)[:MOST_NAMED]:
        name = say.name(reached.loc[row, "treatment"])
        until = say.cite("persistence", row, "holds_until_day", Style.DAY)
        if reached.loc[row, "censored"] is True:
            low = reached.loc[row, "lower"]
            sure = (
                f" (at least until day {say.cite('persistence', row, 'lower', Style.DAY)})"
                if np.isfinite(low)
                else ""
            )
            parts.append(f"{name} to the last assessment on day {until}{sure}")
        else:
            parts.append(
                f"{name} until day {until}{say.interval('persistence', row, Style.DAY)}"
            )
    if not parts:
        return say.finding(
            "persistence",
            f"{variable.label}: no treatment reached {target} % control at any assessment.",
        )
    text = f"{variable.label}: at least {target} % control was held by {series(parts)}"
    rest = len(reached) - MOST_NAMED
    if rest > 0:
        text += f", by {rest} more for a shorter time"
    if len(never):
        names = series([say.name(item) for item in never["treatment"]])
        text += (
            f"; {names} never reached it"
            if len(never) <= MOST_NAMED
            else f"; {len(never)} treatments never reached it"
        )
    return say.finding("persistence", text + ".")


def _rebound(analysis: Analysis, variable: Variable, rows: pd.DataFrame) -> Finding:
    say = Teller(analysis)
    order = rows.sort_values("rebound_percent", ascending=False, kind="stable")
    parts = [
        f"{say.name(order.loc[row, 'treatment'])} by "
        f"{say.cite('persistence', row, 'rebound_percent', Style.PERCENT)} points from "
        f"{say.cite('persistence', row, 'peak_percent', Style.PERCENT)} % on day "
        f"{say.cite('persistence', row, 'peak_day', Style.DAY)}"
        for row in list(order.index)[:MOST_NAMED]
    ]
    text = f"{variable.label}: control fell again after its peak with {series(parts)}"
    if len(order) > MOST_NAMED:
        text += f", and with {len(order) - MOST_NAMED} more"
    return say.finding(
        "rebound",
        text + "; counts alone do not tell a failing product from plots that were invaded again.",
    )
