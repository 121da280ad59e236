"""Which findings a report opens with, in the order of what matters for a decision."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from trialkit.analysis import Analysis
from trialkit.findings.control import (
    control_findings,
    persistence_findings,
    rebound_findings,
)
from trialkit.findings.effects import (
    area_findings,
    enemy_findings,
    injury_findings,
    yield_findings,
)
from trialkit.findings.pest import (
    difference_findings,
    no_difference_findings,
    pressure_findings,
)
from trialkit.findings.planned import planned_findings
from trialkit.findings.products import (
    carrier_findings,
    loss_findings,
    mixture_findings,
    money_findings,
    neighbour_findings,
    perhaps_resurgence_findings,
    programme_findings,
    resurgence_findings,
)
from trialkit.findings.rates import rate_findings, rate_start_findings
from trialkit.findings.sentences import Finding
from trialkit.findings.shares import share_findings
from trialkit.findings.supporting import doubt_findings, method_findings
from trialkit.rows import Tables

#: In the order in which a reader wants them: how many pests, how much control and for how long,
#: what it brought, what it harmed; then what explains it, and how far it can be trusted.
TOPICS: tuple[Callable[[Tables], Iterator[Finding]], ...] = (
    pressure_findings,
    no_difference_findings,
    control_findings,
    persistence_findings,
    yield_findings,
    money_findings,
    planned_findings,
    share_findings,
    rate_findings,
    enemy_findings,
    resurgence_findings,
    injury_findings,
    mixture_findings,
    area_findings,
    rate_start_findings,
    perhaps_resurgence_findings,
    rebound_findings,
    carrier_findings,
    loss_findings,
    neighbour_findings,
    programme_findings,
    difference_findings,
    method_findings,
    doubt_findings,
)


def make_findings(analysis: Analysis, tables: Tables | None = None) -> tuple[Finding, ...]:
    """Say what a trial shows.

    Every sentence states what the tables hold and no more; none recommends an application.

    Parameters
    ----------
    analysis : Analysis
    tables : Tables, optional
        Its tables as rows, where they are at hand.

    Returns
    -------
    tuple of Finding
        The most important first.
    """
    read = tables or Tables(analysis)
    return tuple(finding for topic in TOPICS for finding in topic(read))
