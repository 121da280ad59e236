"""Findings from the checks, and about the formula of control."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.analysis import Analysis
from trialkit.findings.pest import main_variables
from trialkit.findings.sentences import Finding, Teller, rows, series
from trialkit.trial import harvest_variable

#: Recommendations that leave the analysis as it is.
_QUIET = frozenset({"keep", "check plot", "not assessed"})


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


def method_findings(analysis: Analysis) -> Iterator[Finding]:
    """Where the formula of control that leaves the count before treatment out is far surer."""
    for variable in main_variables(analysis):
        found = rows(
            analysis, "control_methods", variable=variable.name, recommendation="consider abbott"
        )
        for row in found:
            say = Teller(analysis)
            yield say.finding(
                "method",
                f"{variable.label}: intervals of control are {say.cite(row, 'times')} times as "
                "wide as they would be by Abbott's formula, because the values before treatment "
                f"(mean {say.cite(row, 'before')}) are small or uneven and correct little.",
            )
