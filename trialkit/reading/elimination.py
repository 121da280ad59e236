"""Headings that nothing is known of: single letters, told by what stands below them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Row
from trialkit.reading.numbers import looks_numeric

_WITHIN = 5
#: What a letter stands for in textbooks, where the column can be it.
_LETTERS: Mapping[str, str] = {
    "b": "block", "r": "replicate", "t": "treatment", "v": "variety", "g": "genotype", "y": "yield",
}  # fmt: skip


def by_elimination(grid: Grid, ledger: Ledger) -> tuple[int, Row] | None:
    """Find the headings of a table none of whose headings is known.

    They are the first row of words over rows with numbers. Single letters are taken for what they
    stand for in textbooks, B for block, V for variety, Y for yield, where levels of few values
    stand in the one and numbers in the other; and it is said.

    Returns
    -------
    (int, Row) or None
        Index into ``grid.rows`` of the heading row, and the headings with what was taken for them.
    """
    for index, row in enumerate(grid.rows[:_WITHIN]):
        body = grid.rows[index + 1 :]
        words = [cell for cell in row if cell.text]
        if len(words) < 2 or any(looks_numeric(cell.text) for cell in words) or len(body) < 4:
            continue
        if not any(_numbers(body, cell) for cell in words):
            return None
        taken = {cell.column: _LETTERS[cell.text.casefold()] for cell in words if _fits(body, cell)}
        if taken:
            pairs = [
                f"{quoted(cell.text)} for {taken[cell.column]}"
                for cell in words
                if cell.column in taken
            ]
            ledger.warn(
                "headings-assumed",
                f"The headings are single letters; {listing(pairs, 6)} was taken.",
                "Nothing needs to be done if that is right; else write the headings in words.",
                grid.place(row[0].row),
            )
        return index, tuple(cell._replace(text=taken.get(cell.column, cell.text)) for cell in row)
    return None


def _column(body: tuple[Row, ...], cell: Cell) -> list[str]:
    place = cell.column - 1
    return [row[place].text for row in body if place < len(row) and row[place].text]


def _numbers(body: tuple[Row, ...], cell: Cell) -> bool:
    texts = _column(body, cell)
    return bool(texts) and all(map(looks_numeric, texts))


def _fits(body: tuple[Row, ...], cell: Cell) -> bool:
    """Whether a column can be what its letter stands for."""
    meaning = _LETTERS.get(cell.text.casefold())
    if meaning is None:
        return False
    levels = Counter(_column(body, cell))
    if meaning == "yield":
        return _numbers(body, cell) and len(levels) * 2 > len(body) ** 0.5
    return 2 <= len(levels) <= len(body) // 2 and len(set(levels.values())) == 1
