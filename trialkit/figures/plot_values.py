"""Values of single plots, samples averaged: for tables of data and maps of the field."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from trialkit.rows import Rows
from trialkit.trial import EXAMINED, Trial, numbers_examined

#: A number by plot and day.
ByPlot = Mapping[tuple[str, float], float]


@dataclass(frozen=True, slots=True)
class PlotValues:
    """Values of one variable, samples averaged.

    Attributes
    ----------
    plots : list of str
        In the order of the trial.
    days : list of float
        In order.
    values : list of list of float
        By plot and day; NaN where a plot was not assessed.
    """

    plots: list[str]
    days: list[float]
    values: list[list[float]]

    @property
    def known(self) -> list[float]:
        """All values but the missing ones."""
        return [value for row in self.values for value in row if value == value]


def plot_values(trial: Trial, variable: str, rows: Rows) -> PlotValues:
    """Find the values of a variable by plot and day.

    Of a share k of n the percentage of all units of the samples together.

    Parameters
    ----------
    trial : Trial
    variable : str
    rows : Rows
        The counts of the variable.
    """
    numbers = plot_numbers(trial, variable)
    values = _shares(trial, variable, numbers) if numbers else _means(rows)
    days = sorted(set(rows["day"]))
    plots = [plot.id for plot in trial.plots]
    table = [[values.get((plot, day), math.nan) for day in days] for plot in plots]
    return PlotValues(plots, days, table)


def plot_numbers(trial: Trial, variable: str) -> ByPlot | None:
    """How many units were examined, by plot and day; None where that is not known."""
    counts = trial.counts
    if EXAMINED not in counts:
        return None
    rows = counts[(counts["variable"] == variable) & counts["value"].notna()]
    numbers = numbers_examined(rows)
    if numbers.empty or numbers.isna().any():
        return None
    by_plot = rows.assign(**{EXAMINED: numbers}).groupby(["plot", "day"], sort=False)
    return cast("ByPlot", by_plot[EXAMINED].sum(min_count=1).to_dict())


def _means(rows: Rows) -> ByPlot:
    """Means over the samples of each plot."""
    rows = rows.known("value")
    places = list(zip(rows["plot"], rows["day"], strict=True))
    alone = dict(zip(places, rows["value"], strict=True))
    if len(alone) == len(places):  # as where nobody took samples
        return alone
    samples: dict[tuple[str, float], list[float]] = {}
    for place, value in zip(places, rows["value"], strict=True):
        samples.setdefault(place, []).append(value)
    return {place: sum(values) / len(values) for place, values in samples.items()}


def _shares(trial: Trial, variable: str, numbers: ByPlot) -> ByPlot:
    """Percentages of all units of each plot."""
    rows = trial.counts[trial.counts["variable"] == variable]
    hits = rows["value"] * numbers_examined(rows) / 100.0
    summed = rows.assign(value=hits).groupby(["plot", "day"], sort=False)["value"]
    sums = summed.sum(min_count=1).to_dict()
    return {place: 100.0 * sums[place] / number for place, number in numbers.items()}
