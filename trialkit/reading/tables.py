"""From a grid of cells to a table: header row, columns, rows, notes above and below."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

from trialkit.problems import Place
from trialkit.reading.cells import Cell, Grid, Ledger, Row, column_letter, quoted
from trialkit.reading.headers import day_header, field_of, normal
from trialkit.reading.values import looks_numeric

_HEADER_WITHIN = 20
_SUMMARY = frozenset({
    "mean", "means", "average", "averages", "total", "totals", "sum", "sd", "se", "sem", "cv",
    "cvpercent", "lsd", "min", "max", "minimum", "maximum", "median", "n", "stdev", "grandmean",
    "grandtotal", "standarddeviation", "standarderror", "overallmean",
})  # fmt: skip
_FILLED = frozenset({
    "plot", "treatment", "name", "block", "row", "column", "main_plot", "main_factor",
    "sub_factor", "date", "days_after", "days_before", "variable",
})  # fmt: skip
_NOTE_WORDS = ("note", "remark", "comment", "source", "legend", "nb", "n.b", "*", "#", "key:")
_LONG_ID = 30


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    index : int
        Counted from 1.
    header : str
        As written; empty where there is none.
    field : str or None
        What the column was recognised as; None for a variable or an unknown column.
    cell : Cell
        The header cell.
    """

    index: int
    header: str
    field: str | None
    cell: Cell

    @property
    def label(self) -> str:
        """Header, or the letter of the column where it has none."""
        return self.header or column_letter(self.index)


@dataclass(frozen=True, slots=True)
class Table:
    """A grid whose header row is known; every row has a cell for every column."""

    grid: Grid
    kind: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    header_row: int

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
        if cell.column <= len(self.columns):
            label = self.columns[cell.column - 1].label
        return self.grid.place(cell.row, label)

    def header_place(self, column: Column | None = None) -> Place:
        """Point at the header row, or at one header in it."""
        return self.grid.place(self.header_row, column.label if column else None)


def find_header(
    grid: Grid, known: Callable[[Cell], bool], *, by_day: bool
) -> tuple[int, Row] | None:
    """Find the row with most known headers among the first ones.

    With ``by_day`` days may stand in a row below the other headers (``plot`` beside a merged
    ``larvae``, and under that ``7 DAT``); the two rows then make one.

    Returns
    -------
    (int, Row) or None
        Index into ``grid.rows`` of the (last) header row, and the header.
    """
    best: tuple[int, Row] | None = None
    best_hits = 0
    for index, row in enumerate(grid.rows[:_HEADER_WITHIN]):
        hits = _hits(row, known)
        if hits > best_hits:
            best, best_hits = (index, row), hits
        below = grid.rows[index + 1] if index + 1 < len(grid.rows) else ()
        if by_day and any(_only_a_day(cell) for cell in below):
            both = _over(row, below)
            hits = _hits(both, known)
            # A row of nothing but days can be no row of data, so it also wins a tie.
            needed = best_hits if all(_only_a_day(c) for c in below if c.text) else best_hits + 1
            if hits >= needed and hits > _hits(below, known):
                best, best_hits = (index + 1, both), hits
    return best


def _hits(row: Row, known: Callable[[Cell], bool]) -> int:
    return sum(known(cell) for cell in row if cell.text)


def _only_a_day(cell: Cell) -> bool:
    header = day_header(cell) if cell.text else None
    return header is not None and not header.variable


def _over(above: Row, below: Row) -> Row:
    """Cells of the lower row, and of the upper one where the lower is empty."""
    width = max(len(above), len(below))
    row = below[0].row
    cells = []
    for index in range(width):
        upper = above[index] if index < len(above) else Cell("", row, index + 1)
        lower = below[index] if index < len(below) else Cell("", row, index + 1)
        cells.append(lower if lower.text else upper._replace(row=row))
    return tuple(cells)


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

    def known(cell: Cell) -> bool:
        return (
            field_of(kind, cell.text) is not None
            or normal(cell.text) in variables
            or (kind in {"counts", "flat"} and day_header(cell) is not None)
        )

    place = find_header(grid, known, by_day=kind in {"counts", "flat"})
    if place is None:
        ledger.error(
            "no-header",
            "No row with column headings was found.",
            f"The table needs a heading row with at least the column {key}.",
            grid.place(),
        )
        return None
    found, header = place
    body = _without_repeats(grid.rows[found + 1 :], header)
    body = _fill_merged(grid, kind, header, body)
    width = max([len(header), *(len(row) for row in body)])
    columns = _columns(grid, kind, header, width, variables, ledger)
    for row in grid.rows[:found]:
        text = " | ".join(cell.text for cell in row if cell.text)
        ledger.understand(grid.name, text, f"text above the table, in row {row[0].row}")
    key_column = next((column.index for column in columns if column.field == key), 1)
    rows = _data_rows(grid, kind, body, key_column, len(header), plots, ledger)
    padded = tuple(
        row + tuple(Cell("", row[0].row, index) for index in range(len(row) + 1, width + 1))
        for row in rows
    )
    return Table(grid, kind, columns, padded, header[0].row)


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


def _columns(
    grid: Grid, kind: str, header: Row, width: int, variables: Collection[str], ledger: Ledger
) -> tuple[Column, ...]:
    fields: list[str | None] = []
    for cell in header:
        name = field_of(kind, cell.text) if cell.text else None
        declared = normal(cell.text) in variables
        # A variable named in the settings goes before a synonym, not before the name itself.
        fields.append(None if declared and name and normal(cell.text) != normal(name) else name)
    if kind not in {"assessments", "variables"} and not {"variable", "value"} <= set(fields):
        # A column 'count' or 'pest' alone is a variable; only both together make a long table.
        fields = [None if name in {"variable", "value"} else name for name in fields]
    _settle(kind, header, fields, grid, ledger)
    columns = [
        Column(cell.column, cell.text, field, cell)
        for cell, field in zip(header, fields, strict=True)
    ]
    row = header[0].row
    columns += [
        Column(index, "", None, Cell("", row, index)) for index in range(len(header) + 1, width + 1)
    ]
    return tuple(columns)


def _settle(kind: str, header: Row, fields: list[str | None], grid: Grid, ledger: Ledger) -> None:
    """Leave one column to each field, and say so where two columns ask for the same."""
    for field in {field for field in fields if field is not None}:
        places = [index for index, name in enumerate(fields) if name == field]
        if len(places) == 1:
            continue
        if field == "treatment" and "name" not in fields and kind in {"treatments", "flat"}:
            # 'Trt' beside 'Treatment': the short one is the id, the long one the name.
            named = [i for i in places if normal(header[i].text) in {"treatment", "treatments"}]
            if len(named) == 1 and len(places) == 2:
                fields[named[0]] = "name"
                continue
        exact = [i for i in places if normal(header[i].text) == normal(field)] or places
        if len(exact) > 1:
            ledger.error(
                "column-twice",
                f"Two columns stand for {field}: "
                + " and ".join(
                    f"{quoted(header[i].text)} (column {column_letter(i + 1)})" for i in exact[:2]
                )
                + ".",
                "Keep one of them, or give the other another heading.",
                grid.place(header[0].row, header[exact[1]].text),
            )
        for i in places:
            if i != exact[0]:
                fields[i] = None


def _data_rows(
    grid: Grid,
    kind: str,
    body: tuple[Row, ...],
    key_column: int,
    header_width: int,
    plots: Collection[str] | None,
    ledger: Ledger,
) -> list[Row]:
    rows: list[Row] = []
    last = body[0][0].row - 1 if body else 0
    after_gap = False
    for row in body:
        after_gap = after_gap or (row[0].row > last + 1 and bool(rows))
        # A cell of several lines is no gap.
        last = row[0].row + (sum(c.text.count("\n") for c in row) if grid.separator else 0)
        key = row[key_column - 1].text if len(row) >= key_column else ""
        if plots is not None and key in plots:
            rows.append(row)
            continue
        filled = [cell for cell in row if cell.text]
        if _is_summary(filled, key, kind, plots):
            _keep_note(grid, row, filled, "summary-row", ledger)
        elif _is_note(filled, key, plots, header_width, after_gap=after_gap):
            _keep_note(grid, row, filled, "note", ledger)
        else:
            rows.append(row)
    return rows


def _is_summary(filled: list[Cell], key: str, kind: str, plots: Collection[str] | None) -> bool:
    """Whether a row holds means or totals of the rows above it."""
    word = normal(key or filled[0].text)
    if word not in _SUMMARY or (plots is None and kind != "flat"):
        return False
    # In a flat table a plot may have such an id, but then it has block and treatment too.
    numbers = sum(looks_numeric(cell.text) for cell in filled)
    return plots is not None or numbers >= len(filled) - 1 > 0


def _is_note(
    filled: list[Cell],
    key: str,
    plots: Collection[str] | None,
    header_width: int,
    *,
    after_gap: bool,
) -> bool:
    first = filled[0].text
    if len(filled) == 1 and header_width > 1:
        if looks_numeric(first):
            return False
        return plots is not None or after_gap or " " in first
    if looks_numeric(key):
        return False
    begins = first.casefold().startswith(_NOTE_WORDS)
    if plots is None:
        # Any id may stand in a list, so only what stands below it can be a note.
        sparse = 2 * len(filled) <= header_width
        return after_gap and sparse and (begins or len(first) > _LONG_ID)
    if begins and (after_gap or " " in first):
        return True
    return after_gap and " " in first and not any(looks_numeric(cell.text) for cell in filled)


def _keep_note(grid: Grid, row: Row, filled: list[Cell], kind: str, ledger: Ledger) -> None:
    text = " | ".join(cell.text for cell in filled)
    if kind == "note":
        what = f"This row holds a note and no data: {quoted(text, 300)}."
        remedy = "It is kept here and not read as data; nothing needs to be done."
    else:
        what = f"This row holds a summary and no plot: {quoted(text, 300)}."
        remedy = "It was left out; the means are worked out from the plots."
    ledger.warn(kind, what, remedy, grid.place(row[0].row))
