"""The Analysis: what was computed for a trial, as tidy tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass, field, make_dataclass
from functools import cache, partial
from textwrap import fill, indent
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.internals import create_dataframe_from_blocks

from trialkit.analysis.schema import COLUMNS, TABLES
from trialkit.problems import Problem
from trialkit.trial import Trial

FloatArray = npt.NDArray[np.float64]


def make_table(name: str, columns: Mapping[str, Sized]) -> pd.DataFrame:
    """Make one of the tables from its columns, with their types and in their order.

    Parameters
    ----------
    name : str
        A table of the schema.
    columns : mapping of str to sequence
        Columns not given are empty (missing numbers, no text).

    Raises
    ------
    KeyError
        When the table has no such column.
    ValueError
        When columns differ in length.
    """
    unknown = set(columns) - set(COLUMNS[name])
    if unknown:
        raise KeyError(f"{name} has no column {sorted(unknown)}")
    lengths = {len(values) for values in columns.values()} or {0}
    if len(lengths) > 1:
        raise ValueError(f"columns of {name} differ in length: {sorted(lengths)}")
    length = lengths.pop()
    header, (numbers, named), (others, told) = _places(name)
    numeric = np.full((numbers.size, length), np.nan)
    rest = np.full((others.size, length), None, dtype=object)
    for block, names in ((numeric, named), (rest, told)):
        for row, column in zip(block, names, strict=True):
            if column in columns:
                row[:] = np.asarray(columns[column], dtype=block.dtype)
    # Ten times faster than from a column each, which pandas would look into one by one.
    made: pd.DataFrame = create_dataframe_from_blocks(
        [(numeric, numbers), (rest, others)], index=pd.RangeIndex(length), columns=header
    )
    return made


_Some = tuple[npt.NDArray[np.intp], tuple[str, ...]]


@cache
def _places(name: str) -> tuple[pd.Index[str], _Some, _Some]:
    """Columns of a table; places and names of those of numbers, and of the others."""
    names = list(COLUMNS[name])
    numeric = np.array([kind == "number" for kind in COLUMNS[name].values()])
    numbers, others = (
        (places, tuple(names[place] for place in places))
        for places in (np.flatnonzero(numeric), np.flatnonzero(~numeric))
    )
    return pd.Index(names), numbers, others


@cache
def _template(name: str) -> pd.DataFrame:
    return make_table(name, {})


def empty_table(name: str) -> pd.DataFrame:
    """Make one of the tables without rows."""
    return _template(name).copy()


def table_of_parts(
    name: str, parts: Sequence[Mapping[str, Sized]], places: Sequence[Sized] = ()
) -> pd.DataFrame:
    """Make one table from parts that lie below each other; cheaper than joining tables.

    Parameters
    ----------
    name : str
        A table of the schema.
    parts : sequence of mapping of str to sequence
        All with the same columns.
    places : sequence of sequence of numbers, optional
        For each part a number for each row, by which the rows are put in order.
    """
    if not parts:
        return empty_table(name)
    kinds = COLUMNS[name]
    joined: dict[str, Any] = {}
    for column in parts[0]:
        number = kinds[column] == "number"
        joined[column] = np.concatenate(
            [np.asarray(part[column], dtype=float if number else object) for part in parts]
        )
    if places:
        order = np.argsort(np.concatenate([np.asarray(place) for place in places]), kind="stable")
        joined = {column: values[order] for column, values in joined.items()}
    return make_table(name, joined)


def join_tables(name: str, tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Put parts of one table below each other; empty when there are none."""
    return pd.concat(tables, ignore_index=True) if tables else empty_table(name)


if TYPE_CHECKING:

    class _Tables:
        def __getattr__(self, name: str) -> pd.DataFrame: ...

else:
    #: One attribute a table of the schema, empty where nothing was computed.
    _Tables = make_dataclass(
        "_Tables",
        [
            (name, pd.DataFrame, field(default_factory=partial(empty_table, name)))
            for name in TABLES
        ],
        frozen=True,
        kw_only=True,
        eq=False,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis(_Tables):
    """Everything computed for one trial.

    Every table is a tidy DataFrame with the columns of `trialkit.analysis.schema`; what is
    undefined is NaN (None in text and flags), with a reason or a note in the same row.
    ``trialkit.explain("means")`` says what each column holds, and in what unit.

    Examples
    --------
    >>> import trialkit
    >>> analysis = trialkit.analyse(trialkit.example_trial("leaf_beetle_potato"))
    >>> shown = analysis.control.query("chosen and variable == 'larvae' and days_after == 7")
    >>> shown["treatment"].tolist()
    ['2', '3', '4', '5', '6', '7', '8']

    Attributes
    ----------
    trial : Trial
    problems : tuple of Problem
        Everything odd, from reading and from the analysis.
    """

    trial: Trial
    problems: tuple[Problem, ...] = ()

    if TYPE_CHECKING:

        def __init__(
            self, *, trial: Trial, problems: tuple[Problem, ...] = (), **tables: pd.DataFrame
        ) -> None: ...

    def __repr__(self) -> str:
        filled = sum(not getattr(self, name).empty for name in TABLES)
        return f"<Analysis of {self.trial.title!r}: {filled} of {len(TABLES)} tables have rows>"

    def _repr_html_(self) -> str:
        from trialkit.summaries import summary_html

        return summary_html(self)

    def summary(self) -> str:
        """Write the first page of the report: its sentences and the table at a glance.

        Returns
        -------
        str
            Lines of at most 80 characters.

        Examples
        --------
        >>> import trialkit
        >>> analysis = trialkit.analyse(trialkit.example_trial("spider_mite_glasshouse.xlsx"))
        >>> print(analysis.summary())  # doctest: +SKIP
        """
        # The answer is told by the room after this one, so it is fetched when it is asked for.
        from trialkit.summaries import summary_lines

        return "\n".join(summary_lines(self))

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables of the record by name, in its order."""
        return {name: getattr(self, name) for name, table in TABLES.items() if table.recorded}


def _with_tables(text: str) -> str:
    """Add every table of the schema to the attributes that a docstring lists."""
    lines = [text.rstrip()]
    for table in TABLES.values():
        meaning = f"{table.question}. One row: {table.row}."
        lines += [f"    {table.name} : DataFrame", indent(fill(meaning, 92), " " * 8)]
    return "\n".join([*lines, "    "])


Analysis.__doc__ = _with_tables(Analysis.__doc__ or "")
