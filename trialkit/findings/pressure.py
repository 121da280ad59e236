"""What was there: how high the pest stood in the untreated; no claim, what was counted."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import Finding, Style, Teller, noun, rows
from trialkit.findings.shown import main_variables, variables_of
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole, sign_not_in_label

#: What changes from day to day, by source of the tests; the factors of split-plots and strip-plots.
_COURSES = {
    "treatment:day": "differences.course",
    "main:day": "differences.main",
    "sub:day": "differences.sub",
}


def pressure_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """How high the pest stood in the untreated, and whether it passed the threshold."""
    untreated = tables.trial.untreated
    if untreated is None:
        return
    for variable in variables_of(tables, VariableRole.PEST):
        say = Teller(tables)
        text = level_in_untreated(say, variable, with_threshold=True)
        if text is not None:
            about = {"variable": variable.name, "subjects": (untreated,)}
            yield say.finding("pressure", text, front=front, **about)


def level_in_untreated(
    say: Teller, variable: Variable, *, with_threshold: bool = False
) -> str | None:
    """Say how high a variable stood in the untreated; None where it was not seen there.

    Parameters
    ----------
    say : Teller
        Keeps the numbers.
    variable : Variable
    with_threshold : bool
        Say too whether it passed the action threshold, where it has one.
    """
    wanted = {
        "variable": variable.name,
        "measure": "count",
        "treatment": say.tables.trial.untreated,
    }
    course = [row for row in rows(say.tables, "means", **wanted) if row.known("mean")]
    if not course:
        return None
    if not any(row["mean"] > 0.0 for row in course):
        return phrase("pressure.nothing", noun=noun(variable))
    peak = max(course, key=lambda row: float(row["mean"]))
    threshold = ""
    if with_threshold and variable.threshold is not None:
        above = peak["mean"] >= variable.threshold
        threshold = phrase(
            "pressure.above" if above else "pressure.never",
            threshold=f"{variable.threshold:g}",
        )
    label, sign = _parted(variable)
    slots = {"noun": label, "threshold": threshold, "peak": say.cite(peak, "mean") + sign}
    if len(course) == 1:
        dated = peak.known("days_after")
        day = phrase("pressure.on", day=say.cite(peak, "days_after", Style.DAY)) if dated else ""
        return phrase("pressure.one", day=day, **slots)
    slots["peak_day"] = say.cite(peak, "days_after", Style.DAY)
    if course[0] is peak:
        return phrase("pressure.first", **slots)
    return phrase(
        "pressure.course",
        first=say.cite(course[0], "mean") + sign,
        first_day=say.cite(course[0], "days_after", Style.DAY),
        **slots,
    )


def _parted(variable: Variable) -> tuple[str, str]:
    """A label such as "Leaf area eaten, %" as a name and the sign that its numbers carry."""
    label = variable.label
    if sign_not_in_label(variable):
        return label, "%"
    name = label.removesuffix("%").rstrip(", (")
    return (name, "%") if label.endswith("%") and name else (label, "")


def difference_findings(tables: Tables) -> Iterator[Finding]:
    """Whether the differences between treatments changed over the days."""
    alpha = tables.trial.settings.alpha
    for variable in main_variables(tables):
        for source, key in _COURSES.items():
            found = rows(tables, "course_tests", variable=variable.name, source=source, chosen=True)
            if not found or not found[0].known("p") or found[0]["p"] >= alpha:
                continue
            say = Teller(tables)
            text = phrase(key, noun=noun(variable), brackets=f", {say.p(found[0], 'p')}")
            yield say.finding(
                "differences",
                text,
                question="course",
                variable=variable.name,
                claim=True,
                p=float(found[0]["p"]),
                level=alpha,
            )
