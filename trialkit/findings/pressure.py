"""What was there: how high the pest stood in the untreated; no claim, what was counted."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import Finding, Style, Teller, noun, rows
from trialkit.findings.shown import main_variables, variables_of
from trialkit.rows import Tables
from trialkit.trial import VariableRole

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
        wanted = {"variable": variable.name, "measure": "count", "treatment": untreated}
        course = [row for row in rows(tables, "means", **wanted) if row.known("mean")]
        if not course:
            continue
        say = Teller(tables)
        about = {"variable": variable.name, "subjects": (untreated,)}
        if not any(row["mean"] > 0.0 for row in course):
            text = phrase("pressure.nothing", noun=noun(variable))
            yield say.finding("pressure", text, front=front, **about)
            continue
        peak = max(course, key=lambda row: float(row["mean"]))
        threshold = ""
        if variable.threshold is not None:
            above = peak["mean"] >= variable.threshold
            threshold = phrase(
                "pressure.above" if above else "pressure.never",
                threshold=f"{variable.threshold:g}",
            )
        label, sign = _parted(variable.label)
        slots = {"noun": label, "threshold": threshold, "peak": say.cite(peak, "mean") + sign}
        dated = peak.known("days_after")
        if len(course) == 1:
            day = (
                phrase("pressure.on", day=say.cite(peak, "days_after", Style.DAY)) if dated else ""
            )
            text = phrase("pressure.one", day=day, **slots)
        else:
            slots["peak_day"] = say.cite(peak, "days_after", Style.DAY)
            if course[0] is peak:
                text = phrase("pressure.first", **slots)
            else:
                text = phrase(
                    "pressure.course",
                    first=say.cite(course[0], "mean") + sign,
                    first_day=say.cite(course[0], "days_after", Style.DAY),
                    **slots,
                )
        yield say.finding("pressure", text, front=front, **about)


def _parted(label: str) -> tuple[str, str]:
    """A label such as "Leaf area eaten, %" as a name and the sign that its numbers carry."""
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
