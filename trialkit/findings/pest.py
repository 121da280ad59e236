"""Findings about the pest itself: how high it rose, how much control, for how long."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.analysis import Analysis
from trialkit.findings.sentences import Finding, Row, Style, Teller, day_list, rows, series
from trialkit.trial import Variable, VariableRole

#: Percentage points of fall after the peak from which a sentence speaks of a rebound.
REBOUND_POINTS = 20.0
#: How many treatments a sentence names before it stops.
MOST_NAMED = 4


def variables_of(analysis: Analysis, *roles: VariableRole) -> Iterator[Variable]:
    """Assessed variables with one of the roles, in the order of the trial."""
    assessed = set(analysis.responses["variable"])
    for variable in analysis.trial.variables:
        if variable.role in roles and variable.name in assessed:
            yield variable


def _main_variables(analysis: Analysis) -> list[Variable]:
    """The pests; where none was counted, the damage they did."""
    pests = list(variables_of(analysis, VariableRole.PEST))
    return pests or list(variables_of(analysis, VariableRole.DAMAGE))


def pressure_findings(analysis: Analysis) -> Iterator[Finding]:
    """How high the pest stood in the untreated, and whether it passed the threshold."""
    untreated = analysis.trial.untreated
    if untreated is None:
        return
    for variable in variables_of(analysis, VariableRole.PEST):
        wanted = {"variable": variable.name, "measure": "count", "treatment": untreated}
        course = [row for row in rows(analysis, "means", **wanted) if row.known("mean")]
        if not course:
            continue
        say = Teller(analysis)
        text = f"{variable.label}: the untreated plots {_pressure(say, course)}"
        if variable.threshold is not None:
            above = any(row["mean"] >= variable.threshold for row in course)
            text += (
                f", {'above' if above else 'never above'} the action threshold of "
                f"{variable.threshold:g}"
            )
        yield say.finding("pressure", text + ".")


def _pressure(say: Teller, course: list[Row]) -> str:
    first, peak = course[0], max(course, key=lambda row: float(row["mean"]))
    if len(course) == 1:
        return f"had a mean of {say.cite(peak, 'mean')}"
    if first is peak:
        return (
            f"had their highest mean, {say.cite(peak, 'mean')}, on day "
            f"{say.cite(peak, 'days_after', Style.DAY)}"
        )
    return (
        f"went from {say.cite(first, 'mean')} on day {say.cite(first, 'days_after', Style.DAY)} "
        f"to a highest mean of {say.cite(peak, 'mean')} on day "
        f"{say.cite(peak, 'days_after', Style.DAY)}"
    )


def difference_findings(analysis: Analysis) -> Iterator[Finding]:
    """On which days after treatment the treatments differed."""
    for variable in _main_variables(analysis):
        tested = [
            row
            for row in rows(analysis, "responses", variable=variable.name, measure="count")
            if row["days_after"] > 0 and row.known("p")
        ]
        if tested:
            say = Teller(analysis)
            text = _differences(say, tested, analysis.trial.settings.alpha)
            yield say.finding("differences", f"{variable.label}: {text}.")


def _differences(say: Teller, tested: list[Row], alpha: float) -> str:
    differ = [row for row in tested if row["p"] < alpha]
    others = [row for row in tested if row["p"] >= alpha]
    if not differ:
        least = min(tested, key=lambda row: float(row["p"]))
        return (
            "no difference between treatments could be shown on any day (smallest "
            f"{say.cite(least, 'p', Style.P)}, on day {say.cite(least, 'days_after', Style.DAY)})"
        )
    if others:
        return (
            f"treatments differed on {day_list([row['days_after'] for row in differ])}; on "
            f"{day_list([row['days_after'] for row in others])} no difference could be shown"
        )
    largest = max(differ, key=lambda row: float(row["p"]))
    if len(differ) == 1:
        day = say.cite(largest, "days_after", Style.DAY)
        return f"treatments differed on day {day} ({say.cite(largest, 'p', Style.P)})"
    less = "" if largest["p"] < 0.001 else " or less"
    return (
        f"treatments differed on each of the {len(differ)} days after treatment "
        f"({say.cite(largest, 'p', Style.P)}{less})"
    )


def control_findings(analysis: Analysis) -> Iterator[Finding]:
    """The best control, when it was reached and what was left of it at the end."""
    for variable in _main_variables(analysis):
        shown = [
            row
            for row in rows(analysis, "control", variable=variable.name, chosen=True)
            if row.known("percent")
        ]
        if shown:
            say = Teller(analysis)
            yield say.finding("control", f"{variable.label}: {_best_control(say, shown)}.")


def _best_control(say: Teller, shown: list[Row]) -> str:
    best = max(shown, key=lambda row: float(row["percent"]))
    if best["percent"] <= 0:
        return "on no day did any treatment stand below the untreated"
    text = (
        f"the highest control was {say.cite(best, 'percent', Style.PERCENT)} %"
        f"{say.interval(best, Style.PERCENT)}, by {say.name(best['treatment'])}"
    )
    last_day = max(float(row["days_after"]) for row in shown)
    if all(row["days_after"] == last_day for row in shown):
        return text
    text += f" on day {say.cite(best, 'days_after', Style.DAY)}"
    end = [row for row in shown if row["days_after"] == last_day]
    top = max(end, key=lambda row: float(row["percent"]))
    if top is best:
        return text
    return text + (
        f"; at the last assessment, day {say.cite(top, 'days_after', Style.DAY)}, it was "
        f"{say.cite(top, 'percent', Style.PERCENT)} %{say.interval(top, Style.PERCENT)}, by "
        f"{say.name(top['treatment'])}"
    )


def persistence_findings(analysis: Analysis) -> Iterator[Finding]:
    """Who held the target until when, and where control fell again."""
    for variable in variables_of(analysis, VariableRole.PEST):
        found = rows(analysis, "persistence", variable=variable.name)
        if not found:
            continue
        yield _holding(analysis, variable, found)
        fallen = [row for row in found if row["rebound_percent"] >= REBOUND_POINTS]
        if fallen:
            yield _rebound(analysis, variable, fallen)


def _holding(analysis: Analysis, variable: Variable, found: list[Row]) -> Finding:
    say = Teller(analysis)
    target = say.cite(found[0], "target", Style.PERCENT)
    reached = [row for row in found if row.known("holds_until_day")]
    reached.sort(key=lambda row: -float(row["holds_until_day"]))
    never = [str(row["treatment"]) for row in found if not row.known("holds_until_day")]
    if not reached:
        return say.finding(
            "persistence",
            f"{variable.label}: no treatment reached {target} % control at any assessment.",
        )
    parts = [_until(say, row) for row in reached[:MOST_NAMED]]
    if len(reached) > MOST_NAMED:
        parts.append(f"{len(reached) - MOST_NAMED} more for a shorter time")
    text = f"{variable.label}: at least {target} % control was held by {series(parts)}"
    if never:
        text += f"; never reached by {say.named(never, MOST_NAMED)}"
    return say.finding("persistence", text + ".")


def _until(say: Teller, row: Row) -> str:
    name = say.name(row["treatment"])
    day = say.cite(row, "holds_until_day", Style.DAY)
    if row["censored"] is not True:
        return f"{name} until day {day}{say.interval(row, Style.DAY)}"
    sure = ""
    if row.known("lower") and row["lower"] < row["holds_until_day"]:
        sure = f" (interval from day {say.cite(row, 'lower', Style.DAY)})"
    return f"{name} to the last assessment on day {day}{sure}"


def _rebound(analysis: Analysis, variable: Variable, fallen: list[Row]) -> Finding:
    say = Teller(analysis)
    fallen = sorted(fallen, key=lambda row: -float(row["rebound_percent"]))
    parts = [
        f"{say.name(row['treatment'])} from {say.cite(row, 'peak_percent', Style.PERCENT)} % on "
        f"day {say.cite(row, 'peak_day', Style.DAY)} to "
        f"{say.cite(row, 'last_percent', Style.PERCENT)} %"
        for row in fallen[:MOST_NAMED]
    ]
    if len(fallen) > MOST_NAMED:
        parts.append(f"{len(fallen) - MOST_NAMED} more")
    return say.finding(
        "rebound",
        f"{variable.label}: by the last assessment control had fallen again with "
        f"{series(parts)}. Counts alone do not tell a failing product from plots that were "
        "invaded again.",
    )
