"""Harvested masses and applications."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from types import MappingProxyType

import numpy as np
import pandas as pd

from trialkit.reading.cells import Cell, Ledger, quoted
from trialkit.reading.rows import Rows
from trialkit.reading.tables import Table
from trialkit.reading.values import commas_are_decimal, read_dates, read_numbers
from trialkit.trial import HARVEST_COLUMNS, Application, empty_harvest

# 1 US gallon = 3.785411784 L and 1 acre = 4046.8564224 m2, both exact.
L_PER_HA_IN_GAL_PER_ACRE = 3.785411784 / 0.40468564224

_MASSES = ("harvested_kg", "harvested_lb")
_LIMITS: Mapping[str, tuple[float, float, str]] = {
    "harvested_kg": (0.0, math.inf, "0 or more"),
    "harvested_lb": (0.0, math.inf, "0 or more"),
    "harvested_area_m2": (1e-9, math.inf, "above 0"),
    "harvested_area_ft2": (1e-9, math.inf, "above 0"),
    "moisture_percent": (0.0, 99.999, "0 or more and below 100"),
}

Harvest = dict[str, dict[str, float]]


def read_harvest(rows: Rows, harvest: Harvest, ledger: Ledger) -> None:
    """Read the columns of harvested masses of a table into ``harvest``, by plot."""
    table = rows.table
    names = [name for name in HARVEST_COLUMNS[1:] if table.column(name) is not None]
    if not names:
        return
    if not any(name in _MASSES for name in names):
        column = table.column(names[0])
        ledger.warn(
            "no-harvested-mass",
            f"{', '.join(names)} stand without a harvested mass and were not used.",
            "Add the column harvested_kg or harvested_lb.",
            table.header_place(column),
        )
        return
    rows_by_plot: dict[str, int] = {}
    for name in names:
        column = table.column(name)
        if column is None:
            continue
        cells = table.cells(column)
        numbers = read_numbers(cells, table, ledger, commas=rows.commas, percent=True)
        low, high, words = _LIMITS[name]
        for plot, cell, value in zip(rows.plots, cells, numbers, strict=True):
            if plot is None or value is None or math.isnan(value):
                continue
            if not low <= value <= high:
                ledger.error(
                    "negative-number" if value < 0 else "out-of-range",
                    f"{quoted(cell.text)} does not fit {name}.",
                    f"It must be {words}.",
                    table.place(cell),
                )
                continue
            rows_by_plot.setdefault(plot, cell.row)
            _enter(harvest, plot, name, value, cell, table, rows_by_plot[plot], ledger)


def _enter(
    harvest: Harvest,
    plot: str,
    name: str,
    value: float,
    cell: Cell,
    table: Table,
    first_row: int,
    ledger: Ledger,
) -> None:
    entry = harvest.setdefault(plot, {})
    if entry.setdefault(name, value) != value:
        ledger.error(
            "different-values-twice",
            f"Plot {quoted(plot)} has {name} twice: {entry[name]:g} in row {first_row} and "
            f"{value:g} here.",
            "Keep the right one. Of several harvests enter the total.",
            table.place(cell),
        )


def harvest_frame(harvest: Harvest, plots: Sequence[str]) -> pd.DataFrame:
    """Harvested masses in the order of the plots."""
    chosen = [plot for plot in plots if plot in harvest]
    if not chosen:
        return empty_harvest()
    texts = np.empty(len(chosen), dtype=object)
    texts[:] = chosen
    columns = {
        name: np.array([harvest[plot].get(name, math.nan) for plot in chosen], dtype=float) + 0.0
        for name in HARVEST_COLUMNS[1:]
    }
    return pd.DataFrame({"plot": texts, **columns})


def read_applications(table: Table, ledger: Ledger, applied: date | None) -> list[Application]:
    """Read the table of applications, in the order in which they are listed."""
    for column in table.columns:
        if column.header:
            meaning = column.field or "further information about the application, kept as text"
            ledger.understand(table.grid.name, column.header, meaning)
    date_column = table.column("date")
    if date_column is None:
        ledger.error(
            "no-column",
            "There is no column date.",
            "Add the column date with the day of each application.",
            table.header_place(),
        )
        return []
    dates = read_dates(table.cells(date_column), table, ledger, applied)
    carriers = _carriers(table, ledger)
    made = []
    for index, (row, day) in enumerate(zip(table.rows, dates, strict=True)):
        if day is None:
            cell = row[date_column.index - 1]
            if not cell.text:
                ledger.error(
                    "day-unreadable",
                    "This application has no date.",
                    "Fill in its date, such as 2025-06-12, or clear the row.",
                    table.place(cell),
                )
            continue
        details = {
            column.header: row[column.index - 1].text
            for column in table.columns
            if column.field is None and column.header and row[column.index - 1].text
        }
        made.append(
            Application(
                date=day,
                carrier_l_per_ha=carriers[index],
                growth_stage=_text(table, row, "growth_stage"),
                equipment=_text(table, row, "equipment"),
                details=MappingProxyType(details),
            )
        )
    return made


def _text(table: Table, row: Sequence[Cell], field: str) -> str | None:
    column = table.column(field)
    return (row[column.index - 1].text or None) if column else None


def _carriers(table: Table, ledger: Ledger) -> list[float | None]:
    commas = commas_are_decimal((c.text for row in table.rows for c in row), table.grid.separator)
    found: list[float | None] = [None] * len(table.rows)
    for field, factor in (
        ("carrier_l_per_ha", 1.0),
        ("carrier_gal_per_acre", L_PER_HA_IN_GAL_PER_ACRE),
    ):
        column = table.column(field)
        if column is None:
            continue
        cells = table.cells(column)
        numbers = read_numbers(cells, table, ledger, commas=commas)
        for index, (cell, value) in enumerate(zip(cells, numbers, strict=True)):
            if value is None or math.isnan(value):
                continue
            if value < 0:
                ledger.error(
                    "negative-number",
                    f"A volume can't be negative: {quoted(cell.text)}.",
                    "Correct it, or leave the cell empty.",
                    table.place(cell),
                )
            elif found[index] is None:
                found[index] = value * factor
    return found
