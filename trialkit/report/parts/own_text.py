"""The user's own text, where it belongs; it is kept from run to run."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from trialkit.figures.identity import plain_line
from trialkit.report.context import Context
from trialkit.report.document import Block, Facts, Paragraph

#: Who stands behind a report, in the order of a sign-off.
_SIGNED = {
    "sponsor": "Sponsor",
    "protocol": "Protocol",
    "author": "Author",
    "approved_by": "Approved by",
    "version": "Version",
    "amendment": "Amendment",
}


def own(name: str) -> Callable[[Context], Iterator[Block]]:
    """Make what prints one text of the user's, a paragraph for each of its own.

    Parameters
    ----------
    name : str
        One of ``trialkit.trial.REPORT_TEXTS``.
    """

    def fill(context: Context) -> Iterator[Block]:
        for part in context.trial.report.get(name, "").split("\n\n"):
            text = plain_line(part)
            if text:
                yield Paragraph(text)

    return fill


def signed(context: Context) -> Iterator[Block]:
    """Who ordered, wrote and approved the report, its version and amendment."""
    texts = context.trial.report
    pairs = tuple(
        (words, plain_line(texts[name])) for name, words in _SIGNED.items() if texts.get(name)
    )
    if pairs:
        yield Facts(pairs)
