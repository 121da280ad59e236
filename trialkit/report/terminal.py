"""The first page as plain lines for a terminal, at most 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from trialkit.plain_text import printable
from trialkit.report.document import Aside, Document, Findings
from trialkit.report.glance_block import Glance, GlanceCell, GlanceRow, Ink

WIDTH = 80
#: Longest name of a treatment in the table.
NAME = 20
#: Marks a number for which something was shown, since a terminal has no bold that everyone sees.
SHOWN, HARM = "*", "!"


def front_lines(document: Document) -> list[str]:
    """Write the first page of a document as lines.

    Parameters
    ----------
    document : Document

    Returns
    -------
    list of str
        Control characters are taken out.
    """
    lines = [*_wrapped(document.title)]
    lines += _wrapped(document.subtitle) if document.subtitle else []
    lines += _wrapped(document.design) if document.design else []
    for block in document.front:
        lines.append("")
        if isinstance(block, Findings):
            for item in block.items:
                lines += _wrapped(item, "- ", "  ")
        elif isinstance(block, Glance):
            lines += _table(block)
        elif isinstance(block, Aside):
            lines += _wrapped(block.text)
    return [printable(line).rstrip() for line in lines]


def _wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=then, break_on_hyphens=False
    )


def _table(block: Glance) -> Iterator[str]:
    """The table at a glance; where it is too wide for a line its columns are parted in two."""
    for number, part in enumerate(_parts(block)):
        if number:
            yield ""
        widths = [_column_width(block, place) for place in part]
        heads = [
            textwrap.wrap(" ".join(block.heads[place]).strip(), width, break_on_hyphens=False)
            for place, width in zip(part, widths, strict=True)
        ]
        tallest = max(map(len, heads))
        for line in range(tallest):
            cells = [([""] * (tallest - len(head)) + head)[line] for head in heads]
            yield _joined("Treatment" if line == tallest - 1 else "", cells, widths)
        yield "-" * min(WIDTH, NAME + sum(widths) + len(widths))
        for row in block.rows:
            yield from _row(row, part, widths)
    if all(cell.ink is Ink.ESTIMATE for row in block.rows for cell in row.cells):
        return
    yield ""
    yield from _wrapped(
        f"{SHOWN} a difference from the untreated was shown; {HARM} shown, and to the worse."
    )


def _parts(block: Glance) -> list[list[int]]:
    parts: list[list[int]] = [[]]
    used = NAME
    for place in range(len(block.heads)):
        width = _column_width(block, place) + 1
        if used + width > WIDTH and parts[-1]:
            parts.append([])
            used = NAME
        parts[-1].append(place)
        used += width
    return parts


def _column_width(block: Glance, place: int) -> int:
    words = " ".join(block.heads[place]).split()
    cells = [row.cells[place] for row in block.rows]
    texts = [*(_marked(cell) for cell in cells), *map(_under, cells), *words]
    return max(map(len, texts))


def _under(cell: GlanceCell) -> str:
    return f"{cell.under} " if cell.under else ""


def _marked(cell: GlanceCell) -> str:
    text = f"{cell.text} {cell.beside}".strip()
    return text + {Ink.SHOWN: SHOWN, Ink.HARM: HARM, Ink.ESTIMATE: " "}[cell.ink]


def _joined(name: str, cells: Sequence[str], widths: Sequence[int]) -> str:
    body = " ".join(cell.rjust(width) for cell, width in zip(cells, widths, strict=True))
    return f"{name.ljust(NAME)}{body}"


def _row(row: GlanceRow, part: Sequence[int], widths: Sequence[int]) -> Iterator[str]:
    cells = [row.cells[place] for place in part]
    names = textwrap.wrap(row.name, NAME - 1, break_on_hyphens=False)
    if len(names) > 2:  # its number tells it from others that begin alike
        number = row.under.partition(" \N{MIDDLE DOT} ")[0]
        names = textwrap.wrap(f"{number} {row.name}", NAME - 1, break_on_hyphens=False)
        names = [names[0], f"{names[1][: NAME - 2]}\N{HORIZONTAL ELLIPSIS}"]
    yield _joined(names[0] if names else "", [_marked(cell) for cell in cells], widths)
    under = [_under(cell) for cell in cells]
    if len(names) > 1 or any(under):
        yield _joined(names[1] if len(names) > 1 else "", under, widths)
