"""A trial of tables that a program holds, read and checked as files are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from trialkit.problems import TrialError, choice, error, quoted
from trialkit.reading.cells import Cell, Grid, Ledger
from trialkit.reading.kinds import STANDARD
from trialkit.reading.reader import read_source
from trialkit.reading.sources import Source
from trialkit.reading.workbooks import value_cell
from trialkit.trial import Trial

_TABLES = ("flat", *(kind for kind in STANDARD if kind != "trial"))


def trial_from_tables(keys: Mapping[str, Any] | None = None, **tables: pd.DataFrame) -> Trial:
    """Make a trial of pandas tables: the same columns, rules and checks as for files.

    Parameters
    ----------
    keys : mapping, optional
        What ``trial.toml`` holds, nested as there: title, design, untreated, ``variables``,
        ``analysis``, ``report``.
    **tables : DataFrame
        ``plots``, ``counts``, ``treatments``, ``applications``, ``doses``, ``assessments``,
        ``weather``, ``events``, and ``yields`` (or ``yield``); or one table ``flat`` with plots,
        treatments and values together. Columns are headed as in files; rows are counted from 1.
        What pandas calls missing is an empty cell.

    Returns
    -------
    Trial

    Raises
    ------
    TrialError
        With all problems found, when there is any error.

    Examples
    --------
    >>> import pandas as pd
    >>> import trialkit
    >>> counts = pd.DataFrame(
    ...     {
    ...         "plot": [1, 2, 3, 4],
    ...         "block": [1, 1, 2, 2],
    ...         "treatment": ["untreated", "soap", "soap", "untreated"],
    ...         "days_after": 7,
    ...         "aphids": [31, 4, 6, 27],
    ...     }
    ... )
    >>> trial = trialkit.trial_from_tables(
    ...     {"title": "Soap", "design": "rcbd", "untreated": "untreated"}, flat=counts
    ... )
    >>> trial
    <Trial 'Soap': rcbd, 2 treatments, 4 plots, 1 variable, 1 day>
    """
    if "yields" in tables:
        tables = {"yield" if name == "yields" else name: item for name, item in tables.items()}
    unknown = [name for name in tables if name not in _TABLES]
    if unknown:
        raise TrialError(
            [
                error(
                    "unknown-table",
                    f"No table is {quoted(unknown[0])}.",
                    choice(unknown[0], _TABLES),
                )
            ]
        )
    source = Source(name="trial", label="keys", keys=keys or {})
    for name, table in tables.items():
        source.add(name, _grid(name, table))
    reading = read_source(source, Ledger())
    if reading.trial is None:
        raise TrialError(reading.problems)
    return reading.trial


def _grid(name: str, table: pd.DataFrame) -> Grid:
    """Bring a table to cells; the heading is row 0, so that its rows are counted from 1."""
    names = tuple(value_cell(str(head), 0, at) for at, head in enumerate(table.columns, 1))
    missing = table.isna().to_numpy()
    rows = [names]
    values = table.astype(object).to_numpy()
    for row in range(len(table)):
        cells = [
            Cell("", row + 1, at + 1)
            if missing[row, at]
            else value_cell(_python(values[row, at]), row + 1, at + 1)
            for at in range(len(names))
        ]
        if any(cell.text for cell in cells):
            rows.append(tuple(cells))
    return Grid(file=name, rows=tuple(rows))


def _python(value: object) -> object:
    """A value as Python's own, where it is one of numpy."""
    item = getattr(value, "item", None)
    return item() if callable(item) else value
