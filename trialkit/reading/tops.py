"""The heading rows of a table: which row they are, and what stands in the rows above it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from trialkit.reading.cells import Cell, Grid, Row
from trialkit.reading.headers import TIMES, field_of
from trialkit.reading.headings import day_header, replicate_in
from trialkit.reading.leftout import is_summary_word, is_unit
from trialkit.reading.numbers import plain_number

_HEADER_WITHIN = 20
_ROWS_ABOVE = 2
_FEWEST = 2

Known = Callable[[Cell], bool]


def find_header(
    grid: Grid, known: Known, *, by_day: bool, is_id: Known | None = None
) -> tuple[int, Row] | None:
    """Find the row with most known headers among the first ones.

    A row that names the plot, the treatment or the like (``is_id``) goes before one of days alone.

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
        hits = _hits(row, known, is_id)
        if hits > best_hits:
            best, best_hits = (index, row), hits
        below = grid.rows[index + 1] if index + 1 < len(grid.rows) else ()
        alone = sum(bool(cell.text) for cell in below) == 1 and bool(below[0].text)
        if by_day and not alone and any(_says_no_variable(cell) for cell in below):
            both = _over(row, below, is_id)
            hits = _hits(both, known, is_id)
            # A row of nothing but days can be no row of data, so it also wins a tie.
            whole = all(_says_no_variable(cell) for cell in below if cell.text)
            needed = best_hits if whole else best_hits + 1
            if _only_replicates(below) and best == (index, row) and hits >= _NAMES_ROWS:
                return index + 1, both
            if hits >= needed and hits > _hits(below, known, is_id):
                best, best_hits = (index + 1, both), hits
    return best if best is None else _with_row_below(grid, best, is_id)


def _with_row_below(grid: Grid, best: tuple[int, Row], is_id: Known | None) -> tuple[int, Row]:
    """Take the row below as headings too, where it names variables under days and nothing else.

    ``Plot``, ``Rep`` and ``Trt`` then reach down over it: nothing stands below them.
    """
    index, row = best
    below = grid.rows[index + 1] if index + 1 < len(grid.rows) else ()
    filled = [cell for cell in below if cell.text]
    ids = {cell.column for cell in row if is_id is not None and cell.text and is_id(cell)}
    said = [cell for cell in row if _OF_DAYS.search(cell.text) and day_header(cell) is None]
    dated = said or [cell for cell in row if day_header(cell) is not None]
    if len(filled) < _FEWEST or not ids or not dated or row[0].row != grid.rows[index][0].row:
        return best
    free = all(cell.column not in ids for cell in filled)
    first = min(cell.column for cell in dated)
    if not free or any(cell.column < first for cell in filled):
        return best
    numbers = [plain_number(cell.text) is not None for cell in filled]
    if all(numbers) and said and below[0].row == row[0].row + 1:
        return index + 1, _over(row, below, is_id)
    if any(numbers):
        return best
    words = all(day_header(cell) is None and not is_unit(cell.text) for cell in filled)
    if not words or below[0].row != row[0].row + 1:
        return best
    return index + 1, _over(row, below, is_id)


def rows_above(
    grid: Grid, found: int, header: Row, is_id: Callable[[Cell], bool]
) -> tuple[dict[int, Cell], ...]:
    """Find what stands above the headings of values, nearest row first.

    Of each row directly above the heading row the cell over each column (counted from 1): a
    merged cell reaches over its columns, another to the next one that is filled; both end at a
    column that names the rows (plot, block). A row that has nothing over values is no heading.
    """
    made: list[dict[int, Cell]] = []
    expected = grid.rows[found][0].row
    for row in reversed(grid.rows[:found]):
        label = _label(row, header, is_id)
        if row[0].row != expected - 1 or (len(made) >= _ROWS_ABOVE and label is None):
            break
        expected = row[0].row
        if _is_told(row, header, is_id):
            continue  # "Unit: | no./plant", a line of units: no names of what stands below
        over = _reaching(grid, row, header, is_id)
        if not over:
            break
        if label in _TOLD_BESIDE:
            continue
        unit = _UNITS.get(label or "")
        if unit is not None:
            over = {
                i: c._replace(text=f"{c.text} {unit}") if _bare(c) else c for i, c in over.items()
            }
        made.append(over)
    return tuple(made)


_UNITS = {"days_after": "DAT", "days_planting": "DAP", "weeks_after": "WAT", "days_before": "DBT"}
_TOLD_BESIDE = frozenset({"growth_stage", "assessor", "method", "sample_size", "notes"})


def _is_told(row: Row, header: Row, is_id: Callable[[Cell], bool]) -> bool:
    """Whether a row above headings tells something of the table, and heads no column of it."""
    over = [
        cell
        for cell, lower in zip(row, header, strict=False)
        if cell.text and lower.text and not is_id(lower)
    ]
    labelled = any(cell.text.endswith(":") for cell in over)
    return labelled or (bool(over) and all(is_unit(cell.text) for cell in over))


def _bare(cell: Cell) -> bool:
    return plain_number(cell.text) is not None


def _label(row: Row, header: Row, is_id: Callable[[Cell], bool]) -> str | None:
    """Field that the first cell of a row over the headings names, where it stands over the ids."""
    for cell, lower in zip(row, header, strict=False):
        if cell.text:
            over_id = is_id(lower) or not lower.text
            return field_of("counts", cell.text.rstrip(" :")) if over_id else None
    return None


def _reaching(grid: Grid, row: Row, header: Row, is_id: Callable[[Cell], bool]) -> dict[int, Cell]:
    spans = {
        span.first_column: span.last_column
        for span in grid.merged
        if span.first_row <= row[0].row <= span.last_row
    }
    over: dict[int, Cell] = {}
    last: Cell | None = None
    until = 0
    for index in range(1, len(header) + 1):
        here = row[index - 1] if index <= len(row) else None
        lower = header[index - 1]
        if not lower.text or is_id(lower) or (here is not None and here.text == lower.text):
            last = None
        elif here is not None and here.text:
            last, until = here, spans.get(index, 0)
        elif last is not None and until and index > until:
            last = None
        if last is not None:
            over[index] = last
    return over


def _only_replicates(row: Row) -> bool:
    """Whether a row holds replicates, and means of them, and can be no row of data."""
    filled = [cell.text for cell in row if cell.text]
    across = [replicate_in(text) for text in filled if not is_summary_word(text)]
    return len(across) > 1 and all(item is not None and not item.rest for item in across)


#: What a heading of the ids is worth more than any number of days.
_NAMES_ROWS = 1000


def _hits(row: Row, known: Known, is_id: Known | None = None) -> int:
    ids = is_id is not None and any(is_id(cell) for cell in row if cell.text)
    return sum(known(cell) for cell in row if cell.text) + _NAMES_ROWS * ids


def _says_no_variable(cell: Cell) -> bool:
    """Whether a heading is only a day or a replicate."""
    if not cell.text:
        return False
    header = day_header(cell)
    if header is not None:
        across = replicate_in(header.variable) if header.variable else None
        return not header.variable or (across is not None and not across.rest)
    across = replicate_in(cell.text)
    return across is not None and not across.rest


def _over(above: Row, below: Row, is_id: Known | None = None) -> Row:
    """Cells of the lower row, and of the upper one where that names plots or the lower is empty."""
    width = max(len(above), len(below))
    row = below[0].row
    cells = []
    for index in range(width):
        upper = above[index] if index < len(above) else Cell("", row, index + 1)
        lower = below[index] if index < len(below) else Cell("", row, index + 1)
        named = is_id is not None and is_id(upper) and day_header(lower) is None
        cells.append(lower if lower.text and not named else upper._replace(row=row))
    return tuple(cells)


_OF_DAYS = re.compile(
    r"\s*[(\[,:-]*\s*\b(days? (?:after|since)[^)\]]*|dat|daa|dap|das)\s*[)\]]?$", re.IGNORECASE
)


def with_bare_days(
    header: Row, fields: Sequence[str | None], above: list[list[Cell]]
) -> list[list[Cell]]:
    """Take bare numbers under the name of a variable for days, where they can be nothing else.

    They are days where the name says so, and where they do not count up from 1 as replicates or
    samples do. The name then stands with the day in the row above.
    """
    bare = {
        place: plain_number(cell.text)
        for place, (cell, field) in enumerate(zip(header, fields, strict=True))
        if field is None
        and cell.text
        and above[place]
        and plain_number(cell.text) is not None
        and not _dated_already(above[place][0])
    }
    numbers = sorted({value for value in bare.values() if value is not None})
    named = any(_OF_DAYS.search(above[place][0].text) for place in bare)
    counting = numbers == [float(n) for n in range(1, len(numbers) + 1)]
    if not numbers or (counting and not named):
        return above
    made = list(above)
    for place in bare:
        upper, *rest = above[place]
        unit = "DAP" if re.search(r"plant|sow|\bda[ps]\b", upper.text, re.IGNORECASE) else "DAT"
        words = _OF_DAYS.sub("", upper.text).strip()
        made[place] = [
            upper._replace(text=f"{words} {header[place].text} {unit}".strip(), day=None),
            *rest,
        ]
    return made


def _dated_already(cell: Cell) -> bool:
    """Whether a heading gives a day by itself: what stands below it is then another number."""
    header = day_header(cell)
    return header is not None and header.dated


def with_bare_replicates(
    header: Row, fields: Sequence[str | None], above: Sequence[Sequence[Cell]], caption: str
) -> Row:
    """Name replicates that are bare numbers where days are known, beside treatments and no plots.

    ``7 DAT`` over ``1 2 3 4``, or in a column or the ``caption``, and a row for each treatment:
    samples of one plot would leave a trial without replicates. They are then called ``rep 1`` and
    told of like these.
    """
    known = {field for field in fields if field is not None}
    if not known & {"treatment", "name"} or known & {"plot", "block", "replicate", "sample"}:
        return header
    named = day_header(Cell(caption, 1, 1)) is not None
    everywhere = Cell(caption, 0, 0) if named or known.intersection(TIMES) else None
    groups: dict[Cell, list[int]] = {}
    for place, (cell, field) in enumerate(zip(header, fields, strict=True)):
        number = plain_number(cell.text) if cell.text and field is None else None
        over = next((upper for upper in above[place] if _dated_already(upper)), everywhere)
        if number is not None and over is not None:
            groups.setdefault(over, []).append(place)
    numbers = [[header[place].text for place in places] for places in groups.values()]
    counting = [str(n) for n in range(1, len(numbers[0]) + 1)] if numbers else []
    if len(counting) < _FEWEST or any(own != counting for own in numbers):
        return header
    across = {place for places in groups.values() for place in places}
    return tuple(
        cell._replace(text=f"rep {cell.text}", number=None) if place in across else cell
        for place, cell in enumerate(header)
    )
