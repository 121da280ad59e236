"""From a grid of cells to a table: header row, columns, rows, notes above and below."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from trialkit.problems import Place
from trialkit.reading.block_lines import with_lines
from trialkit.reading.cells import Cell, Grid, Ledger, Row, column_letter
from trialkit.reading.columns import Column as Column
from trialkit.reading.columns import make_columns
from trialkit.reading.doubles import Tops
from trialkit.reading.filled_down import fill_down
from trialkit.reading.headers import field_of
from trialkit.reading.headings import (
    DayHeader,
    day_header,
)
from trialkit.reading.leftout import data_rows, frame_of
from trialkit.reading.numbers import Marks, marks_of
from trialkit.reading.table_top import DATED, first_row, placed, tell_what_is_above
from trialkit.reading.told_beside import (
    with_nested_samples,
)
from trialkit.reading.tops import rows_above

_FILLED = frozenset({
    "plot", "treatment", "name", "block", "replicate", "row", "column", "main_plot",
    "main_factor", "sub_factor", "date", "days_after", "days_before", "variable",
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    """A grid whose header row is known; every row has a cell for every column.

    ``labels`` are the headings as they stand in the file, by which cells are pointed at.
    """

    grid: Grid
    kind: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    header_row: int
    labels: tuple[str, ...]

    def column(self, field: str) -> Column | None:
        """Find the column of a field."""
        for column in self.columns:
            if column.field == field:
                return column
        return None

    def cells(self, column: Column) -> list[Cell]:
        """Cells of a column, one a row."""
        return [row[column.index - 1] for row in self.rows]

    def place(self, cell: Cell) -> Place:
        """Point at a cell by row and header."""
        label = column_letter(cell.column)
        if cell.column <= len(self.labels):
            label = self.labels[cell.column - 1]
        return self.grid.place(cell.row, label)

    def header_place(self, column: Column | None = None) -> Place:
        """Point at the header row, or at one header in it."""
        return self.grid.place(self.header_row, column.label if column else None)

    @property
    def caption(self) -> DayHeader | None:
        """Variable and day of the whole table, from the name of its sheet or file."""
        text = self.grid.caption
        return day_header(Cell(text, 1, 1)) or (DayHeader(text) if text else None)

    @property
    def marks(self) -> Marks:
        """Decimal marks that the numbers of the table show."""
        texts = (cell.text for row in self.rows for cell in row if cell.number is None)
        return marks_of(texts, self.grid.separator)

    def heading_place(self, cell: Cell) -> Place:
        """Point at the heading over a cell."""
        return self.grid.place(self.header_row, self.place(cell).column)

    def with_columns(self, columns: Collection[Column]) -> Table:
        """Return the same rows under columns that were taken otherwise."""
        return replace(self, columns=tuple(columns))


def make_table(
    grid: Grid,
    kind: str,
    ledger: Ledger,
    *,
    variables: Collection[str] = (),
    plots: Collection[str] | None = None,
    key: str = "plot",
) -> Table | None:
    """Find the header row of a grid and cut it into a table.

    Parameters
    ----------
    grid : Grid
    kind : str
        Which headers are known, as in ``headers.FIELDS``.
    ledger : Ledger
    variables : collection of str
        Reduced names and labels of variables, which count as known headers.
    plots : collection of str or None
        Ids of the plots, by which a row is told from a note; None where they are not known.
    key : str
        Field that every row of data fills.

    Returns
    -------
    Table or None
        None, with an error in the ledger, where no header row was found.
    """
    dated = kind in DATED
    top = placed(grid, kind, ledger, variables)
    if top is None:
        ledger.error(
            "no-header",
            f"No row with column headings was found{first_row(grid)}.",
            f"The table needs a heading row with at least the column {key}.",
            grid.place(),
        )
        return None
    grid, found, header = top
    aboves: tuple[dict[int, Cell], ...] = ()
    if dated or kind == "yield":
        aboves = rows_above(grid, found, header, lambda cell: field_of(kind, cell.text) is not None)
    body = _without_repeats(grid.rows[found + 1 :], header)
    body = _fill_merged(grid, kind, header, body)
    if dated:
        header, body, caption = with_lines(grid, kind, header, body, ledger)
        grid = replace(grid, caption=grid.caption or caption)
    width = max([len(header), *(len(row) for row in body)])
    columns = make_columns(Tops(grid, kind, header, body), width, variables, aboves, ledger)
    tell_what_is_above(grid, found, header, aboves, ledger)
    fields = [column.field for column in columns]
    frame = frame_of(grid, kind, fields, key, len(header), plots)
    rows = data_rows(frame, body, ledger)
    if kind in {"plots", "counts", "yield", "flat"}:
        rows = fill_down(grid, kind, fields, rows, ledger)
        rows = with_nested_samples(columns, rows, grid, ledger)
    padded = tuple(
        row + tuple(Cell("", row[0].row, index) for index in range(len(row) + 1, width + 1))
        for row in rows
    )
    labels = tuple(column.label for column in columns)
    return Table(grid, kind, columns, padded, header[0].row, labels)


def _fill_merged(grid: Grid, kind: str, header: Row, body: tuple[Row, ...]) -> tuple[Row, ...]:
    """Repeat a merged block, plot or day in all rows that it spans; values stay single."""
    spans = [
        span
        for span in grid.merged
        if span.first_column == span.last_column
        and span.last_row > span.first_row > header[0].row
        and span.first_column <= len(header)
        and field_of(kind, header[span.first_column - 1].text) in _FILLED
    ]
    if not spans:
        return body
    top = {
        span: row[span.first_column - 1]
        for span in spans
        for row in body
        if row[0].row == span.first_row and len(row) >= span.first_column
    }
    filled: list[Row] = []
    for row in body:
        cells = list(row)
        number = row[0].row
        for span, source in top.items():
            if span.first_row < number <= span.last_row:
                index = span.first_column
                while len(cells) < index:
                    cells.append(Cell("", number, len(cells) + 1))
                cells[index - 1] = source._replace(row=number)
        filled.append(tuple(cells))
    return tuple(filled)


def _without_repeats(rows: tuple[Row, ...], header: Row) -> tuple[Row, ...]:
    words = [cell.text for cell in header]
    return tuple(row for row in rows if [cell.text for cell in row] != words)
