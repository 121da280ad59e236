"""The counts of a trial as a table to write: a column a variable, or long."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np

from trialkit.reading.headers import FIELDS, normal
from trialkit.reading.names import number_key
from trialkit.trial import Trial, numbers_examined

Value = str | float | int | date | None
_CLOSE = 1e-6


class _Row(NamedTuple):
    """One row of the counts: units hit in the place of a percentage, and the number examined."""

    plot: str
    day: float
    sample: str | None
    variable: str
    value: float
    number: float

    @property
    def key(self) -> tuple[str, float, str | None]:
        return (self.plot, self.day, self.sample)


_Numbers = dict[str, dict[tuple[str, float, str | None], float]]


def clash(kind: str, names: Iterable[str]) -> bool:
    """Whether a variable has the name of a column, so that it cannot head one."""
    columns = {normal(field) for field in FIELDS[kind]}
    return any(normal(name) in columns for name in names)


def counts_table(trial: Trial) -> tuple[tuple[str, ...], tuple[tuple[Value, ...], ...]]:
    """Headings and rows of the table of counts; without days where none was given.

    Raises
    ------
    ValueError
        As `_dated_table`.
    """
    headers, rows = _dated_table(trial)
    if not trial.undated:
        return headers, rows
    place = headers.index("days_after")
    return (
        (*headers[:place], *headers[place + 1 :]),
        tuple((*row[:place], *row[place + 1 :]) for row in rows),
    )


def _dated_table(trial: Trial) -> tuple[tuple[str, ...], tuple[tuple[Value, ...], ...]]:
    """Headings and rows of the table of counts.

    A share k of n is written as k; n stands in a column of its own, or in rows of its own where
    the table is long, once for all variables that it belongs to.

    Raises
    ------
    ValueError
        When a share is no whole number of the units examined, or a number examined cannot be
        written beside it.
    """
    rows = _rows(trial)
    names = list(dict.fromkeys(row.variable for row in rows))
    headings = _headings(trial)
    numbers = _shared(rows, headings)
    sampled = any(row.sample is not None for row in rows)
    ids = ("plot", "days_after", "sample") if sampled else ("plot", "days_after")
    by_name = {name: [row for row in rows if row.variable == name] for name in names}
    keys = [row.key for row in by_name[names[0]]]
    even = all([row.key for row in own] == keys for own in by_name.values())
    if numbers is None:
        return _long_beside(rows, headings, ids)
    columns = [*names, *numbers]
    if even and not clash("counts", columns):
        values = [[row.value for row in by_name[name]] for name in names]
        values += [[found.get(key, np.nan) for key in keys] for found in numbers.values()]
        wide = tuple((*key[: len(ids)], *cells) for key, *cells in zip(keys, *values, strict=True))
        return (*ids, *columns), wide
    long = [(*row.key[: len(ids)], row.variable, row.value) for row in rows]
    for heading, found in numbers.items():
        long += [(*key[: len(ids)], heading, number) for key, number in found.items()]
    return (*ids, "variable", "value"), tuple(long)


def _rows(trial: Trial) -> list[_Row]:
    counts = trial.counts
    value = counts["value"].to_numpy(dtype=float)
    number = numbers_examined(counts).to_numpy(dtype=float)
    shares = [item.name for item in trial.variables if item.examined is not None]
    share = counts["variable"].isin(shares).to_numpy() & ~np.isnan(value)
    hits = value * number / 100.0
    if not (np.abs(hits[share] - np.round(hits[share])) < _CLOSE).all():
        msg = "A share is no whole number of the units examined, or that number is missing."
        raise ValueError(msg)
    value = np.where(share, np.round(np.where(share, hits, 0.0)), value)
    ids = [counts[name].tolist() for name in ("plot", "day", "sample", "variable")]
    return [_Row(*row) for row in zip(*ids, value.tolist(), number.tolist(), strict=True)]


def _headings(trial: Trial) -> dict[str, str]:
    """Heading of the numbers examined of each variable for which they are no variable too."""
    known = {item.name for item in trial.variables}
    by_key: dict[str, str] = {}
    return {
        item.name: by_key.setdefault(number_key(item.examined), item.examined)
        for item in trial.variables
        if isinstance(item.examined, str) and item.examined not in known
    }


def _shared(rows: Sequence[_Row], headings: Mapping[str, str]) -> _Numbers | None:
    """Numbers examined by heading and place; None where variables of one heading differ."""
    found: _Numbers = {}
    for row in rows:
        heading = headings.get(row.variable)
        if heading is None or np.isnan(row.number):
            continue
        if found.setdefault(heading, {}).setdefault(row.key, row.number) != row.number:
            return None
    return found


def _long_beside(
    rows: Sequence[_Row], headings: Mapping[str, str], ids: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[tuple[Value, ...], ...]]:
    """A long table with the numbers examined beside the values."""
    columns = list(dict.fromkeys(headings.values()))
    if clash("counts", columns):
        msg = "A number examined has the name of a column of the counts; give it another."
        raise ValueError(msg)
    table = tuple(
        (
            *row.key[: len(ids)],
            row.variable,
            row.value,
            *(row.number if headings.get(row.variable) == name else None for name in columns),
        )
        for row in rows
    )
    return (*ids, "variable", "value", *columns), table
