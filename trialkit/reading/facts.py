"""Facts beside plan and values: doses, how assessments were done, weather, events."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from trialkit.problems import choice, listing, meant, quoted, sentences
from trialkit.reading.applications import named_applications
from trialkit.reading.cells import Cell, Grid, Ledger
from trialkit.reading.dates import read_dates
from trialkit.reading.days import holds_dates, row_days
from trialkit.reading.headers import normal
from trialkit.reading.names import Names
from trialkit.reading.numbers import cell_is_number, is_missing, read_numbers
from trialkit.reading.plan import split_names
from trialkit.reading.tables import Column, Table, make_table
from trialkit.reading.zero import Zero
from trialkit.trial import Application
from trialkit.trial_tables import (
    ASSESSMENT_COLUMNS,
    EVENT_KINDS,
    empty_assessments,
    empty_doses,
    empty_events,
    empty_weather,
    text_column,
)

_KIND_WORDS = {
    "deviation": "deviation", "deviations": "deviation", "protocoldeviation": "deviation",
    "departure": "deviation", "damage": "damage", "damages": "damage", "hail": "damage",
    "frost": "damage", "flooding": "damage", "maintenance": "maintenance",
    "fieldwork": "maintenance", "fieldmaintenance": "maintenance", "cultivation": "maintenance",
    "husbandry": "maintenance", "irrigation": "maintenance", "weeding": "maintenance",
    "fertiliser": "maintenance", "fertilizer": "maintenance", "fertilisation": "maintenance",
    "fertilization": "maintenance", "other": "other", "note": "other", "remark": "other",
}  # fmt: skip
_WHOLE_TRIAL = frozenset({"", "all", "allplots", "everyplot", "trial", "wholetrial", "none"})
_KEPT = "kept as text"


@dataclass(frozen=True, slots=True)
class Known:
    """What of a trial the facts beside it may name.

    Attributes
    ----------
    treatments : mapping
        From ids and reduced names of treatments to their ids.
    applications : sequence of Application
    plots : sequence of str
    names : Names
        Of the variables.
    zero : Zero
    """

    treatments: Mapping[str, str]
    applications: Sequence[Application]
    plots: Sequence[str]
    names: Names
    zero: Zero


@dataclass(frozen=True, slots=True)
class Facts:
    """The tables beside plan and values, empty where there is none."""

    doses: pd.DataFrame = field(default_factory=empty_doses)
    assessments: pd.DataFrame = field(default_factory=empty_assessments)
    weather: pd.DataFrame = field(default_factory=empty_weather)
    events: pd.DataFrame = field(default_factory=empty_events)


def read_facts(tables: Mapping[str, Sequence[Grid]], known: Known, ledger: Ledger) -> Facts:
    """Read the tables of doses, assessments, weather and events of a trial."""
    readers: dict[str, tuple[Callable[[Table, Known, Ledger], pd.DataFrame], str]] = {
        "doses": (_doses, "treatment"),
        "assessments": (_assessments, "days_after"),
        "weather": (_weather, "date"),
        "events": (_events, "what"),
    }
    found = {}
    for name, (reader, key) in readers.items():
        grid = next(iter(tables.get(name, ())), None)
        table = None if grid is None else make_table(grid, name, ledger, key=key)
        if table is not None:
            found[name] = reader(table, known, ledger)
    return Facts(**found)


def _doses(table: Table, known: Known, ledger: Ledger) -> pd.DataFrame:
    """Doses of single applications."""
    _tell(table, ledger)
    if not _has(table, "treatment", ledger):
        return empty_doses()
    rates, actual = _amounts(table, "rate", ledger), _amounts(table, "actual", ledger)
    rows: list[dict[str, Any]] = []
    seen: dict[tuple[object, ...], int] = {}
    for index, row in enumerate(table.rows):
        cell = _cell(table, row, "treatment")
        treatment = known.treatments.get(cell.text) or known.treatments.get(normal(cell.text))
        if treatment is None:
            ledger.error(
                "treatment-unknown",
                f"{quoted(cell.text)} is not in the list of treatments."
                if cell.text
                else "This dose has no treatment.",
                sentences("Name the treatment by its id.", meant(cell.text, known.treatments)),
                table.place(cell),
            )
            continue
        further = _further(table, row)
        at = _cell(table, row, "application")
        for application in named_applications(at, table, known.applications, ledger) or (None,):
            key = (treatment, application, *further.items())
            if key in seen:
                ledger.error(
                    "dose-twice",
                    f"The dose of treatment {quoted(treatment)} on this application is listed "
                    f"twice; first in row {seen[key]}.",
                    "Keep the right one.",
                    table.place(cell),
                )
            seen[key] = cell.row
            rows.append(
                {
                    "treatment": treatment,
                    "application": application,
                    "rate": rates[index],
                    "rate_unit": _cell(table, row, "rate_unit").text or None,
                    "actual": actual[index],
                    **further,
                }
            )
    return _frame(rows, empty_doses())


def _assessments(table: Table, known: Known, ledger: Ledger) -> pd.DataFrame:
    """How assessments were done."""
    _tell(table, ledger)
    days = _days(table, known.zero, ledger)
    variables = [*known.names.found, *known.names.declared]
    rows: list[dict[str, Any]] = []
    for index, row in enumerate(table.rows):
        cell = _cell(table, row, "variable")
        variable = None
        if cell.text and normal(cell.text) not in {"all", "allvariables", "every"}:
            variable = known.names.name_of(cell.text)
            if variable not in variables:
                ledger.error(
                    "variable-unknown",
                    f"No table of values has a variable {quoted(cell.text)}.",
                    sentences("Name a variable, or 'all'.", meant(cell.text, variables)),
                    table.place(cell),
                )
                continue
        day = days[index]
        if day is None:
            continue  # said already
        texts = {name: _cell(table, row, name).text or None for name in ASSESSMENT_COLUMNS[2:]}
        rows.append({"day": day, "variable": variable, **texts, **_further(table, row)})
    return _frame(rows, empty_assessments())


def _days(table: Table, zero: Zero, ledger: Ledger) -> list[float | None]:
    """Day of each row; NaN where none is given."""
    columns = [
        column for name in ("days_after", "days_before", "date") if (column := table.column(name))
    ]
    found: list[float | None] = [math.nan] * len(table.rows)
    filled = [
        index
        for index, row in enumerate(table.rows)
        if any(row[column.index - 1].text for column in columns)
    ]
    rows = tuple(table.rows[index] for index in filled)
    days = row_days(replace(table, rows=rows), zero, ledger) if filled else None
    for index, day in zip(filled, days or (), strict=True):
        found[index] = day
    return found


def _weather(table: Table, known: Known, ledger: Ledger) -> pd.DataFrame:
    """Weather: a date, and what was measured under headings of its own."""
    dates = _dates(table, known.zero, ledger)
    measured = [column for column in table.columns if column.field is None and column.header]
    for column in table.columns:
        if column.header:
            meaning = "weather, kept under its heading" if column in measured else column.field
            ledger.understand(table.grid.name, column.header, meaning or "")
    if dates is None:
        _has(table, "date", ledger)
        return empty_weather()
    kept = [index for index, day in enumerate(dates) if day is not None]
    for index, day in enumerate(dates):
        if day is None and not _cell(table, table.rows[index], "date").text:
            _tell_no_date(table, table.rows[index], ledger)
    frame: dict[str, Any] = {"date": text_column([dates[index] for index in kept])}
    for column in measured:
        cells = [table.cells(column)[index] for index in kept]
        if any(cell.text for cell in cells):
            frame[column.header] = _measured(cells, table, ledger)
    return pd.DataFrame(frame) if kept else empty_weather()


def _measured(cells: Sequence[Cell], table: Table, ledger: Ledger) -> Any:
    """Numbers where every cell with something in it is one, else texts."""
    filled = [cell for cell in cells if not is_missing(cell.text)]
    if filled and all(cell_is_number(cell) and not cell.fault for cell in filled):
        numbers, _ = read_numbers(cells, table, ledger, marks=table.marks)
        return np.array([math.nan if item is None else item for item in numbers], dtype=float)
    return text_column([cell.text or None for cell in cells])


def _events(table: Table, known: Known, ledger: Ledger) -> pd.DataFrame:
    """What happened in the field; an event may stand without a date."""
    _tell(table, ledger)
    if not _has(table, "what", ledger):
        return empty_events()
    dates = _dates(table, known.zero, ledger) or [None] * len(table.rows)
    rows: list[dict[str, Any]] = []
    for day, row in zip(dates, table.rows, strict=True):
        what, kind = _cell(table, row, "what").text, "other"
        cell = _cell(table, row, "kind")
        if cell.text:
            kind = _KIND_WORDS.get(normal(cell.text), "other")
            if normal(cell.text) not in _KIND_WORDS:
                ledger.warn(
                    "event-kind",
                    f"{quoted(cell.text)} is no kind of event; it was put before what happened.",
                    choice(cell.text, EVENT_KINDS, "Kinds are"),
                    table.place(cell),
                )
            if normal(cell.text) not in {*EVENT_KINDS, "deviations", "damages"}:
                what = f"{cell.text}: {what}" if what else cell.text
        if not what:
            ledger.error(
                "event-without-text",
                "This event does not say what happened.",
                "Say it under what, or clear the row.",
                table.place(_cell(table, row, "what")),
            )
            continue
        where = _plots(_cell(table, row, "plots"), table, known.plots, ledger)
        rows.append(
            {"date": day, "what": what, "kind": kind, "plots": where, **_further(table, row)}
        )
    return _frame(rows, empty_events())


def _plots(cell: Cell, table: Table, known: Sequence[str], ledger: Ledger) -> str | None:
    if cell.text not in known and normal(cell.text) in _WHOLE_TRIAL:
        return None
    named = split_names(cell.text, known)
    unknown = [name for name in named if name not in known]
    if unknown and known:
        ledger.warn(
            "plot-unknown",
            f"{listing(map(quoted, unknown))} {'is' if len(unknown) == 1 else 'are'} not in the "
            "plan.",
            "Name plots by their ids, with semicolons between them; leave the cell empty for the "
            "whole trial.",
            table.place(cell),
        )
    return "; ".join(named)


def _dates(table: Table, zero: Zero, ledger: Ledger) -> list[date | None] | None:
    """Date of each row, from a date or from a day; None where the table has neither."""
    column = table.column("date")
    days_column = table.column("days_after")
    if column is None and days_column is not None and holds_dates(table.cells(days_column)):
        column = days_column
    if column is not None:
        return read_dates(table.cells(column), table, ledger, zero.day)
    if days_column is None:
        return None
    days = _days(table, zero, ledger)
    if zero.day is None or days is None:
        return None
    return [
        None if day is None or math.isnan(day) else zero.day + timedelta(days=day) for day in days
    ]


def _tell_no_date(table: Table, row: Sequence[Cell], ledger: Ledger) -> None:
    ledger.error(
        "day-unreadable",
        "This row has no date.",
        "Fill in the date, such as 2025-06-12, or clear the row.",
        table.place(_cell(table, row, "date")),
    )


def _tell(table: Table, ledger: Ledger) -> None:
    for column in table.columns:
        if column.header:
            ledger.understand(table.grid.name, column.header, column.field or _KEPT)


def _has(table: Table, name: str, ledger: Ledger) -> bool:
    if table.column(name) is not None:
        return True
    headers = listing([column.label for column in table.columns if column.header], 12)
    ledger.error(
        "no-column",
        f"There is no column {name}; found were {headers}.",
        f"Add the column {name}, or give it that heading.",
        table.header_place(),
    )
    return False


def _cell(table: Table, row: Sequence[Cell], name: str) -> Cell:
    column = table.column(name)
    return Cell("", row[0].row, 1) if column is None else row[column.index - 1]


def _amounts(table: Table, name: str, ledger: Ledger) -> list[float]:
    column = table.column(name)
    if column is None:
        return [math.nan] * len(table.rows)
    cells = table.cells(column)
    found = []
    for cell, value in zip(
        cells, read_numbers(cells, table, ledger, marks=table.marks)[0], strict=True
    ):
        if value is not None and value < 0:
            ledger.error(
                "negative-number",
                f"{name} is below zero: {cell.text}.",
                "Type a number of 0 or more, or leave the cell empty.",
                table.place(cell),
            )
        found.append(math.nan if value is None else value)
    return found


def _further(table: Table, row: Sequence[Cell]) -> dict[str, str]:
    return {
        column.header: row[column.index - 1].text
        for column in _unknown(table)
        if row[column.index - 1].text
    }


def _unknown(table: Table) -> Iterator[Column]:
    return (column for column in table.columns if column.field is None and column.header)


def _frame(rows: Sequence[Mapping[str, Any]], like: pd.DataFrame) -> pd.DataFrame:
    """Rows as a table with the columns of ``like``, further ones behind."""
    if not rows:
        return like
    further = dict.fromkeys(key for row in rows for key in row if key not in like.columns)
    made = {
        name: np.array([row[name] for row in rows], dtype=float) + 0.0
        if like[name].dtype == float
        else text_column([row[name] for row in rows])
        for name in like.columns
    }
    return pd.DataFrame(
        {**made, **{name: text_column([row.get(name) for row in rows]) for name in further}}
    )
