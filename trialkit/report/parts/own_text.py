"""The user's own text, where it belongs; it is kept from run to run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Protocol

from trialkit.figures.identity import plain_line
from trialkit.report.document import Block, Facts, Paragraph


class Told(Protocol):
    """A trial, or a series of trials, with texts of the user's own."""

    @property
    def texts(self) -> Mapping[str, str]:
        """Text by key of ``[report]``."""
        ...


#: Who stands behind a report, in the order of a sign-off.
_SIGNED = {
    "sponsor": "Sponsor",
    "protocol": "Protocol",
    "author": "Author",
    "approved_by": "Approved by",
    "version": "Version",
    "amendment": "Amendment",
}


def own(name: str) -> Callable[[Told], Iterator[Block]]:
    """Make what prints one text of the user's, a paragraph for each of its own.

    Parameters
    ----------
    name : str
        One of ``trialkit.trial.REPORT_TEXTS``.
    """

    def fill(context: Told) -> Iterator[Block]:
        for part in context.texts.get(name, "").split("\n\n"):
            text = plain_line(part)
            if text:
                yield Paragraph(text)

    return fill


def signed(context: Told) -> Iterator[Block]:
    """Who ordered, wrote and approved the report, its version and amendment."""
    texts = context.texts
    pairs = tuple(
        (words, plain_line(texts[name])) for name, words in _SIGNED.items() if texts.get(name)
    )
    if pairs:
        yield Facts(pairs)
