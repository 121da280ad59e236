"""Several trials in one table: told apart by site, year or number, and each read by itself."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from trialkit.reading.cells import Cell, Grid, Ledger, Row
from trialkit.reading.reader import Reading, read_source
from trialkit.reading.several import WHERE
from trialkit.reading.sources import Source, open_source
from trialkit.reading.spellings import folded
from trialkit.reading.tables import Column, Table, make_table

#: Tables that may hold several trials, by the place of their columns of site and year.
_KINDS = ("flat", "plots", "counts", "yield")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One of the trials in a file.

    Attributes
    ----------
    name : str
        Its site, year and number as written, with spaces between them; empty where the file
        holds this trial alone.
    reading : Reading
        With ``site`` and ``season`` of the trial from the columns, where the settings name none.
    """

    name: str
    reading: Reading


def read_parts(path: Path | str) -> tuple[Part, ...]:
    """Read every trial that a path holds, without raising on bad input.

    A table with several sites, years or trials is cut by them, and each part is read as if it
    were a file of its own, its places those of the file.

    Parameters
    ----------
    path : Path or str
        As for `trialkit.read_trial`.

    Returns
    -------
    tuple of Part
        One where the path holds one trial.
    """
    ledger = Ledger()
    source = open_source(Path(path), ledger)
    cuts = {} if source is None else _cuts(source, ledger)
    if source is None or len({key for cut in cuts.values() for key in cut.keys}) < 2:
        return (Part(name="", reading=read_source(source, ledger)),)
    return tuple(
        Part(
            name=" ".join(filter(None, words)), reading=_read_part(source, cuts, key, words, ledger)
        )
        for key, words in _names(cuts.values()).items()
    )


#: Reduced site, year and number of a trial; empty where there is no such column.
_Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Cut:
    """A grid whose rows are of several trials."""

    grid: Grid
    table: Table
    columns: tuple[Column | None, ...]
    keys: tuple[_Key, ...]

    def key(self, row: Row) -> _Key:
        return tuple(folded(self.text(row, column)) for column in self.columns)

    @staticmethod
    def text(row: Row, column: Column | None) -> str:
        return row[column.index - 1].text if column and column.index <= len(row) else ""

    def part(self, key: _Key, words: Sequence[str]) -> Grid:
        """Rows above the headings, the headings, and the rows of one trial, spelled alike."""
        kept = [row for row in self.grid.rows if row[0].row <= self.table.header_row]
        for row in self.grid.rows[len(kept) :]:
            if self.key(row) == key:
                cells = list(row)
                for column, word in zip(self.columns, words, strict=True):
                    if column is not None:
                        cells[column.index - 1] = cells[column.index - 1]._replace(text=word)
                kept.append(tuple(cells))
        rows = {row[0].row for row in kept}
        merged = tuple(item for item in self.grid.merged if item.first_row in rows)
        return replace(self.grid, rows=tuple(kept), merged=merged)


def _cuts(source: Source, ledger: Ledger) -> dict[str, _Cut]:
    found = {}
    for kind in _KINDS:
        grid = source.first(kind)
        cut = None if grid is None else _cut(_without_merged(grid, kind), kind, ledger)
        if cut is not None:
            found[kind] = cut
    return found


def _without_merged(grid: Grid, kind: str) -> Grid:
    """Repeat a site or year of merged cells in all rows that it spans."""
    if not grid.merged:
        return grid
    table = make_table(grid, kind, Ledger())
    columns = {} if table is None else {c.index for c in table.columns if c.field in WHERE}
    spans = [span for span in grid.merged if span.first_column in columns]
    spans = [span for span in spans if span.last_row > span.first_row]
    by_row = {row[0].row: row for row in grid.rows}
    for span in spans:
        top = by_row[span.first_row][span.first_column - 1]
        for number in range(span.first_row + 1, span.last_row + 1):
            if number in by_row:
                row = by_row[number]
                padded = [
                    *row,
                    *(Cell("", number, at) for at in range(len(row) + 1, top.column + 1)),
                ]
                padded[top.column - 1] = top._replace(row=number)
                by_row[number] = tuple(padded)
    return replace(
        grid,
        rows=tuple(by_row[row[0].row] for row in grid.rows),
        merged=tuple(item for item in grid.merged if item not in spans),
    )


def _cut(grid: Grid, kind: str, ledger: Ledger) -> _Cut | None:
    table = make_table(grid, kind, Ledger())
    if table is None:
        return None
    columns = tuple(table.column(field) for field in WHERE)
    if not any(columns):
        return None
    draft = _Cut(grid, table, columns, ())
    keys: Counter[_Key] = Counter()
    for row in table.rows:
        missing = [c for c in columns if c is not None and not draft.text(row, c)]
        if missing:
            ledger.error(
                "no-site",
                f"This row names no {missing[0].header}, and the table holds several trials.",
                "Fill it in, or clear the row.",
                table.place(row[missing[0].index - 1]),
            )
        else:
            keys[draft.key(row)] += 1
    return replace(draft, keys=tuple(keys))


def _names(cuts: Iterable[_Cut]) -> dict[_Key, tuple[str, ...]]:
    """Names of the trials as they are written most often, in the order of the file."""
    spelled: dict[tuple[int, str], Counter[str]] = {}
    order: dict[_Key, None] = {}
    for cut in cuts:
        for row in cut.table.rows:
            key = cut.key(row)
            if key in cut.keys:
                order.setdefault(key)
            for place, (column, part) in enumerate(zip(cut.columns, key, strict=True)):
                spelled.setdefault((place, part), Counter())[cut.text(row, column)] += 1
    return {
        key: tuple(
            spelled[place, part].most_common(1)[0][0] if part else ""
            for place, part in enumerate(key)
        )
        for key in order
    }


def _read_part(
    source: Source, cuts: Mapping[str, _Cut], key: _Key, words: tuple[str, ...], ledger: Ledger
) -> Reading:
    """Read one of the trials, with site and season from its columns where no settings name them."""
    own = replace(source, name=" ".join(filter(None, words)), tables=dict(source.tables))
    for kind, cut in cuts.items():
        own.tables[kind] = [cut.part(key, words), *source.tables[kind][1:]]
    reading = read_source(own, Ledger(problems=list(ledger.problems)))
    if reading.trial is None:
        return reading
    by_field = dict(zip(WHERE, words, strict=True))
    trial = replace(
        reading.trial,
        site=reading.trial.site or by_field["site"] or None,
        season=reading.trial.season or by_field["year"] or None,
    )
    return replace(reading, trial=trial)
