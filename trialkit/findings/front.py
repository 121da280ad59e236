"""Page 1: at most five sentences, of which all claims hold together."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from trialkit.findings.control import held_findings
from trialkit.findings.pressure import pressure_findings
from trialkit.findings.sentences import Finding
from trialkit.findings.whole import (
    pest_findings,
    pest_reference,
    reference_findings,
    side_findings,
)
from trialkit.findings.yields import return_findings, yield_findings
from trialkit.rows import Tables

#: How many sentences page 1 has at most.
MOST_SENTENCES = 5


def front_findings(tables: Tables) -> tuple[list[Finding], list[Finding]]:
    """Sentences of page 1, what weighs most for a decision first, and what found no place there.

    First what was done to the pest, then how the reference did, how long control lasted, yield
    and return, harm; the pressure in the untreated where there is room. A topic gives its first
    sentence before another gives its second.
    """
    pest = list(pest_findings(tables, front=True))
    reference = [*pest_reference(tables, pest), *reference_findings(tables, front=True)]
    pest = [item for item in pest if item not in reference]
    topics: tuple[Callable[[], Iterator[Finding]], ...] = (
        lambda: iter(pest),
        lambda: iter(reference),
        lambda: held_findings(tables, front=True),
        lambda: yield_findings(tables, front=True),
        lambda: return_findings(tables, front=True),
        lambda: side_findings(tables, front=True),
        lambda: pressure_findings(tables, front=True),
    )
    found = [list(topic()) for topic in topics]
    order = sorted(
        ((topic, place) for topic, own in enumerate(found) for place in range(len(own))),
        key=lambda item: _weight(found[item[0]][item[1]], *item),
    )
    kept = sorted(order[:MOST_SENTENCES])
    rest = [replace(found[i][j], front=False) for i, j in sorted(order[MOST_SENTENCES:])]
    return [found[i][j] for i, j in kept], rest


def _weight(finding: Finding, topic: int, place: int) -> tuple[int, int, int]:
    """What is kept first: of each topic one sentence, of pest and reference also denials."""
    quiet = not finding.claim and topic > 1
    return (2 * place + quiet, topic, place)
