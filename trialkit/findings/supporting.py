"""Findings from the checks and from all days together."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.analysis import Analysis
from trialkit.findings.pest import variables_of
from trialkit.findings.sentences import Finding, Style, Teller, rows, series
from trialkit.trial import VariableRole, harvest_variable

#: Recommendations that leave the analysis as it is.
_QUIET = frozenset({"keep", "check plot", "not assessed"})
#: What changes from day to day, by source of the tests; the factors of split-plots and strip-plots.
_COURSES = {
    "treatment:day": "the differences between treatments",
    "main:day": "the differences between levels of the main factor",
    "sub:day": "the differences between levels of the sub factor",
}


def course_findings(analysis: Analysis) -> Iterator[Finding]:
    """Whether the differences between treatments changed over the days after treatment."""
    alpha = analysis.trial.settings.alpha
    for variable in variables_of(analysis, VariableRole.PEST):
        for source, between in _COURSES.items():
            found = rows(
                analysis, "course_tests", variable=variable.name, source=source, chosen=True
            )
            if not found or not found[0].known("p"):
                continue
            say = Teller(analysis)
            p = say.cite(found[0], "p", Style.P)
            if found[0]["p"] < alpha:
                text = f"{between} changed from day to day ({p})"
            else:
                text = f"that {between} changed from day to day could not be shown ({p})"
            yield say.finding("course", f"{variable.label}: over all days after treatment, {text}.")


def doubt_findings(analysis: Analysis) -> Iterator[Finding]:
    """For which variables the checks of the analysis recommend something."""
    doubtful = set(
        analysis.choices.loc[
            analysis.choices["recommendation"].notna()
            & ~analysis.choices["recommendation"].isin(_QUIET),
            "variable",
        ]
    )
    areas = analysis.responses[analysis.responses["measure"] == "pest_days"]
    of_area = set(
        areas.loc[
            areas["recommendation"].notna() & ~areas["recommendation"].isin(_QUIET), "variable"
        ]
    )
    known = {item.name: item for item in analysis.trial.variables}
    names = []
    for name in dict.fromkeys(analysis.responses["variable"]):
        label = known.get(name, harvest_variable(analysis.trial)).label
        if name in doubtful:
            names.append(label)
        elif name in of_area:
            names.append(f"{label} over the whole period")
    if names:
        yield Finding(
            "doubts",
            f"The checks of the tests raised doubts about {series(names)}; which they are, and "
            "what they mean, stands under how far the analysis can be trusted.",
        )
