"""Maps of a field: treatments and values where their plots lie, brought to a row for each plot."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from trialkit.problems import quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Row
from trialkit.reading.headers import field_of, normal
from trialkit.reading.headings import long_replicate
from trialkit.reading.kinds import kind_of_name
from trialkit.reading.numbers import is_missing, looks_numeric

_FEWEST = 2


@dataclass(frozen=True, slots=True)
class _Section:
    """One map: what stands over it, and its rows of cells from left to right."""

    title: Cell
    rows: tuple[Row, ...]

    @property
    def shape(self) -> tuple[int, tuple[int, ...]]:
        """Number of rows, and in which columns its cells stand."""
        return len(self.rows), tuple(cell.column for cell in self.rows[0])

    @property
    def cells(self) -> list[Cell]:
        """All cells, row by row."""
        return [cell for row in self.rows for cell in row]


def from_maps(grid: Grid, ledger: Ledger) -> Grid | None:
    """Make a table of a sheet of maps: one of treatments, and others of values at the same places.

    None where the sheet holds anything else. Rows of the map that hold every treatment once are
    blocks, or else columns that do.
    """
    sections, listed = _without_list(_sections(grid))
    if len(sections) < _FEWEST or len({item.shape for item in sections}) > 1:
        return None
    treatments = [item for item in sections if _names_treatments(item)]
    plots = [item for item in sections if field_of("flat", item.title.text) == "plot"]
    values = [item for item in sections if item not in (*treatments, *plots)]
    numbers = all(
        looks_numeric(c.text) or is_missing(c.text) for item in values for c in item.cells
    )
    if len(treatments) != 1 or len(plots) > 1 or not values or not numbers:
        return None
    plan = treatments[0]
    blocks = _blocks(plan)
    heads = ["row", "column", "treatment"]
    names = [
        cell._replace(text=listed.get(cell.text, cell.text), number=None) for cell in plan.cells
    ]
    columns = [_numbers(plan, down=True), _numbers(plan, down=False), names]
    for name, cells in (("plot", plots[0].cells if plots else None), ("block", blocks)):
        if cells is not None:
            heads.append(name)
            columns.append(cells)
    for item in values:
        heads.append(item.title.text)
        columns.append(item.cells)
    first = plan.title.row
    header = tuple(Cell(text, first, place) for place, text in enumerate(heads, 1))
    rows = [
        tuple(cell._replace(column=place) for place, cell in enumerate(cells, 1))
        for cells in zip(*columns, strict=True)
    ]
    ledger.warn(
        "map-of-the-field",
        f"This is a map of the field: {quoted(plan.title.text)} stands over {len(plan.rows)} by "
        f"{len(plan.rows[0])} plots, and values below it at the same places"
        f"{'' if blocks is None else '; rows or columns with every treatment are blocks'}.",
        "Nothing needs to be done if that is right.",
        grid.place(first),
    )
    return replace(grid, rows=(header, *rows), merged=())


def _without_list(sections: list[_Section]) -> tuple[list[_Section], dict[str, str]]:
    """Part a list of number and name below a title from the maps; what it lists, by number."""
    lists = [
        item
        for item in sections
        if len(item.rows[0]) == 2  # a number and its name
        and (kind_of_name(item.title.text) == "treatments" or normal(item.title.text) in _KEYS)
        and len({row[0].text for row in item.rows}) == len(item.rows)
    ]
    maps = [item for item in sections if item not in lists]
    if len(lists) != 1:
        return sections, {}
    listed = {number.text: name.text for number, name in lists[0].rows}
    known = any({cell.text for cell in item.cells} == set(listed) for item in maps)
    return (maps, listed) if known else (sections, {})


_KEYS = frozenset({"key", "legend", "legende", "légende", "leyenda", "legenda"})


def seems_map(grid: Grid) -> bool:
    """Whether rows of a sheet hold a few names, each equally often, as a map of plots does."""
    runs: list[list[Row]] = [[]]
    for row in grid.rows:
        filled = _without_label(tuple(cell for cell in row if cell.text))
        if runs[-1] and len(filled) != len(runs[-1][0]):
            runs.append([])
        runs[-1].append(filled)
    for rows in runs:
        words = [_NUMBER_BEFORE.sub("", cell.text) for row in rows for cell in row]
        times = set(Counter(words).values())
        if len(rows) >= _FEWEST and len(rows[0]) >= _FEWEST and len(times) == 1 and times != {1}:
            return len(set(words)) >= _FEWEST
    return False


def tell_map(grid: Grid, ledger: Ledger) -> None:
    """Refuse a map that cannot be read, and say how one is read."""
    ledger.error(
        "map-unclear",
        "This looks like a map of the field: rows of cells that hold the treatments again and "
        "again.",
        "Write a row for each plot, with plot, block, treatment and counts. A map is read where a "
        "line 'Treatments' stands above it, and lines such as 'larvae 7 DAT' stand above the "
        "counts in maps of the same shape, on one sheet.",
        grid.place(),
    )


#: The number of a plot before its treatment, in one cell.
_NUMBER_BEFORE = re.compile(r"^\d{1,5}\s*[\n:;,/ -]+\s*")


def _without_label(row: Row) -> Row:
    """A row of a map without the block that stands before it."""
    return row[1:] if row and long_replicate(row[0].text) else row


def _sections(grid: Grid) -> list[_Section]:
    """Parts of a sheet under a line of one cell each; empty where anything else stands in it."""
    found: list[_Section] = []
    title: Cell | None = None
    rows: list[Row] = []
    for row in (*grid.rows, ()):
        filled = tuple(cell for cell in row if cell.text)
        if len(filled) > 1:
            rows.append(_without_label(filled))
            continue
        if rows:
            even = {tuple(cell.column for cell in own) for own in rows}
            if title is None or len(rows) < _FEWEST or len(even) > 1:
                return []
            found.append(_Section(title, tuple(rows)))
        title, rows = (filled[0] if filled else None), []
    return found


def _names_treatments(section: _Section) -> bool:
    """Whether a map shows which treatment each plot had: few names, each several times."""
    title = section.title.text
    named = field_of("flat", title) in {"treatment", "name"} or (
        kind_of_name(title) in {"treatments", "plots"} or normal(title) in _MAPS
    )
    times = Counter(cell.text for cell in section.cells)
    return named and field_of("flat", title) != "plot" and min(times.values()) > 1


_MAPS = frozenset({"map", "fieldmap", "trialmap", "plotmap", "lageplan", "plandessai", "croquis"})


def _blocks(plan: _Section) -> list[Cell] | None:
    """Block of each plot; None where neither rows nor columns, or both, hold every treatment."""
    names = {cell.text for cell in plan.cells}

    def complete(lines: Sequence[Row]) -> bool:
        return all(len(line) == len(names) == len({c.text for c in line}) for line in lines)

    down, across = complete(plan.rows), complete(list(zip(*plan.rows, strict=True)))
    return _numbers(plan, down=down) if down != across else None


def _numbers(plan: _Section, *, down: bool) -> list[Cell]:
    """Number of the row, or of the column, of each plot."""
    return [
        cell._replace(text=str(number if down else place), number=None, day=None)
        for number, row in enumerate(plan.rows, 1)
        for place, cell in enumerate(row, 1)
    ]
