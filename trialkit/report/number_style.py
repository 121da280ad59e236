"""Give the numbers of a whole document the style that its reader asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace

from trialkit.figures.identity import plain_line
from trialkit.plain_text import alternatives
from trialkit.report.document import Document, Table
from trialkit.report.rewriting import rewritten, rewritten_drawings
from trialkit.report_choices import NumberStyle
from trialkit.trial import Trial

_NUMBER = re.compile(r"\d[,%]")


def restyled(document: Document, own: Iterable[str], style: NumberStyle) -> Document:
    """Write the numbers of a document in another style; names and texts of the user's stay.

    Parameters
    ----------
    document : Document
        Its numbers in the plain style.
    own : iterable of str
        Names and texts of the user's own, which are left as they are.
    style : NumberStyle
    """
    if style is NumberStyle.PLAIN:
        return document

    def told(table: Table) -> Table:
        return replace(table, numbers=style)

    return rewritten(document, _writer(own, style), told)


def restyled_drawings(
    drawings: Mapping[str, str], own: Iterable[str], style: NumberStyle
) -> dict[str, str]:
    """The same for the words of drawings, each an ``<svg>`` element."""
    if style is NumberStyle.PLAIN:
        return dict(drawings)
    return rewritten_drawings(drawings, _writer(own, style))


def _writer(own: Iterable[str], style: NumberStyle) -> Callable[[str], str]:
    lines = (plain_line(part) for text in own for part in text.split("\n\n"))
    kept = {line for line in lines if _NUMBER.search(line)}
    pattern = re.compile(f"({alternatives(kept)})") if kept else None

    def write(text: str) -> str:
        if pattern is None:
            return style.styled(text)
        pieces = pattern.split(text)
        return "".join(
            piece if place % 2 else style.styled(piece) for place, piece in enumerate(pieces)
        )

    return write


def words_of_trial(trial: Trial) -> Iterator[str]:
    """Names and texts of the user's own in a trial."""
    yield from (trial.title, trial.site or "", trial.season or "", trial.notes or "")
    yield from (text for item in trial.treatments for text in (item.name or "", item.id))
    yield from (plot.id for plot in trial.plots)
    yield from (variable.label for variable in trial.variables)
    yield from trial.report.values()
