"""Findings from the checks of the analysis, and about the factors of a trial."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.phrases import phrase, series
from trialkit.findings.sentences import Finding, noun
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
        own = noun(known.get(name, harvest_variable(tables.trial)))
        if name in doubtful:
            names.append(own)
        elif name in of_area:
            names.append(phrase("doubts.period", noun=own))
    if names:
        text = phrase("doubts.doubts", nouns=series(names))
        yield Finding("doubts", text, question="doubts")


def _advised(found: Rows) -> set[str]:
    """Variables with a recommendation that changes something."""
    advised = found.known("recommendation")
    return {
        variable
        for variable, text in zip(advised["variable"], advised["recommendation"], strict=True)
        if text not in _QUIET
    }
