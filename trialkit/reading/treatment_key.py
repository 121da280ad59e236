"""The list of treatments that stands in one sheet with the data: above, below or beside them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from trialkit.reading.cells import Cell, Grid, Row
from trialkit.reading.headers import field_of
from trialkit.reading.headings import day_header
from trialkit.reading.numbers import looks_numeric

#: A line such as ``1 = Untreated``, ``T2: Wimbrel 0.5 L/ha``, ``3) Tarnock``.
_LINE = re.compile(r"(?P<id>[^\W_]{1,6})\s*(?:=|:|\)|\.\s|\s[-\u2013\u2014]\s)\s*(?P<name>\S.*)")
_FEWEST = 2
#: In how many rows of the data each treatment stands at least.
_TIMES = 2


def split_key(grid: Grid) -> tuple[Grid, Grid | None]:
    """Part the list of treatments from the data of a sheet.

    Returns
    -------
    (Grid, Grid or None)
        The data, and the list under headings of its own; None where there is none, or where it
        names what does not stand in the data.
    """
    for find in (_beside, _under_headings, _lines):
        found = find(grid)
        if found is None:
            continue
        data, key = found
        if _belongs(key.rows[1:], data):
            return data, key
    return grid, None


def _belongs(rows: Sequence[Row], data: Grid) -> bool:
    """Whether each treatment of a list stands in the data, and each has another id."""
    times = Counter(cell.text for row in data.rows for cell in row if cell.text)
    ids = [row[0].text for row in rows]
    return (
        len(ids) >= _FEWEST
        and len(set(ids)) == len(ids)
        and all(times[name] >= _TIMES for name in ids)
    )


def _heads_list(cells: Sequence[Cell]) -> bool:
    """Whether headings are those of a list of treatments and of nothing else."""
    fields = [field_of("treatments", cell.text) for cell in cells]
    counted = [field_of("flat", cell.text) for cell in cells]
    dated = any(day_header(cell) is not None for cell in cells)
    other = {"plot", "block", "replicate", "days_after", "date", "row", "column"}
    return (
        len(cells) >= _FEWEST
        and fields[0] == "treatment"
        and "name" in fields
        and not dated
        and not other & set(counted)
    )


def _beside(grid: Grid) -> tuple[Grid, Grid] | None:
    """A list to the right of the data, behind an empty column."""
    for row in grid.rows[:1]:
        for gap in range(2, len(row) - 1):
            right = [cell for cell in row[gap + 1 :] if cell.text]
            if row[gap].text or not _heads_list(right):
                continue
            if any(each[gap].text for each in grid.rows if len(each) > gap):
                continue
            first = right[0].column
            parts = [_cut(each, first) for each in grid.rows]
            data = tuple(each[:gap] for each in grid.rows if any(cell.text for cell in each[:gap]))
            rows = tuple(part for part in parts if part and part[0].text)
            return replace(grid, rows=data), replace(grid, rows=rows, merged=(), caption="")
    return None


def _cut(row: Row, first: int) -> Row:
    own = row[first - 1 :]
    return tuple(cell._replace(column=place) for place, cell in enumerate(own, 1))


def _under_headings(grid: Grid) -> tuple[Grid, Grid] | None:
    """A list above or below the data, under headings of its own."""
    for index, row in enumerate(grid.rows):
        filled = [cell for cell in row if cell.text]
        if not _heads_list(filled) or row[0].text == "":
            continue
        width, last = len(filled), row[0].row
        rows: list[Row] = [row]
        for each in grid.rows[index + 1 :]:
            size = sum(bool(cell.text) for cell in each)
            if each[0].row > last + 1 or not each[0].text or not _FEWEST <= size <= width:
                break
            rows.append(each)
            last = each[0].row
        left = tuple(each for each in grid.rows if each not in rows)
        if len(left) > len(rows):
            return replace(grid, rows=left), replace(grid, rows=tuple(rows), merged=(), caption="")
    return None


def _lines(grid: Grid) -> tuple[Grid, Grid] | None:
    """Lines of an id and a name: in one cell with a sign between them, or in two cells."""
    found: dict[int, tuple[Cell, Cell]] = {}
    for index, row in enumerate(grid.rows):
        filled = [cell for cell in row if cell.text]
        match = _LINE.fullmatch(filled[0].text) if len(filled) == 1 else None
        if match is not None and not _legend(filled):
            first = filled[0]
            found[index] = (
                first._replace(text=match["id"], column=1, number=None),
                first._replace(text=match["name"].strip(), column=2),
            )
        elif several := _legend(filled):
            return _with_legend(grid, index, several)
        elif len(filled) == _FEWEST and filled[0].column == 1 and filled[1].column == _FEWEST:
            found[index] = filled[0], filled[1]
    wide = max((len(row) for row in grid.rows), default=0)
    pairs = [pair for pair in found.values() if not looks_numeric(pair[1].text)]
    known = {cell.text for row in grid.rows for cell in row if len(row) > _FEWEST}
    pairs = [pair for pair in pairs if pair[0].text in known]
    if len(pairs) < _FEWEST or wide <= _FEWEST:
        return None
    taken = {pair[0].row for pair in pairs}
    if max(taken) - min(taken) != len(taken) - 1:
        return None
    top = pairs[0][0].row
    heads = (Cell("treatment", top, 1), Cell("name", top, _FEWEST))
    left = tuple(row for row in grid.rows if row[0].row not in taken)
    return replace(grid, rows=left), replace(grid, rows=(heads, *pairs), merged=(), caption="")


#: Several treatments in one line: ``1 = Untreated, 2 = Wimbrel; 3 = Tarnock``.
_PART = re.compile(
    r"(?P<id>[^\W_]{1,6})\s*=\s*(?P<name>[^=]*?\S)\s*(?:[,;]\s*|$)(?=[^\W_]{1,6}\s*=|$)"
)
_TITLE = re.compile(r"^[^\W\d][^=:]*:\s*")


def _legend(filled: Sequence[Cell]) -> list[tuple[Cell, Cell]]:
    """Treatments that one line lists with their names; empty where it does not."""
    text = ", ".join(cell.text for cell in filled)
    text = _TITLE.sub("", text)
    parts = list(_PART.finditer(text))
    if len(parts) < _FEWEST or "".join(part.group() for part in parts) != text:
        return []
    first = filled[0]
    return [
        (
            first._replace(text=part["id"], column=1, number=None),
            first._replace(text=part["name"], column=_FEWEST, number=None),
        )
        for part in parts
    ]


def _with_legend(grid: Grid, index: int, pairs: list[tuple[Cell, Cell]]) -> tuple[Grid, Grid]:
    top = grid.rows[index][0].row
    heads = (Cell("treatment", top, 1), Cell("name", top, _FEWEST))
    left = (*grid.rows[:index], *grid.rows[index + 1 :])
    return replace(grid, rows=left), replace(grid, rows=(heads, *pairs), merged=(), caption="")
