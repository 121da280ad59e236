"""One sheet or file for each block: put below each other, as one table with a column of blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Piece
from trialkit.reading.headers import field_of, normal
from trialkit.reading.headings import Across, day_header, replicate_in
from trialkit.reading.untreated_words import is_untreated_word


def stacked(grids: Sequence[Grid], ledger: Ledger) -> list[Grid]:
    """Stack tables that are named by their block, and have the same headings and no blocks.

    Every cell keeps its place in its own sheet or file. Where the tables do not fit together all
    are given back as they are.
    """
    field, blocks = "block", [_block(grid) for grid in grids]
    days = ["" if across is None else _day(across.rest) for across in map(_across, grids)]
    if not any(blocks):
        blocks = _numbered(grids)
    if not any(blocks):
        field, blocks = "treatment", _treatments(grids)
    if any(days) and not all(day for day, block in zip(days, blocks, strict=True) if block):
        return list(grids)
    named = [grid for grid, block in zip(grids, blocks, strict=True) if block]
    if len(named) < 2 or not _alike(named, field):
        return list(grids)
    place = _heading(named[0])
    head = named[0].rows[place]
    width = max(len(row) for grid in named for row in grid.rows)
    rows = [
        *named[0].rows[:place],
        (
            *head,
            *_blanks(head, width),
            Cell(field, head[0].row, width + 1),
            *([Cell("days_after", head[0].row, width + 2)] if any(days) else []),
        ),
    ]
    pieces = []
    below = 0
    told = [(block, day) for block, day in zip(blocks, days, strict=True) if block]
    for grid, (block, day) in zip(named, told, strict=True):
        pieces.append(Piece(below, grid.file, grid.sheet))
        for row in grid.rows[place + 1 :]:
            number = row[0].row + below
            moved = tuple(cell._replace(row=number) for cell in row)
            extra = [Cell(block, number, width + 1)]
            extra += [Cell(day, number, width + 2)] if any(days) else []
            rows.append((*moved, *_blanks(moved, width), *extra))
        below += grid.rows[-1][0].row + 1
    names = [quoted(grid.name) for grid in named]
    ledger.warn(
        f"{field}-a-sheet",
        f"{listing(names, 4)} have the same headings and were taken for a {field} "
        f"{'and a day ' if any(days) else ''}each.",
        "Nothing needs to be done if that is right.",
        named[0].place(),
    )
    first = replace(named[0], rows=tuple(rows), merged=(), pieces=tuple(pieces))
    others = [grid for grid, block in zip(grids, blocks, strict=True) if not block]
    return [first, *others]


def _block(grid: Grid) -> str:
    """The block that a sheet or file is named by; empty where its name says more than a day."""
    across = _across(grid)
    return "" if across is None or (across.rest and not _day(across.rest)) else across.number


def _across(grid: Grid) -> Across | None:
    return replicate_in(grid.name.removesuffix(".csv"))


def _day(text: str) -> str:
    """Days after treatment, where a text says nothing else; else empty."""
    header = day_header(Cell(text, 1, 1))
    alone = header is not None and not header.variable and not header.since
    return f"{header.day:g}" if alone and header and header.day is not None else ""


def _numbered(grids: Sequence[Grid]) -> list[str]:
    """Blocks of sheets called 1, 2, 3: each with every treatment once, and plots of its own."""
    none = [""] * len(grids)
    names = [grid.name.removesuffix(".csv").strip() for grid in grids]
    numbers = [name for name in names if name.isdigit()]
    numbered = [grid for grid, name in zip(grids, names, strict=True) if name.isdigit()]
    if numbers != [str(n) for n in range(1, len(numbers) + 1)] or len(numbers) < 2:
        return none
    if not _alike(numbered):
        return none
    treatments = [_column_of(grid, "treatment") for grid in numbered]
    plots = [text for grid in numbered for text in _column_of(grid, "plot")]
    if not plots:
        return none  # without plots the sheets may be days
    once = all(len(set(own)) == len(own) for own in treatments)
    alike = len({frozenset(own) for own in treatments}) == 1
    return (
        [n if n.isdigit() else "" for n in names]
        if (once and alike and len(set(plots)) == len(plots))
        else none
    )


def _column_of(grid: Grid, field: str) -> list[str]:
    """Cells below the heading of a field; empty where there is none."""
    place = _heading(grid)
    columns = [c.column for c in grid.rows[place] if field_of("flat", c.text) == field]
    return [
        row[columns[0] - 1].text
        for row in grid.rows[place + 1 :]
        if columns and len(row) >= columns[0]
    ]


def _heading(grid: Grid) -> int:
    """Index of the row with most known headings among the first ones."""
    known = [sum(field_of("flat", cell.text) is not None for cell in row) for row in grid.rows[:20]]
    return known.index(max(known)) if known else 0


def _treatments(grids: Sequence[Grid]) -> list[str]:
    """Treatments that sheets are named by: one is the untreated, and each has plots of its own."""
    names = [grid.name.removesuffix(".csv").strip() for grid in grids]
    plots = [_column_of(grid, "plot") for grid in grids]
    named = [name if own else "" for name, own in zip(names, plots, strict=True)]
    every = [plot for own in plots for plot in set(own)]
    apart = len(set(every)) == len(every)
    return named if apart and any(map(is_untreated_word, named)) else [""] * len(grids)


def _alike(grids: Sequence[Grid], field: str = "block") -> bool:
    """Whether tables have one heading row, in which nothing tells what they are named by."""
    if any(not grid.rows for grid in grids):
        return False
    heads = [[normal(cell.text) for cell in grid.rows[_heading(grid)]] for grid in grids]
    fields = {field_of("flat", cell.text) for cell in grids[0].rows[_heading(grids[0])]}
    same = all(head == heads[0] for head in heads) and len({_heading(grid) for grid in grids}) == 1
    if field == "treatment":
        return same and "plot" in fields and not fields & {"treatment", "name", "main_factor"}
    return same and "treatment" in fields and not fields & {"block", "replicate"}


def _blanks(row: Sequence[Cell], width: int) -> tuple[Cell, ...]:
    return tuple(Cell("", row[0].row, index) for index in range(len(row) + 1, width + 1))
