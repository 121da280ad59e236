"""Cells with their place, and the ledger that collects what reading finds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple

from trialkit.problems import Place, Problem, Severity, error, warning


class Cell(NamedTuple):
    """One cell as it stands in the file.

    Attributes
    ----------
    text : str
        What a person reads in the cell, without space around it; ids are taken from this.
    row, column : int
        Counted from 1, as a spreadsheet or text editor does.
    number : float or None
        The number of a workbook cell that holds a real number.
    day : date or None
        The date of a workbook cell that holds a real date.
    fault : str
        ``error`` for a cell that shows an error value, ``formula`` for a formula whose result
        was never stored, ``switch`` for true/false, ``time`` for a time of day, else empty.
    percent : bool
        Whether a workbook shows the number as a percentage (0.45 as 45 %).
    """

    text: str
    row: int
    column: int
    number: float | None = None
    day: date | None = None
    fault: str = ""
    percent: bool = False


Row = tuple[Cell, ...]


class Merged(NamedTuple):
    """A merged range of a sheet, ends included."""

    first_row: int
    first_column: int
    last_row: int
    last_column: int


class Piece(NamedTuple):
    """One of several sheets or files that were put below each other.

    ``below`` is what was added to its rows.
    """

    below: int
    file: str
    sheet: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """One text file or sheet as cells; rows without any text are left out.

    Every row starts at column 1 and ends with its last filled cell. ``caption`` is what the name
    of the sheet or file says beside the kind of table: a variable, a day. ``turned`` where rows
    and columns were exchanged after reading; ``pieces`` where it was put together of several, in
    the order of their rows.
    """

    file: str
    sheet: str | None = None
    rows: tuple[Row, ...] = ()
    merged: tuple[Merged, ...] = ()
    separator: str = ""
    caption: str = ""
    hidden: bool = False
    turned: bool = False
    pieces: tuple[Piece, ...] = ()

    @property
    def name(self) -> str:
        """Name under which people know it: the sheet, or the file."""
        return self.file if self.sheet is None else self.sheet

    def place(self, row: int | None = None, column: str | None = None) -> Place:
        """Point into this file or sheet."""
        if self.pieces and row is not None:
            piece = [item for item in self.pieces if item.below < row][-1]
            return Place(piece.file, piece.sheet, row - piece.below, column)
        if self.turned:
            # A row of the table is a column of the file, and a heading names one of its rows.
            where = [] if row is None else [column_letter(row)]
            where += [] if column is None else [f"row {column}"]
            return Place(self.file, self.sheet, None, ", ".join(where) or None)
        return Place(self.file, self.sheet, row, column)

    def without(self, column: int) -> Grid:
        """Clear a column that was read already; all others keep their places."""
        return replace(
            self,
            rows=tuple(
                tuple(Cell("", c.row, c.column) if c.column == column else c for c in row)
                for row in self.rows
            ),
        )

    def turned_round(self) -> Grid:
        """Exchange rows and columns; what stands alone in its row at the top is left behind."""
        rows = self.rows
        while rows and sum(bool(cell.text) for cell in rows[0]) == 1:
            rows = rows[1:]
        width = max((len(row) for row in rows), default=0)
        made = [
            tuple(
                row[index]._replace(row=index + 1, column=place)
                if index < len(row)
                else Cell("", index + 1, place)
                for place, row in enumerate(rows, 1)
            )
            for index in range(width)
        ]
        places = {row[0].row: place for place, row in enumerate(rows, 1)}
        merged = tuple(
            Merged(
                first_row=item.first_column,
                first_column=places[item.first_row],
                last_row=item.last_column,
                last_column=places[item.last_row],
            )
            for item in self.merged
            if item.first_row in places and item.last_row in places
        )
        filled = tuple(row for row in made if any(cell.text for cell in row))
        return replace(self, rows=filled, merged=merged, turned=not self.turned)


_DASHES = "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d\u00ad"
#: Signs without width, which nobody sees and which make two names of one.
_UNSEEN = "\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2060\ufeff"
#: First of the ten digits of other scripts: wide, Arabic, Persian, Devanagari.
_DIGITS = "\uff10\u0660\u06f0\u0966"
_PLAIN = str.maketrans(
    {
        **dict.fromkeys(_DASHES, "-"),
        **{chr(ord(first) + n): str(n) for first in _DIGITS for n in range(10)},
        "\uff0e": ".",
        "\uff0c": ",",
        **dict.fromkeys(_UNSEEN, ""),
    }
)


def undash(text: str) -> str:
    """Write every kind of dash as a hyphen and every digit as 0 to 9, without signs of no width.

    Spreadsheets and word processors put other dashes in by themselves.
    """
    return text if text.isascii() else text.translate(_PLAIN)


def variable_section(name: str) -> str:
    """Section of the settings that describes a variable, quoted where its name asks for it.

    Examples
    --------
    >>> variable_section("larvae"), variable_section("yield (t/ha)")
    ('[variables.larvae]', '[variables."yield (t/ha)"]')
    """
    bare = name.isascii() and name.replace("_", "a").replace("-", "a").isalnum()
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return f"[variables.{name}]" if bare else f'[variables."{escaped}"]'


def column_letter(index: int) -> str:
    """Name a column as spreadsheets do: 1 is A, 27 is AA."""
    letters = ""
    while index > 0:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


@dataclass(slots=True)
class Ledger:
    """What reading found: problems and how headers were understood.

    ``date_order`` is the order of day and month that all dates of the trial together allow, where
    it is but one.
    """

    problems: list[Problem] = field(default_factory=list)
    understood: list[tuple[str, str, str]] = field(default_factory=list)
    date_order: str = ""
    _said: set[tuple[str, str, str | None]] = field(default_factory=set)

    def error(self, kind: str, what: str, remedy: str, place: Place | None = None) -> None:
        """Note a problem that stops the run."""
        self.problems.append(error(kind, what, remedy, place))

    def warn(self, kind: str, what: str, remedy: str, place: Place | None = None) -> None:
        """Note something odd that does not stop the run."""
        self.problems.append(warning(kind, what, remedy, place))

    def warn_once(self, kind: str, what: str, remedy: str, place: Place) -> None:
        """Note something odd only the first time it is met in a file or sheet."""
        key = (kind, place.file, place.sheet)
        if key not in self._said:
            self._said.add(key)
            self.warn(kind, what, remedy, place)

    def understand(self, source: str, header: str, meaning: str) -> None:
        """Record what a header, key or file was taken for."""
        self.understood.append((source, header, meaning))

    @property
    def failed(self) -> bool:
        """Whether any error was found."""
        return any(problem.severity is Severity.ERROR for problem in self.problems)
