"""Harvested masses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trialkit.problems import quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.numbers import read_numbers
from trialkit.reading.value_rows import Rows
from trialkit.trial import HARVEST_COLUMNS, empty_harvest

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
        moist = name == "moisture_percent"
        numbers, _ = read_numbers(cells, table, ledger, marks=rows.marks, percent=moist)
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
            known = harvest.setdefault(plot, {})
            if known.setdefault(name, value) != value:
                ledger.error(
                    "different-values-twice",
                    f"Plot {quoted(plot)} has {name} twice: {known[name]:g} in row "
                    f"{rows_by_plot[plot]} and {value:g} here.",
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
