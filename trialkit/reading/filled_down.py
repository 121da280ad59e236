"""Ids that stand only in the first row of those that they belong to."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.reading.cells import Grid, Ledger, Row, listing, quoted

_FIELDS = frozenset({
    "plot", "block", "replicate", "treatment", "name", "main_plot", "main_factor", "sub_factor",
    "date", "days_after", "days_before", "days_planting", "hours_after", "weeks_after", "variable",
})  # fmt: skip


def fill_down(
    grid: Grid, fields: Sequence[str | None], rows: Sequence[Row], ledger: Ledger
) -> list[Row]:
    """Repeat an id downwards where it stands once for every run of rows, and say so.

    Only where the first row has it and all runs are of the same length; elsewhere rows lack it
    by mistake, which is told where they are read.
    """
    filled = list(rows)
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


def _even(index: int, rows: Sequence[Row]) -> bool:
    """Whether the cells of a column head runs of rows of one length, two or more."""
    there = [bool(row[index].text) if index < len(row) else False for row in rows]
    if not there or not there[0] or all(there):
        return False
    starts = [place for place, filled in enumerate(there) if filled]
    lengths = {b - a for a, b in zip(starts, [*starts[1:], len(there)], strict=True)}
    return len(lengths) == 1 and len(starts) > 1
