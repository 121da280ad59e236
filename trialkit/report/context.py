"""What every composing function reads: the analysis, the names of things, the digits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, cast

from trialkit.figures.identity import Identity, identities, measured_label, plain_line
from trialkit.numerals import day as write_day
from trialkit.report.numbers import decimals_for_error, decimals_for_least
from trialkit.rows import Rows, Tables, defined
from trialkit.trial import EXAMINED, Kind, Trial, Variable, VariableRole, numbers_examined
from trialkit.words import COMPARISONS, CONTROL_METHODS

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

NO_ROWS = Rows({})
NO_COUNTS = Rows({"plot": [], "day": [], "value": []})
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
    def gaps(self) -> bool:
        """Whether any plot was not assessed on any day."""
        return any(value != value for row in self.values for value in row)

    @property
    def known(self) -> list[float]:
        """All values but the missing ones."""
        return [value for row in self.values for value in row if value == value]


@dataclass(frozen=True, kw_only=True, eq=False)
class Context:
    """An analysis with the names of its things.

    Attributes
    ----------
    analysis : Analysis
    tables : Tables
        Its tables as rows.
    findings : tuple of str
        Sentences, the weightiest first.
    made : str
        When the report was made.
    front : tuple of str
        Those of the first page.
    """

    analysis: Analysis
    tables: Tables
    findings: tuple[str, ...]
    made: str
    front: tuple[str, ...] = ()

    def method_words(self, name: str) -> str:
        """Words for a formula of percent control."""
        return CONTROL_METHODS.get(name, name)

    @property
    def comparison_words(self) -> str:
        """The procedure of comparison with its level, such as Tukey's procedure, 5%."""
        settings = self.trial.settings
        name = COMPARISONS.get(settings.comparison.value, settings.comparison.value)
        return f"{name}, {100 * settings.alpha:g}%"

    @property
    def trial(self) -> Trial:
        """The trial behind the analysis."""
        return self.analysis.trial

    @cached_property
    def looks(self) -> dict[str, Identity]:
        """Label, colour and mark of each treatment by id."""
        return identities(self.trial)

    @cached_property
    def variables(self) -> dict[str, Variable]:
        """Every variable with results by name, in the order of the trial.

        A yield that was brought together from harvested masses need not be in the trial.
        """
        known = {variable.name: variable for variable in self.trial.variables}
        for name in self.table("responses").get("variable"):
            if name not in known:
                known[name] = Variable(
                    name=name,
                    label=measured_label(self.trial, name),
                    kind=Kind.MEASUREMENT,
                    role=VariableRole.YIELD,
                )
        return known

    def of_role(self, *roles: VariableRole) -> list[Variable]:
        """Variables of these roles that have results."""
        present = self._with_results
        return [
            item for item in self.variables.values() if item.role in roles and item.name in present
        ]

    @property
    def targets(self) -> list[Variable]:
        """The pests that have results; where there is none, the damage."""
        return self.of_role(VariableRole.PEST) or self.of_role(VariableRole.DAMAGE)

    @cached_property
    def _with_results(self) -> frozenset[str]:
        return frozenset(self.table("responses").get("variable"))

    def key(self, kind: str, variable: str) -> str:
        """Make the anchor of a table or figure; free of what a variable may be called."""
        return f"{kind}-{list(self.variables).index(variable) + 1}"

    def table(self, name: str, *needed: str) -> Rows:
        """Find a table of the analysis; empty when it lacks a column that is needed.

        Parameters
        ----------
        name : str
        *needed : str
            Columns without which the table is of no use.
        """
        found = self.tables[name]
        return found if all(column in found for column in needed) else NO_ROWS

    def rows(self, name: str, variable: str, measure: str | None = None) -> Rows:
        """Rows of a table for one variable, and one measure of it.

        The same rows are looked for by many parts of the report, and kept.
        """
        key = (name, variable, measure)
        found = self._rows.get(key)
        if found is None:
            if measure is None:
                found = self.table(name, "variable")
                found = found.where(variable=variable) if found else found
            else:
                found = self.rows(name, variable)
                found = found.where(measure=measure) if found else found
            self._rows[key] = found
        return found

    @cached_property
    def _rows(self) -> dict[tuple[str, str, str | None], Rows]:
        return {}

    @cached_property
    def _counts(self) -> dict[str, Rows]:
        return self.tables.as_read("counts").groups("variable")

    @cached_property
    def _plot_values(self) -> dict[str, PlotValues]:
        return {}

    def plot_values(self, variable: str) -> PlotValues:
        """Values of a variable by plot and day, samples averaged.

        Of a share k of n the percentage of all units of the samples together.
        """
        found = self._plot_values.get(variable)
        if found is None:
            numbers = self.plot_numbers(variable)
            values = self._plot_shares(variable, numbers) if numbers else self._plot_means(variable)
            days = self._counts[variable]["day"] if variable in self._counts else []
            found = self._by_plot(values, sorted(set(days)))
            self._plot_values[variable] = found
        return found

    def _plot_means(self, variable: str) -> ByPlot:
        """Means over the samples of each plot."""
        rows = self._counts.get(variable, NO_COUNTS).known("value")
        places = list(zip(rows["plot"], rows["day"], strict=True))
        alone = dict(zip(places, rows["value"], strict=True))
        if len(alone) == len(places):  # as where nobody took samples
            return alone
        samples: dict[tuple[str, float], list[float]] = {}
        for place, value in zip(places, rows["value"], strict=True):
            samples.setdefault(place, []).append(value)
        return {place: sum(values) / len(values) for place, values in samples.items()}

    def _plot_shares(self, variable: str, numbers: ByPlot) -> ByPlot:
        """Percentages of all units of each plot."""
        rows = self.trial.counts[self.trial.counts["variable"] == variable]
        hits = rows["value"] * numbers_examined(rows) / 100.0
        summed = rows.assign(value=hits).groupby(["plot", "day"], sort=False)["value"]
        sums = summed.sum(min_count=1).to_dict()
        return {place: 100.0 * sums[place] / number for place, number in numbers.items()}

    def _by_plot(self, values: ByPlot, days: list[float]) -> PlotValues:
        plots = [plot.id for plot in self.trial.plots]
        table = [[values.get((plot, day), math.nan) for day in days] for plot in plots]
        return PlotValues(plots, days, table)

    def plot_numbers(self, variable: str) -> ByPlot | None:
        """How many units were examined, by plot and day; None where that is not known."""
        counts = self.trial.counts
        if EXAMINED not in counts:
            return None
        rows = counts[(counts["variable"] == variable) & counts["value"].notna()]
        numbers = numbers_examined(rows)
        if numbers.empty or numbers.isna().any():
            return None
        by_plot = rows.assign(**{EXAMINED: numbers}).groupby(["plot", "day"], sort=False)
        return cast("ByPlot", by_plot[EXAMINED].sum(min_count=1).to_dict())

    def label(self, treatment: str) -> str:
        """Id and name of a treatment."""
        look = self.looks.get(treatment)
        return look.label if look else plain_line(treatment)

    def variable_label(self, name: str) -> str:
        """Words for a variable."""
        if name not in self._labels:
            self._labels[name] = measured_label(self.trial, name)
        return self._labels[name]

    @cached_property
    def _labels(self) -> dict[str, str]:
        return {}

    def shown_treatments(self, rows: Rows) -> list[str]:
        """Treatments of some rows, in the order of the trial."""
        present = set(rows["treatment"])
        return [item for item in self.looks if item in present]

    def digits(self, variable: str, measure: str) -> int:
        """Decimals for the means of a variable: one rule for its table on all days."""
        rows = self.rows("means", variable, measure)
        errors = [
            (upper - lower) / 4.0 for lower, upper in zip(rows["lower"], rows["upper"], strict=True)
        ]
        return decimals_for_least(rows["mean"], decimals_for_error(errors, rows["mean"]))

    def response(self, variable: str, measure: str, day: float) -> str:
        """Name a response: the variable, and the day or what was made of it."""
        label = self.variable_label(variable)
        if measure == "pest_days":
            return f"{label}, area under the curve"
        if measure == "yield" or math.isnan(day):
            return label
        return f"{label}, day {write_day(day)}"

    @cached_property
    def own_timing(self) -> Mapping[float, Mapping[str, float]]:
        """Days from the latest application of each treatment to each day, where there was one."""
        found: dict[float, dict[str, float]] = {}
        rows = self.table("timing", "days_after", "treatment", "since_latest")
        for row in rows.records():
            if defined(row["since_latest"]):
                found.setdefault(row["days_after"], {})[row["treatment"]] = row["since_latest"]
        return found

    def since_latest(self, day: float) -> str:
        """Say how long after the latest application a day lies, where there were several.

        Each treatment counts from its own; where these differ, from the least to the most.
        """
        own = sorted(set(self.own_timing.get(day, {}).values()))
        if not own or own == [day]:
            return ""
        span = write_day(own[0])
        return (
            f"{span}\u2013{write_day(own[-1])} after latest"
            if len(own) > 1
            else (f"{span} after latest")
        )
