"""Ids that stand only in the first row of those that they belong to."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Grid, Ledger, Row

_FIELDS = frozenset({
    "plot", "block", "replicate", "treatment", "name", "main_plot", "main_factor", "sub_factor",
    "date", "days_after", "days_before", "days_planting", "hours_after", "weeks_after", "variable",
})  # fmt: skip


def fill_down(
    grid: Grid, kind: str, fields: Sequence[str | None], rows: Sequence[Row], ledger: Ledger
) -> list[Row]:
    """Repeat an id downwards where it stands once for every run of rows, and say so.

    Only where the first row has it and all runs are of the same length; elsewhere rows lack it
    by mistake, which is told where they are read.
    """
    filled = _without_ditto(grid, kind, fields, rows, ledger)
    rows = list(filled)
    for index, field in enumerate(fields):
        if field in _FIELDS and _even(index, filled):
            last = filled[0][index]
            for place, row in enumerate(filled):
                if index < len(row) and row[index].text:
                    last = row[index]
                else:
                    filled[place] = (*row[:index], last._replace(row=row[0].row), *row[index + 1 :])
            firsts = [r[index].text for r, old in zip(filled, rows, strict=True)
                      if index < len(old) and old[index].text]  # fmt: skip
            ledger.warn(
                "filled-down",
                f"The {field} stands in the first row of several only; "
                f"{listing(map(quoted, firsts), 4)} were taken for the rows below them too.",
                "Nothing needs to be done if that is right.",
                grid.place(filled[0][0].row),
            )
    return filled


#: What people write for "the same as above".
_DITTO = frozenset({
    '"', '""', "''", "'", "\u201d", "\u201c", "\u201e", "\u3003", "\u00ab", "\u00bb", "-\"-",
    '-"', "-\u201e-", "do", "do.", "ditto", "id.", "idem", "dto", "dto.", "dito", "same",
    "as above", "same as above", "\u2033", "\u2193", "|",
})  # fmt: skip


def _without_ditto(
    grid: Grid, kind: str, fields: Sequence[str | None], rows: Sequence[Row], ledger: Ledger
) -> list[Row]:
    """Put what stands above in the place of ditto marks among ids, and say so."""
    filled = list(rows)
    for index, field in enumerate(fields):
        # In the tables of a folder a plot or variable may be called by any sign.
        named = kind in {"counts", "yield"} and field in {"plot", "variable", "treatment", "name"}
        if field not in _FIELDS or named or kind == "plots":
            continue
        marks = [
            place
            for place, row in enumerate(filled)
            if index < len(row) and row[index].text.casefold() in _DITTO
        ]
        for place in marks:
            above = filled[place - 1] if place else ()
            if index < len(above) and above[index].text:
                row = filled[place]
                same = above[index]._replace(row=row[0].row)
                filled[place] = (*row[:index], same, *row[index + 1 :])
        if marks:
            first = rows[marks[0]]
            ledger.warn(
                "ditto",
                f"{quoted(first[index].text)} was taken for the {field} of the row above.",
                "Nothing needs to be done if that is right.",
                grid.place(first[0].row),
            )
    return filled


def _even(index: int, rows: Sequence[Row]) -> bool:
    """Whether the cells of a column head runs of rows of one length, two or more."""
    there = [bool(row[index].text) if index < len(row) else False for row in rows]
    if not there or not there[0] or all(there):
        return False
    starts = [place for place, filled in enumerate(there) if filled]
    lengths = {b - a for a, b in zip(starts, [*starts[1:], len(there)], strict=True)}
    return len(lengths) == 1 and len(starts) > 1
