"""Findings from the checks, and about the formula of control."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.pest import main_variables
from trialkit.findings.sentences import Finding, Teller, rows, series
from trialkit.rows import Rows, Tables
from trialkit.trial import harvest_variable

#: Recommendations that leave the analysis as it is.
_QUIET = frozenset({"keep", "check plot", "not assessed"})


def doubt_findings(tables: Tables) -> Iterator[Finding]:
    """For which variables the checks of the analysis recommend something."""
    doubtful = _advised(tables["choices"])
    of_area = _advised(tables["responses"].where(measure="pest_days"))
    known = {item.name: item for item in tables.trial.variables}
    names = []
    for name in dict.fromkeys(tables["responses"]["variable"]):
        label = known.get(name, harvest_variable(tables.trial)).label
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


def _advised(found: Rows) -> set[str]:
    """Variables with a recommendation that changes something."""
    advised = found.known("recommendation")
    return {
        variable
        for variable, text in zip(advised["variable"], advised["recommendation"], strict=True)
        if text not in _QUIET
    }


def method_findings(tables: Tables) -> Iterator[Finding]:
    """Where the formula of control that leaves the count before treatment out is far surer."""
    for variable in main_variables(tables):
        found = rows(
            tables, "control_methods", variable=variable.name, recommendation="consider abbott"
        )
        for row in found:
            say = Teller(tables)
            yield say.finding(
                "method",
                f"{variable.label}: intervals of control are {say.cite(row, 'times')} times as "
                "wide as they would be by Abbott's formula, because the values before treatment "
                f"(mean {say.cite(row, 'before')}) are small or uneven and correct little.",
            )
