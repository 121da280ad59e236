"""Where the pages of a Word file may end: not inside a short table, nor above its notes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from docx.table import Table as WordTable
    from docx.table import _Row


#: Tables up to this many rows stay whole; if larger ones did, pages would stay half empty.
MOST_WHOLE = 6
#: Rows of a larger table that stay together at its top and at its end.
_KEPT = 3


def gap() -> Any:
    """Room between a table and what follows."""
    from docx.shared import Pt

    return Pt(8)


def hold(rows: Iterable[_Row]) -> None:
    """Keep rows on the page of what follows them."""
    from docx.oxml.ns import qn

    for row in rows:
        for line in row._tr.iter(qn("w:p")):
            line.get_or_add_pPr().get_or_add_keepNext()


def keep_rows(grid: WordTable, *, noted: bool, with_next: Sequence[bool] = ()) -> None:
    """Let no page end in a short table, near the top or end of a long one, or above its notes.

    Parameters
    ----------
    grid : table
        Its first row is the heading.
    noted : bool
        Whether notes follow, which are not to stand on a page without a row.
    with_next : sequence of bool
        For each row of the body, whether the one below belongs to it; empty where none does.
    """
    rows = list(grid.rows)
    last = len(rows) - 1
    held = {
        place
        for place in range(len(rows))
        if last <= MOST_WHOLE or place < _KEPT or place > last - _KEPT
    }
    held |= {place for place, joined in enumerate(with_next, start=1) if joined}
    hold(
        row
        for place, row in enumerate(rows)
        if (place in held and place < last) or (noted and place == last)
    )
