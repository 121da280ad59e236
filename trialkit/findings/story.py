"""All findings of a trial: page 1 first, then every question in the order of the report."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from trialkit.analysis import Analysis
from trialkit.findings.control import control_findings, fall_findings, held_findings
from trialkit.findings.factors import factor_findings
from trialkit.findings.front import front_findings
from trialkit.findings.planned import planned_findings
from trialkit.findings.pressure import difference_findings
from trialkit.findings.products import (
    carrier_findings,
    enemy_findings,
    loss_findings,
    mixture_findings,
    neighbour_findings,
    programme_findings,
    resurgence_findings,
)
from trialkit.findings.rates import rate_findings, rate_start_findings
from trialkit.findings.sentences import Finding
from trialkit.findings.shares import share_findings
from trialkit.findings.supporting import doubt_findings
from trialkit.findings.whole import pest_findings, reference_findings, side_findings
from trialkit.findings.yields import return_findings, yield_findings
from trialkit.rows import Tables

#: Behind page 1, in the order in which a reader wants them.
TOPICS: tuple[Callable[[Tables], Iterator[Finding]], ...] = (
    lambda tables: pest_findings(tables, front=False),
    lambda tables: reference_findings(tables, front=False),
    control_findings,
    lambda tables: held_findings(tables, front=False),
    fall_findings,
    lambda tables: yield_findings(tables, front=False),
    lambda tables: return_findings(tables, front=False),
    planned_findings,
    share_findings,
    factor_findings,
    rate_findings,
    lambda tables: side_findings(tables, front=False),
    enemy_findings,
    resurgence_findings,
    mixture_findings,
    rate_start_findings,
    carrier_findings,
    loss_findings,
    neighbour_findings,
    programme_findings,
    difference_findings,
    doubt_findings,
)


def make_findings(analysis: Analysis, tables: Tables | None = None) -> tuple[Finding, ...]:
    """Say what a trial shows.

    Every sentence states what the tables hold and no more; none recommends an application. What
    is claimed was shown by a test: on page 1 (``front``) at a level that all its claims hold
    together, elsewhere at the level of the settings for each question.

    Parameters
    ----------
    analysis : Analysis
    tables : Tables, optional
        Its tables as rows, where they are at hand.

    Returns
    -------
    tuple of Finding
        Those of page 1 first, the most important at their head.

    Examples
    --------
    >>> import trialkit
    >>> analysis = trialkit.analyse(trialkit.example_trial("leaf_beetle_potato"))
    >>> all(finding.text.endswith(".") for finding in trialkit.make_findings(analysis))
    True
    """
    read = tables or Tables(analysis)
    front, rest = front_findings(read)
    return (*front, *rest, *(finding for topic in TOPICS for finding in topic(read)))
