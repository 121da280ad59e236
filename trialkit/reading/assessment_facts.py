"""How assessments were done, told in columns beside the values: stage, assessor, method, notes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit.problems import Place, listing, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.observations import Record
from trialkit.reading.sheet_top import top_of
from trialkit.reading.tables import Table
from trialkit.trial_tables import ASSESSMENT_COLUMNS, text_column

_TEXTS = ASSESSMENT_COLUMNS[2:]
#: By text, the plots that have it.
_Said = dict[str, list[str]]
_Facts = dict[str, str]


def with_beside(
    assessments: pd.DataFrame, records: Iterable[Record], order: Sequence[str], ledger: Ledger
) -> pd.DataFrame:
    """Add to the table of assessments what stands beside the values.

    Parameters
    ----------
    assessments : DataFrame
        As its own table gives it; what stands there is kept.
    records : iterable of Record
        Values of plots, with their rows.
    order : sequence of str
        Names of the variables as listed.
    ledger : Ledger
        Gets a warning where the two differ.

    Returns
    -------
    DataFrame
        What all variables of a day have in common stands in one row of the day.
    """
    gathered = _gather(records)
    by_day: dict[float, dict[str, _Facts]] = {}
    for (day, variable), columns in gathered.said.items():
        plots = gathered.plots[day, variable]
        facts = {name: _one_text(name, texts, plots) for name, texts in columns.items() if texts}
        for field_name, text in gathered.above[day, variable].items():
            below = facts.get(field_name) or text
            facts[field_name] = "; ".join(dict.fromkeys((text, below)))
        by_day.setdefault(day, {})[variable] = facts
    rows: list[dict[str, object]] = [
        {str(name): value for name, value in row.items()} for row in assessments.to_dict("records")
    ]
    for day in sorted(by_day, key=lambda day: (not math.isnan(day), day)):
        own = by_day[day]
        same = all(facts == next(iter(own.values())) for facts in own.values())
        chosen: list[tuple[str | None, _Facts]] = (
            [(None, next(iter(own.values())))]
            if same
            else [(name, own[name]) for name in order if name in own]
        )
        for which, told in chosen:
            if told:
                _enter(rows, day, which, told, gathered.places[day], ledger)
    return _frame(rows, assessments)


@dataclass(slots=True)
class _Gathered:
    """Texts beside and above the values of each day and variable, their plots, and a place."""

    said: dict[tuple[float, str], dict[str, _Said]] = field(default_factory=dict)
    plots: dict[tuple[float, str], set[str]] = field(default_factory=dict)
    above: dict[tuple[float, str], _Facts] = field(default_factory=dict)
    places: dict[float, Place] = field(default_factory=dict)


def _gather(records: Iterable[Record]) -> _Gathered:
    """Gather what stands beside values; under day NaN where a row holds several days."""
    kept: dict[int, dict[int, dict[str, str]]] = {}
    above: dict[int, _Facts] = {}
    own: list[tuple[Record, Mapping[str, str]]] = []
    days: dict[tuple[int, int], set[float]] = {}
    for record in records:
        if id(record.table) not in kept:
            kept[id(record.table)] = _beside(record.table)
            top = top_of(record.table)
            above[id(record.table)] = {name: top[name].text for name in _TEXTS if name in top}
        beside = kept[id(record.table)]
        if beside or above[id(record.table)]:
            own.append((record, beside.get(record.cell.row, {})))
            days.setdefault((id(record.table), record.cell.row), set()).add(record.day)
    several = {table for (table, _), some in days.items() if len(some) > 1}
    found = _Gathered()
    for record, texts in own:
        day = _NO_DAY if id(record.table) in several else record.day
        key = (day, record.variable)
        found.places.setdefault(day, record.table.place(record.cell))
        found.plots.setdefault(key, set()).add(record.plot)
        found.above.setdefault(key, {}).update(above[id(record.table)])
        columns = found.said.setdefault(key, {name: {} for name in _TEXTS})
        for name, text in texts.items():
            plots = columns[name].setdefault(text, [])
            if record.plot not in plots:
                plots.append(record.plot)
    return found


#: One object, so that it finds itself in a dictionary.
_NO_DAY = math.nan


def _beside(table: Table) -> dict[int, dict[str, str]]:
    columns = [(name, column) for name in _TEXTS if (column := table.column(name)) is not None]
    found = {}
    for row in table.rows if columns else ():
        texts = {name: row[column.index - 1].text for name, column in columns}
        found[row[0].row] = {name: text for name, text in texts.items() if text}
    return found


def _one_text(name: str, texts: _Said, all_plots: set[str]) -> str:
    """One text of several: notes with their plots, where they are not of all plots."""
    if name != "notes" or all(set(plots) == all_plots for plots in texts.values()):
        return "; ".join(texts)
    return "; ".join(f"{', '.join(plots)}: {text}" for text, plots in texts.items())


def _enter(
    rows: list[dict[str, object]],
    day: float,
    variable: str | None,
    facts: _Facts,
    place: Place,
    ledger: Ledger,
) -> None:
    for row in rows:
        listed = row["day"]
        same = listed == day or (listed != listed and math.isnan(day))
        if not same or row["variable"] != variable:
            continue
        differ = [name for name, text in facts.items() if row[name] not in {None, text}]
        if differ:
            ledger.warn(
                "assessment-conflict",
                f"{listing(differ)} of day {day:g} differ here and in the table of assessments: "
                f"{listing(quoted(facts[name]) for name in differ)} and "
                f"{listing(quoted(str(row[name])) for name in differ)}; the latter was kept.",
                "Make the two agree.",
                place,
            )
        row.update({name: text for name, text in facts.items() if row[name] is None})
        return
    rows.append({"day": day, "variable": variable, **dict.fromkeys(_TEXTS), **facts})


def _frame(rows: Sequence[Mapping[str, object]], like: pd.DataFrame) -> pd.DataFrame:
    if not rows:
        return like
    return pd.DataFrame(
        {
            name: np.array([row["day"] for row in rows], dtype=float) + 0.0
            if name == "day"
            else text_column([row.get(name) for row in rows])
            for name in like.columns
        }
    )
