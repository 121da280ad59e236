"""Findings about the pest itself: how high it rose, and whether treatments differed."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.sentences import Finding, Row, Style, Teller, day_list, rows
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole

#: How many treatments a sentence names before it stops.
MOST_NAMED = 4
#: What changes from day to day, by source of the tests; the factors of split-plots and strip-plots.
_COURSES = {
    "treatment:day": "the differences between treatments",
    "main:day": "the differences between levels of the main factor",
    "sub:day": "the differences between levels of the sub factor",
}


def variables_of(tables: Tables, *roles: VariableRole) -> Iterator[Variable]:
    """Assessed variables with one of the roles, in the order of the trial."""
    assessed = set(tables["responses"]["variable"])
    for variable in tables.trial.variables:
        if variable.role in roles and variable.name in assessed:
            yield variable


def treatments_of(found: list[Row]) -> list[str]:
    """Treatments of some rows, each once and in their order."""
    return list(dict.fromkeys(str(row["treatment"]) for row in found))


def main_variables(tables: Tables) -> list[Variable]:
    """The pests; where none was counted, the damage they did."""
    pests = list(variables_of(tables, VariableRole.PEST))
    return pests or list(variables_of(tables, VariableRole.DAMAGE))


def pressure_findings(tables: Tables) -> Iterator[Finding]:
    """How high the pest stood in the untreated, and whether it passed the threshold."""
    untreated = tables.trial.untreated
    if untreated is None:
        return
    for variable in variables_of(tables, VariableRole.PEST):
        wanted = {"variable": variable.name, "measure": "count", "treatment": untreated}
        course = [row for row in rows(tables, "means", **wanted) if row.known("mean")]
        if not course:
            continue
        say = Teller(tables)
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


def difference_findings(tables: Tables) -> Iterator[Finding]:
    """On which days after treatment the treatments differed."""
    yield from _difference_findings(tables, shown=True)


def no_difference_findings(tables: Tables) -> Iterator[Finding]:
    """Where treatments were shown to differ on no day; it comes before what they did."""
    yield from _difference_findings(tables, shown=False)


def _difference_findings(tables: Tables, *, shown: bool) -> Iterator[Finding]:
    alpha = tables.trial.settings.alpha
    for variable in main_variables(tables):
        tested = [
            row
            for row in rows(tables, "responses", variable=variable.name, measure="count")
            if row["days_after"] > 0 and row.known("p")
        ]
        if tested and any(row["p"] < alpha for row in tested) is shown:
            say = Teller(tables)
            text = _differences(say, tested, alpha)
            text += _adjusted(say, variable, tested) + _course(say, variable)
            yield say.finding("differences", f"{variable.label}: {text}.")


def _course(say: Teller, variable: Variable) -> str:
    """Whether the differences changed over the days after treatment."""
    text = ""
    for source, between in _COURSES.items():
        found = rows(say.tables, "course_tests", variable=variable.name, source=source, chosen=True)
        if not found or not found[0].known("p"):
            continue
        p = say.cite(found[0], "p", Style.P)
        if found[0]["p"] < say.tables.trial.settings.alpha:
            text += f"; {between} changed from day to day ({p})"
        else:
            text += f"; that {between} changed from day to day could not be shown ({p})"
    return text


def _adjusted(say: Teller, variable: Variable, tested: list[Row]) -> str:
    """Days on which only the test adjusted for the count before treatment found a difference."""
    alpha = say.tables.trial.settings.alpha
    unseen = {row["days_after"] for row in tested if row["p"] >= alpha}
    found = [
        row
        for row in rows(say.tables, "covariate", variable=variable.name)
        if row["days_after"] in unseen and row["p"] < alpha and not row["p_equal_slopes"] < alpha
    ]
    if not found:
        return ""
    largest = max(found, key=lambda row: float(row["p"]))
    days = day_list([row["days_after"] for row in found])
    less = " or less" if len(found) > 1 and largest["p"] >= 0.001 else ""
    return (
        "; adjusted for the count before treatment they did differ on "
        f"{days} ({say.cite(largest, 'p', Style.P)}{less})"
    )


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
