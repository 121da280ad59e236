"""Where a table begins in a grid: its header row, the way it lies, and what stands above it."""

from __future__ import annotations

from collections.abc import Callable, Collection

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Row
from trialkit.reading.elimination import by_elimination
from trialkit.reading.headers import COMPARED, field_of, normal
from trialkit.reading.headings import day_header, long_replicate
from trialkit.reading.numbers import cell_is_number
from trialkit.reading.tops import find_header

#: Tables whose headings may be days.
DATED = ("counts", "flat")
#: Fields that name the rows of a table of values.
IDS = frozenset({
    "plot", "treatment", "name", "block", "replicate", "main_plot", "main_factor", "sub_factor",
})  # fmt: skip
_TOP = 12


def placed(
    grid: Grid, kind: str, ledger: Ledger, variables: Collection[str]
) -> tuple[Grid, int, Row] | None:
    """The grid, turned round where it lies on its side, and place and cells of its header row."""
    dated = kind in DATED

    def known(cell: Cell) -> bool:
        return (
            field_of(kind, cell.text) is not None
            or normal(cell.text) in variables
            or (dated and day_header(cell) is not None)
            or (dated and long_replicate(cell.text))
            or (kind == "flat" and normal(cell.text) in COMPARED)
        )

    def is_id(cell: Cell) -> bool:
        return field_of(kind, cell.text) in IDS or (
            kind == "flat" and normal(cell.text) in COMPARED
        )

    place = find_header(grid, known, by_day=dated, is_id=is_id)
    if place is None and kind == "flat":
        place = by_elimination(grid, ledger)
    if place is None:
        return None
    if dated and not grid.turned and _lies_on_its_side(grid, place[0], known, is_id):
        ledger.warn(
            "on-its-side",
            "The headings of this table stand one under another in its first column; rows and "
            "columns were exchanged.",
            "Nothing needs to be done if that is right.",
            grid.place(),
        )
        return placed(grid.turned_round(), kind, ledger, variables)
    return grid, *place


def tell_what_is_above(
    grid: Grid,
    found: int,
    header: Row,
    aboves: tuple[dict[int, Cell], ...],
    ledger: Ledger,
) -> None:
    """Say which rows above the header row are headings, and which are text."""
    used = {cell.row for over in aboves for cell in over.values()}
    _tell_rows_above(grid, found, header, ledger)
    for row in grid.rows[:found]:
        if row[0].row not in used:
            text = " | ".join(cell.text for cell in row if cell.text)
            ledger.understand(grid.name, text, f"text above the table, in row {row[0].row}")


def _lies_on_its_side(
    grid: Grid, found: int, known: Callable[[Cell], bool], is_id: Callable[[Cell], bool]
) -> bool:
    """Whether plot, block and treatment head rows and not columns."""
    along = sum(known(cell) for cell in grid.rows[found] if cell.text)
    down = {normal(row[0].text) for row in grid.rows[:_TOP] if row[0].text and is_id(row[0])}
    return along <= 1 < len(down)


def _tell_rows_above(grid: Grid, found: int, header: Row, ledger: Ledger) -> None:
    """Refuse rows over the headings that look like data, as sorting a sheet leaves them."""
    wide = sum(bool(cell.text) for cell in header) - 1
    rows = [
        row
        for row in grid.rows[:found]
        if sum(bool(cell.text) for cell in row) >= max(wide, 3)
        and sum(cell_is_number(cell) for cell in row) * 2 >= wide > 1
    ]
    if rows:
        ledger.error(
            "rows-above",
            f"{len(rows)} row{'s' if len(rows) > 1 else ''} with numbers stand"
            f"{'' if len(rows) > 1 else 's'} above the headings, which are in row {header[0].row}.",
            "Move the headings to the top, or take the rows out.",
            grid.place(rows[0][0].row),
        )


def first_row(grid: Grid) -> str:
    """The words of the first row, for a problem that no heading was found."""
    words = [cell.text for row in grid.rows[:1] for cell in row if cell.text]
    return f"; the first row holds {listing(map(quoted, words), 8)}" if words else ""
