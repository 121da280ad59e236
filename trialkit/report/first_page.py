"""The first page as every report has it: what was shown, the table at a glance, doubts, caution."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from trialkit.findings.front import MOST_SENTENCES
from trialkit.report.document import Aside, Block, Findings
from trialkit.report.glance_block import Glance


def first_page(
    sentences: Sequence[str],
    glance: Glance | None,
    doubt: str,
    caution: str,
    *,
    names: tuple[str, ...] = (),
) -> Iterator[Block]:
    """Put the first page together.

    Parameters
    ----------
    sentences : sequence of str
        The weightiest first; those beyond the fifth are left out.
    glance : Glance or None
    doubt : str
        Empty where there is none.
    caution : str
    names : tuple of str
        What stands out in the sentences.
    """
    shown = tuple(sentences[:MOST_SENTENCES])
    if shown:
        yield Findings(shown, start=0, strong=names, title="In short")
    if glance is not None:
        yield glance
    if doubt:
        yield Aside(doubt, doubt=True)
    yield Aside(caution)
