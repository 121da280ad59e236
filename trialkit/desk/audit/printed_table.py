"""A printed table from a file: treatments as rows, days as columns, statistics below them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from trialkit.desk.audit.rounding import Printed, read_from_to, read_printed, split_spread
from trialkit.desk.audit.table import Column, PrintedTable
from trialkit.files import read_regular
from trialkit.printed_layout import NUMBERS, STATISTICS, SUMS, WORDS
from trialkit.problems import Place, TrialError, choice, listing, quoted
from trialkit.reading.cells import Cell, Grid, Ledger
from trialkit.reading.numbers import is_missing
from trialkit.reading.textfiles import read_text_table
from trialkit.reading.workbooks import MAX_BYTES, read_workbook

#: How P is printed without a number (common practice, no source); one star is a missing value.
_STARS = {"ns": ">0.05", "n.s.": ">0.05", "**": "<0.01", "***": "<0.001"}
_MOST_PLOTS = 10_000
_WIDEST = 50
_HEADING = re.compile(
    r"(?:(mean|letters|control|n)\s+)?(?:day\s+(-?\d+(?:\.\d+)?)|(yield))", re.IGNORECASE
)


def read_printed_table(path: Path) -> PrintedTable:
    """Read a printed table.

    Parameters
    ----------
    path : Path
        .csv, .tsv or .xlsx (its first sheet).

    Raises
    ------
    TrialError
        With every problem found, each with its place.
    """
    ledger = Ledger()
    grid = _grid(path, ledger)
    if grid is None or not grid.rows:
        if not ledger.failed:
            ledger.error("no-table", "The table is empty.", "Copy the blank.", Place(path.name))
        raise TrialError(ledger.problems)
    table = _Sheet(grid, ledger).table(path.stem)
    if ledger.failed:
        raise TrialError(ledger.problems)
    return table


def _grid(path: Path, ledger: Ledger) -> Grid | None:
    try:
        data = read_regular(path, MAX_BYTES)
    except OSError as fault:
        ledger.error(
            "file-unreadable",
            f"The file could not be opened ({fault.strerror}).",
            "Give a table (.csv) or a workbook (.xlsx).",
            Place(path.name),
        )
        return None
    if path.suffix.casefold() in {".xlsx", ".xlsm"}:
        grids = read_workbook(data, path.name, ledger)
        return grids[0] if grids else None
    return read_text_table(data, path.name, ledger)


class _Sheet:
    """The cells of a printed table, sorted by what their headings and rows say."""

    def __init__(self, grid: Grid, ledger: Ledger) -> None:
        self.grid, self.ledger = grid, ledger
        head, *body = grid.rows
        self.head = {cell.column: cell.text.strip() for cell in head}
        self.places = self._places()
        self.treatments, self.below = self._split(body)

    def _places(self) -> dict[int, tuple[str, str]]:
        """Column number to what stands in it and the column of means it belongs to."""
        found: dict[int, tuple[str, str]] = {}
        for number, heading in self.head.items():
            folded = " ".join(heading.casefold().split())
            match = _HEADING.fullmatch(folded)
            if match is not None:
                what, day, other = match.groups()
                name = other or f"day {float(day):g}"
                found[number] = (what or "mean", name)
            elif folded in {*SUMS, "all", "role", "treatment"}:
                found[number] = (folded, "")
            elif folded:
                self._tell(
                    f"The heading {quoted(heading)} is not understood.",
                    "Use day D, letters day D, control day D, n day D, yield, "
                    f"{listing(SUMS)}, all or role.",
                    self.grid.rows[0][0].row,
                    heading,
                )
        if "treatment" not in {what for what, _ in found.values()}:
            self._tell("There is no column 'treatment'.", "Name it so.", self.grid.rows[0][0].row)
        if "mean" not in {what for what, _ in found.values()}:
            self._tell("There is no column of means.", "Head it day 7, or yield.", 1)
        if len(set(found.values())) < len(found):
            self._tell("Two columns have the same heading.", "Head each with its own day.", 1)
        return found

    def _tell(self, what: str, remedy: str, row: int | None, column: str | None = None) -> None:
        self.ledger.error("printed-table", what, remedy, self.grid.place(row, column))

    def _split(
        self, body: Sequence[Sequence[Cell]]
    ) -> tuple[dict[str, Sequence[Cell]], dict[str, Sequence[Cell]]]:
        label = next((n for n, (what, _) in self.places.items() if what == "treatment"), 1)
        treatments: dict[str, Sequence[Cell]] = {}
        below: dict[str, Sequence[Cell]] = {}
        into, known = treatments, {*NUMBERS, *WORDS}
        for row in body:
            name = next((cell.text.strip() for cell in row if cell.column == label), "")
            folded = " ".join(name.casefold().split())
            if folded == STATISTICS and into is treatments:
                into = below
                continue
            if not name:
                self._tell("The row has no name.", "Name the treatment.", row[0].row)
                continue
            key = folded if into is below else name
            if key in into:
                self._tell(f"{quoted(name)} stands twice.", "Keep one row.", row[0].row)
            if into is below and key not in known:
                self._tell(
                    f"The statistic {quoted(name)} is not known.",
                    choice(name, sorted(known), limit=30),
                    row[0].row,
                )
            if into is treatments and folded in {"lsd", "hsd", "cv", "mean square", "p", "f"}:
                self._tell(
                    f"{quoted(name)} stands among the treatments.",
                    f"Put a row '{STATISTICS}' above it.",
                    row[0].row,
                )
            into[key] = row
        return treatments, below

    def _texts(self, what: str, name: str, rows: Mapping[str, Sequence[Cell]]) -> dict[str, Cell]:
        number = next((n for n, place in self.places.items() if place == (what, name)), None)
        return {
            key: cell
            for key, row in rows.items()
            for cell in row
            if cell.column == number and cell.text.strip() and not is_missing(cell.text)
        }

    def _check_plots(self, printed: Printed, cell: Cell) -> None:
        """Plots are whole, one or more, and a range of them is no wider than a table leaves it."""
        span = printed.range_of_whole
        sound = span.low >= 1 and span.high <= _MOST_PLOTS and span.high - span.low <= _WIDEST
        if printed.sign or not sound or not float(span.low).is_integer():
            self._tell(
                f"{quoted(cell.text)} is no number of plots.",
                f"Type a whole number of 1 to {_MOST_PLOTS}, or a range such as 2-3.",
                cell.row,
                self.head.get(cell.column),
            )

    def _numbers(
        self, cells: Mapping[str, Cell], *, rest: bool = False, key: str = ""
    ) -> dict[str, Printed]:
        found = {}
        for name, cell in cells.items():
            try:
                printed = self._number(key or name, cell.text.strip(), mean=rest)
            except ValueError:
                printed = None
            if printed is None or (printed.rest and not rest):
                self._tell(
                    f"{quoted(cell.text)} is no number.",
                    "Type it as it is printed.",
                    cell.row,
                    self.head.get(cell.column),
                )
                continue
            found[name] = printed
        return found

    @staticmethod
    def _number(key: str, text: str, *, mean: bool) -> Printed | None:
        if key == "p":
            return read_printed(_STARS.get(text.casefold(), text))
        found = read_from_to(text) if key == "n" else None
        return found or read_printed(split_spread(text)[0] if mean else text)

    def table(self, name: str) -> PrintedTable:
        """Bring the cells together."""
        columns = [self._column(of) for what, of in self.places.values() if what == "mean"]
        columns.sort(key=lambda column: (column.day is None, column.day or 0.0))
        role = self._texts("role", "", self.treatments)
        marked = [key for key, cell in role.items() if cell.text.casefold() == "untreated"]
        if len(marked) > 1:
            self._tell("Two rows are marked untreated.", "Mark one.", role[marked[1]].row, "role")
        sums = {kind: self._numbers(self._texts(kind, "", self.treatments)) for kind in SUMS}
        return PrintedTable(
            name=name,
            columns=tuple(columns),
            untreated=marked[0] if marked else None,
            sums={kind: values for kind, values in sums.items() if values},
        )

    def _column(self, name: str) -> Column:
        cells = self._texts("mean", name, self.treatments)
        means = self._numbers(cells, rest=True)
        spreads = {key: split_spread(cell.text)[1] for key, cell in cells.items()}
        letters = {key: printed.rest for key, printed in means.items() if printed.rest}
        letters |= {k: c.text for k, c in self._texts("letters", name, self.treatments).items()}
        below = self._texts("all", "", self.below) | self._texts("mean", name, self.below)
        numbers = self._numbers({key: cell for key, cell in below.items() if key in NUMBERS})
        plots = self._texts("n", name, self.treatments)
        own = self._numbers(plots, key="n")
        for key, number in own.items():
            self._check_plots(number, plots[key])
        if "n" in numbers:
            self._check_plots(numbers["n"], below["n"])
        for key in ("samples", "per", "df", "df treatment", "treatments", "alpha"):
            if key in numbers and numbers[key].value <= 0:
                self._tell(f"{key} is not above zero.", "Type it as printed.", below[key].row, name)
        return Column(
            name=name,
            day=float(name.removeprefix("day ")) if name.startswith("day ") else None,
            means=means,
            letters=letters,
            control=self._numbers(self._texts("control", name, self.treatments)),
            numbers=numbers,
            words=self._words({key: cell for key, cell in below.items() if key in WORDS}),
            spreads={
                key: printed
                for key, text in spreads.items()
                if text and (printed := read_printed(text)) is not None
            },
            plots=own,
        )

    def _words(self, cells: Mapping[str, Cell]) -> dict[str, str]:
        found = {}
        for key, cell in cells.items():
            word = cell.text.strip().casefold()
            if word not in WORDS[key]:
                self._tell(
                    f"{quoted(cell.text)} is no {key}.",
                    f"Use {listing(WORDS[key])}, or leave it empty.",
                    cell.row,
                    self.head.get(cell.column),
                )
            found[key] = word
        return found
