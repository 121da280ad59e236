"""What every composing function reads: the analysis, the names of things, the digits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.figures.identity import Identity, identities, measured_label, plain_line
from trialkit.numerals import day as write_day
from trialkit.report.numbers import decimals_for_error, decimals_for_least
from trialkit.trial import EXAMINED, Kind, Trial, Variable, VariableRole, numbers_examined

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

COMPARISONS: Mapping[str, str] = {
    "tukey": "Tukey's procedure",
    "lsd": "least significant difference",
    "dunnett": "Dunnett's procedure",
    "snk": "Student-Newman-Keuls procedure",
    "duncan": "Duncan's procedure",
    "bonferroni": "t tests with Bonferroni's correction",
    "sidak": "t tests with Sidak's correction",
    "holm": "t tests with Holm's correction",
    "fdr": "t tests at a controlled false discovery rate (Benjamini-Hochberg)",
    "scheffe": "Scheff\u00e9's procedure",
}
SCALES: Mapping[str, str] = {
    "none": "as measured",
    "sqrt": "square root",
    "log": "logarithm",
    "arcsine": "arcsine",
}
SCALE_FORMULAS: Mapping[str, str] = {
    "sqrt": "Square root: square root of (value + 0.5).",
    "log": "Logarithm: log10 of (value + 1).",
    "arcsine": "Arcsine: arcsine of the square root of (percent / 100).",
}
CONTROL_METHODS: Mapping[str, str] = {
    "abbott": "Abbott",
    "henderson-tilton": "Henderson-Tilton",
    "sun-shepard": "Sun-Shepard",
    "schneider-orelli": "Schneider-Orelli",
}


def rows_where(table: pd.DataFrame, column: str, value: str) -> pd.DataFrame:
    """Rows whose text in a column is the value; faster than a mask where they stand together."""
    places = [i for i, text in enumerate(table[column].tolist()) if text == value]
    if places and places[-1] - places[0] + 1 == len(places):
        return table.iloc[places[0] : places[-1] + 1]
    return table.iloc[places]


@dataclass(frozen=True, kw_only=True, eq=False)
class Context:
    """An analysis with the names of its things.

    Attributes
    ----------
    analysis : Analysis
    findings : tuple of str
        Sentences, the weightiest first.
    made : str
        When the report was made.
    """

    analysis: Analysis
    findings: tuple[str, ...]
    made: str

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
        for name in self.table("responses", "variable").get("variable", ()):
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
        return frozenset(self.table("responses", "variable").get("variable", ()))

    def key(self, kind: str, variable: str) -> str:
        """Make the anchor of a table or figure; free of what a variable may be called."""
        return f"{kind}-{list(self.variables).index(variable) + 1}"

    def table(self, name: str, *needed: str) -> pd.DataFrame:
        """Find a table of the analysis; empty when it has none of that name.

        Parameters
        ----------
        name : str
        *needed : str
            Columns without which the table is of no use.
        """
        found = getattr(self.analysis, name, None)
        if not isinstance(found, pd.DataFrame) or not set(needed) <= set(found.columns):
            return pd.DataFrame()
        return found

    def rows(self, name: str, variable: str, measure: str | None = None) -> pd.DataFrame:
        """Rows of a table for one variable, and one measure of it.

        The same rows are looked for by many parts of the report, and kept.
        """
        key = (name, variable, measure)
        found = self._rows.get(key)
        if found is None:
            if measure is None:
                found = self.table(name, "variable")
                found = found if found.empty else rows_where(found, "variable", variable)
            else:
                found = self.rows(name, variable)
                found = found if found.empty else rows_where(found, "measure", measure)
            self._rows[key] = found
        return found

    @cached_property
    def _rows(self) -> dict[tuple[str, str, str | None], pd.DataFrame]:
        return {}

    @cached_property
    def _plot_values(self) -> dict[str, pd.DataFrame]:
        return {}

    def plot_values(self, variable: str) -> pd.DataFrame:
        """Values of a variable, plots down and days across, samples averaged.

        Of a share k of n the percentage of all units of the samples together.
        """
        found = self._plot_values.get(variable)
        if found is None:
            rows = rows_where(self.trial.counts, "variable", variable)
            numbers = self.plot_numbers(variable)
            if numbers is None:
                found = self._means_of_plots(rows)
            else:
                hits = rows["value"] * numbers_examined(rows) / 100.0
                summed = rows.assign(value=hits).groupby(["plot", "day"], sort=False)["value"]
                means = 100.0 * summed.sum(min_count=1) / numbers
                # twice as fast as a pivot table
                found = means.unstack("day")  # noqa: PD010
                found = found.reindex([plot.id for plot in self.trial.plots])
                found = found[sorted(found.columns)]
            self._plot_values[variable] = found
        return found

    def _means_of_plots(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Means over the samples of each plot, plots down and days across."""
        days = sorted(set(rows["day"].tolist()))
        row_of = {plot.id: i for i, plot in enumerate(self.trial.plots)}
        column_of = {day: j for j, day in enumerate(days)}
        rows = rows[rows["plot"].isin(row_of)]
        where = (
            np.array([row_of[plot] for plot in rows["plot"].tolist()], dtype=np.intp),
            np.array([column_of[day] for day in rows["day"].tolist()], dtype=np.intp),
        )
        values = rows["value"].to_numpy(dtype=np.float64)
        known = ~np.isnan(values)
        total, number = np.zeros((2, len(row_of), len(days)))
        np.add.at(total, where, np.where(known, values, 0.0))
        np.add.at(number, where, known)
        means = total / np.where(number > 0, number, np.nan)
        return pd.DataFrame(means, index=list(row_of), columns=days)

    def plot_numbers(self, variable: str) -> pd.Series | None:
        """How many units were examined, by plot and day; None where that is not known."""
        counts = self.trial.counts
        if EXAMINED not in counts:
            return None
        rows = rows_where(counts, "variable", variable)
        rows = rows[rows["value"].notna()]
        numbers = numbers_examined(rows)
        if numbers.empty or numbers.isna().any():
            return None
        by_plot = rows.assign(**{EXAMINED: numbers}).groupby(["plot", "day"], sort=False)
        return by_plot[EXAMINED].sum(min_count=1)

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

    def shown_treatments(self, rows: pd.DataFrame) -> list[str]:
        """Treatments of some rows, in the order of the trial."""
        present = set(rows["treatment"])
        return [item for item in self.looks if item in present]

    def digits(self, variable: str, measure: str) -> int:
        """Decimals for the means of a variable: one rule for its table on all days."""
        rows = self.rows("means", variable, measure)
        errors = ((rows["upper"] - rows["lower"]) / 4.0).tolist()
        means = rows["mean"].tolist()
        return decimals_for_least(means, decimals_for_error(errors, means))

    def response(self, variable: str, measure: str, day: float) -> str:
        """Name a response: the variable, and the day or what was made of it."""
        label = self.variable_label(variable)
        if measure == "pest_days":
            return f"{label}, area under the curve"
        if measure == "yield" or math.isnan(day):
            return label
        return f"{label}, day {write_day(day)}"

    def since_latest(self, day: float) -> str:
        """Say how long after the latest application a day lies, where there were several."""
        dates = sorted(item.date for item in self.trial.applications)
        first = self.trial.applied or (dates[0] if dates else None)
        if first is None or len(dates) < 2 or day <= 0:
            return ""
        past = [(date - first).days for date in dates if (date - first).days < day]
        return f"{write_day(day - past[-1])} after latest" if past and past[-1] > 0 else ""
