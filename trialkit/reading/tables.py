"""From a grid of cells to a table: header row, columns, rows, notes above and below."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from trialkit.problems import Place
from trialkit.reading.cells import Cell, Grid, Ledger, Row, column_letter
from trialkit.reading.doubles import Tops, settle_day_word, settle_doubles
from trialkit.reading.filled_down import fill_down
from trialkit.reading.headers import field_of, normal
from trialkit.reading.headings import (
    DayHeader,
    day_header,
    joined,
    replicate_in,
    sample_in,
)
from trialkit.reading.leftout import data_rows, frame_of
from trialkit.reading.lines import with_lines
from trialkit.reading.numbers import Marks, is_error_text, marks_of, plain_number
from trialkit.reading.table_top import DATED, first_row, placed, tell_what_is_above
from trialkit.reading.told_beside import (
    settle_main_plots,
    settle_mass,
    settle_samples,
    with_nested_samples,
)
from trialkit.reading.tops import rows_above, with_bare_days

_FILLED = frozenset({
    "plot", "treatment", "name", "block", "replicate", "row", "column", "main_plot",
    "main_factor", "sub_factor", "date", "days_after", "days_before", "variable",
})  # fmt: skip


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
    above : str
        The heading together with a variable in a row over it, where it names none itself.
    day : DayHeader or None
        The day in the heading, or over it.
    made : bool
        Whether the column was put together from several, of which a number is left out.
    """

    index: int
    header: str
    field: str | None
    cell: Cell
    above: str = ""
    day: DayHeader | None = None
    made: bool = False

    @property
    def label(self) -> str:
        """Header, or the letter of the column where it has none."""
        return self.header or column_letter(self.index)

    @property
    def written(self) -> str:
        """The variable as written, without its day; empty where only a day is there."""
        if self.day is not None:
            return self.day.variable
        return self.above or self.header


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
    columns = _columns(Tops(grid, kind, header, body), width, variables, aboves, ledger)
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


def _columns(
    tops: Tops,
    width: int,
    variables: Collection[str],
    aboves: tuple[dict[int, Cell], ...],
    ledger: Ledger,
) -> tuple[Column, ...]:
    header = tops.header
    for cell in header:
        # a variable of that very name, as the settings list it, is no error of a spreadsheet
        typed = is_error_text(cell.text) and normal(cell.text) not in variables
        if cell.fault in {"error", "formula"} or typed:
            ledger.error(
                "formula-without-value" if cell.fault == "formula" else "error-cell",
                f"The heading of column {column_letter(cell.column)} shows {cell.text}.",
                "Type the heading itself and save the file.",
                tops.grid.place(cell.row, column_letter(cell.column)),
            )
    fields: list[str | None] = []
    for cell in header:
        name = field_of(tops.kind, cell.text) if cell.text else None
        declared = normal(cell.text) in variables
        # A variable named in the settings goes before a synonym, not before the name itself.
        fields.append(None if declared and name and normal(cell.text) != normal(name) else name)
    if "variable" in fields and "value" not in fields:
        loose = [
            place
            for place, (cell, field) in enumerate(zip(header, fields, strict=True))
            if field is None and normal(cell.text) in _NUMBER_WORDS
        ]
        if len(loose) == 1:
            fields[loose[0]] = "value"
    if tops.kind not in {"assessments", "variables"} and not {"variable", "value"} <= set(fields):
        # A column 'count' or 'pest' alone is a variable; only both together make a long table.
        fields = [None if name in {"variable", "value"} else name for name in fields]
    settle_day_word(header, fields)
    settle_doubles(tops, fields, ledger)
    settle_main_plots(tops, fields)
    settle_mass(tops, fields)
    settle_samples(tops, fields)
    if "replicate" in fields and "block" not in fields:
        fields[fields.index("replicate")] = "block"
    above = [[over[cell.column] for over in aboves if cell.column in over] for cell in header]
    above = with_bare_days(header, fields, above)
    columns = [
        _column(cell, field, upper)
        for cell, field, upper in zip(header, fields, above, strict=True)
    ]
    row = header[0].row
    columns += [
        Column(index, "", None, Cell("", row, index)) for index in range(len(header) + 1, width + 1)
    ]
    return _without_ordinals(columns)


#: Headings of what was counted, beside a column that says what it was.
_NUMBER_WORDS = frozenset({
    "n", "no", "nb", "num", "total", "x", "y", "anzahl", "nombre", "aantal", "antal", "liczba",
    "pocet", "počet", "numero", "número", "freq", "frequency",
})  # fmt: skip
#: Numbered assessments, as they are called under or over their dates.
_ASSESSMENT = re.compile(
    r"(a|ass|assess|assessment|count|rating|eval|evaluation|obs|observation|reading|scouting|visit|"
    r"date|sampling|survey|bonitur|notation|zählung|comptage|conteo|rilievo)[\s_.#-]*\d{1,2}",
    re.IGNORECASE,
)


def _without_ordinals(columns: Sequence[Column]) -> tuple[Column, ...]:
    """Drop the number of an assessment where its date is known: "A2" is no variable then."""
    dated = [column for column in columns if column.day is not None and column.field is None]
    matches = [_ASSESSMENT.fullmatch(column.written) for column in dated]
    words = {match.group(1).casefold() for match in matches if match is not None}
    names = {column.written.casefold() for column in dated}
    if len(dated) < 2 or not all(matches) or len(words) > 1 or len(names) < len(dated):
        return tuple(columns)
    return tuple(
        replace(column, day=replace(column.day, variable=""))
        if column in dated and column.day is not None
        else column
        for column in columns
    )


def _column(cell: Cell, field: str | None, above: list[Cell]) -> Column:
    """Make a column, with what the rows over its heading say of variable and day."""
    if field is not None:
        return Column(cell.column, cell.text, field, cell)
    day, text = day_header(cell) if cell.text else None, cell.text
    if above and day is None and plain_number(text) is not None:
        dated = day_header(above[0])
        if dated is not None and dated.day == plain_number(text):
            return Column(cell.column, cell.text, None, cell, "", dated)
    for upper in above:
        own = day.variable if day is not None else text
        if not _lacks_variable(own) and day is not None:
            break
        header = day_header(upper)
        if header is None and _lacks_variable(own):
            whole = " ".join(filter(None, (upper.text, own)))
            day, text = (replace(day, variable=whole), text) if day is not None else (None, whole)
        elif header is not None and day is None:
            day = joined(header, None, text)
        elif header is not None and day is not None and _lacks_variable(own):
            day = replace(day, variable=" ".join(filter(None, (header.variable, own))))
    return Column(cell.column, cell.text, None, cell, text if text != cell.text else "", day)


def _lacks_variable(text: str) -> bool:
    """Whether a heading without its day names no variable: nothing, a replicate or a sample."""
    if not text:
        return True
    across = replicate_in(text) or sample_in(text)
    return across is not None and not across.rest
