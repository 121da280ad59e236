"""Which findings a report opens with, in the order of what matters for a decision."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from trialkit.analysis import Analysis
from trialkit.findings.effects import (
    area_findings,
    enemy_findings,
    injury_findings,
    yield_findings,
)
from trialkit.findings.pest import (
    control_findings,
    difference_findings,
    persistence_findings,
    pressure_findings,
)
from trialkit.findings.products import (
    carrier_findings,
    loss_findings,
    mixture_findings,
    money_findings,
    neighbour_findings,
    programme_findings,
    rate_findings,
    resurgence_findings,
)
from trialkit.findings.sentences import Finding
from trialkit.findings.shares import share_findings
from trialkit.findings.supporting import course_findings, doubt_findings

#: In the order in which a reader wants them.
TOPICS: tuple[Callable[[Analysis], Iterator[Finding]], ...] = (
    control_findings,
    persistence_findings,
    area_findings,
    share_findings,
    rate_findings,
    yield_findings,
    money_findings,
    loss_findings,
    enemy_findings,
    resurgence_findings,
    injury_findings,
    carrier_findings,
    mixture_findings,
    neighbour_findings,
    difference_findings,
    course_findings,
    pressure_findings,
    programme_findings,
    doubt_findings,
)


def make_findings(analysis: Analysis) -> tuple[Finding, ...]:
    """Say what a trial shows.

    Every sentence states what the tables hold and no more; none recommends an application.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    tuple of Finding
        The most important first.
    """
    return tuple(finding for topic in TOPICS for finding in topic(analysis))
