"""Rows of a table as plain lists: for all that reads single cells, many times as fast as frames."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import compress, repeat
from math import nan
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.numerals import Digits
from trialkit.trial_tables import UNDATED

if TYPE_CHECKING:
    from trialkit.analysis import Analysis
    from trialkit.trial import Trial

#: Rows up to which the text of numbers is kept.
_MOST_KEPT = 10_000


#: Columns that hold names of variables.
_VARIABLES = ("variable", "pest")


def columns_of(table: pd.DataFrame) -> dict[str, list[Any]]:
    """Take the columns of a table out of its frame, all at once.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    dict of str to list
        Numbers as Python's own.
    """
    names = map(str, table.columns.tolist())
    return dict(zip(names, table.to_numpy(dtype=object).T.tolist(), strict=True))


def defined(value: object) -> bool:
    """Whether a cell holds something: neither None nor NaN."""
    return value is not None and value == value


def one_nan(value: Any) -> float:
    """A number, or the one NaN that equals itself in a tuple where a cell holds none."""
    return float(value) if defined(value) else nan


class Rows:
    """Some rows of a table, column by column; nobody changes them.

    Parameters
    ----------
    columns : mapping of str to list
        All equally long.
    """

    __slots__ = ("_columns", "_digits")

    def __init__(self, columns: Mapping[str, list[Any]]) -> None:
        self._columns = columns
        self._digits: dict[str, Digits] = {}

    @classmethod
    def of(cls, table: pd.DataFrame) -> Rows:
        """All rows of a data frame."""
        return cls(columns_of(table))

    def __len__(self) -> int:
        return len(next(iter(self._columns.values()), ()))

    def __contains__(self, column: str) -> bool:
        return column in self._columns

    def __getitem__(self, column: str) -> list[Any]:
        return self._columns[column]

    def get(self, column: str) -> list[Any]:
        """Cells of a column; none where there is no such column."""
        return self._columns.get(column, [])

    @property
    def columns(self) -> Mapping[str, list[Any]]:
        """Cells by column."""
        return self._columns

    def records(self) -> list[dict[str, Any]]:
        """Every row as a dictionary."""
        rows = zip(*self._columns.values(), strict=True)
        return list(map(dict, map(zip, repeat(tuple(self._columns)), rows)))

    def take(self, places: Sequence[int]) -> Rows:
        """Rows in these places."""
        if places and places[-1] - places[0] + 1 == len(places):  # they stand together
            first, end = places[0], places[-1] + 1
            return Rows({name: cells[first:end] for name, cells in self._columns.items()})
        return Rows({name: [cells[i] for i in places] for name, cells in self._columns.items()})

    def keep(self, flags: Iterable[object]) -> Rows:
        """Rows with a true flag, of one flag a row."""
        return self.take(list(compress(range(len(self)), flags)))

    def places(self, **wanted: object) -> Sequence[int]:
        """Places of the rows whose cells equal the values given, by column."""
        found: Sequence[int] = range(len(self))
        for column, value in wanted.items():
            cells = self._columns[column]
            found = [place for place in found if cells[place] == value]
        return found

    def where(self, **wanted: object) -> Rows:
        """Rows whose cells equal the values given, by column."""
        return self.take(self.places(**wanted))

    def known(self, column: str) -> Rows:
        """Rows in which a column holds something."""
        return self.keep(map(defined, self._columns[column]))

    def knows(self, column: str) -> bool:
        """Whether any cell of a column holds something."""
        return any(map(defined, self._columns[column]))

    def numbers(self, column: str) -> list[float]:
        """Cells of a column of numbers that are defined."""
        return [cell for cell in self._columns[column] if defined(cell)]

    def digits(self, column: str) -> Digits:
        """Cells of a column of numbers as text for files; made once, as several files hold them.

        Of very many rows they would take more memory than the time is worth.
        """
        if len(self) > _MOST_KEPT:
            return Digits.of(self._for_files(column))
        if column not in self._digits:
            self._digits[column] = Digits.of(self._for_files(column))
        return self._digits[column]

    def _for_files(self, column: str) -> list[Any]:
        """Cells of a column, of which the day of an assessment without one is undefined."""
        cells = self._columns[column]
        return [nan if cell == UNDATED else cell for cell in cells] if UNDATED in cells else cells

    def groups(self, column: str) -> dict[Any, Rows]:
        """Rows with the same cell in a column together, in the order of their first."""
        places: dict[Any, list[int]] = {}
        for place, cell in enumerate(self._columns[column]):
            places.setdefault(cell, []).append(place)
        return {cell: self.take(own) for cell, own in places.items()}


class TableRows:
    """The tables of one result as rows, each taken out of its frame once.

    Parameters
    ----------
    source : object
        Holds every table as an attribute.
    alpha : float
        Level of its settings.
    """

    def __init__(self, source: object, alpha: float) -> None:
        self.alpha = alpha
        self._source = source
        self._rows: dict[str, Rows] = {}

    def __getitem__(self, name: str) -> Rows:
        if name not in self._rows:
            self._rows[name] = Rows.of(getattr(self._source, name))
        return self._rows[name]

    def forget(self) -> bool:
        """Let go of the rows of long tables; they are taken out again where they are asked for.

        Returns
        -------
        bool
            Whether there were any.
        """
        before = len(self._rows)
        self._rows = {name: rows for name, rows in self._rows.items() if len(rows) <= _MOST_KEPT}
        return len(self._rows) < before


class Tables(TableRows):
    """The trial of an analysis, and the tables of both as rows, each taken out of its frame once.

    Parameters
    ----------
    analysis : Analysis
    variables : collection of str
        Those whose rows are wanted; all where it is empty.
    """

    def __init__(self, analysis: Analysis, variables: Collection[str] = ()) -> None:
        super().__init__(analysis, analysis.trial.settings.alpha)
        self.trial: Trial = analysis.trial
        self.analysis = analysis
        self._variables = frozenset(variables)
        self._read: dict[str, Rows] = {}

    def __getitem__(self, name: str) -> Rows:
        if name not in self._rows:
            self._rows[name] = self._chosen(Rows.of(getattr(self.analysis, name)))
        return self._rows[name]

    def as_read(self, name: str) -> Rows:
        """Find a table of the trial: counts, yields or harvest."""
        if name not in self._read:
            self._read[name] = self._chosen(Rows.of(getattr(self.trial, name)))
        return self._read[name]

    def only(self, variables: Collection[str]) -> Tables:
        """The tables of some variables alone; of all where none is named."""
        return Tables(self.analysis, variables) if variables else self

    def _chosen(self, rows: Rows) -> Rows:
        """Rows of the chosen variables, and what belongs to no variable."""
        if not self._variables:
            return rows
        for column in _VARIABLES:
            if column in rows:
                known = self._variables
                rows = rows.keep(not defined(cell) or cell in known for cell in rows[column])
        return rows
