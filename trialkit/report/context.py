"""What every composing function reads: the analysis, the names of things, the digits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from trialkit.figures.identity import Identity, identities, measured_label, plain_line
from trialkit.figures.plot_values import ByPlot, PlotValues, plot_numbers, plot_values
from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.report.numbers import decimals_for_error, decimals_for_least
from trialkit.report_choices import ReportChoices
from trialkit.rows import Rows, Tables, defined
from trialkit.trial import Kind, Trial, Variable, VariableRole
from trialkit.words import COMPARISONS, CONTROL_METHODS

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

NO_ROWS = Rows({})
NO_COUNTS = Rows({"plot": [], "day": [], "value": []})


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
    choices : ReportChoices
        What the trial wants of its report.
    """

    analysis: Analysis
    tables: Tables
    findings: tuple[str, ...]
    made: str
    front: tuple[str, ...] = ()
    choices: ReportChoices = field(default_factory=ReportChoices)

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

    @property
    def texts(self) -> Mapping[str, str]:
        """Texts of the user's own, by key of ``[report]``."""
        return self.trial.report

    @cached_property
    def looks(self) -> dict[str, Identity]:
        """Label, colour and mark of each treatment by id."""
        return identities(self.trial)

    @cached_property
    def variables(self) -> dict[str, Variable]:
        """Every variable with results by name, in the order of the trial or as it chose them.

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
        chosen = self.choices.variables
        return {name: known[name] for name in chosen if name in known} if chosen else known

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
        """Values of a variable by plot and day, samples averaged."""
        found = self._plot_values.get(variable)
        if found is None:
            rows = self._counts.get(variable, NO_COUNTS)
            found = plot_values(self.trial, variable, rows)
            self._plot_values[variable] = found
        return found

    def tested_with_start(self, variable: str) -> bool:
        """Whether tests over the whole trial allow for what there was before treatment."""
        claims = self.table("claims", "variable", "with_start")
        return bool(claims.where(variable=variable, with_start=True))

    def tested_change(self, variable: str) -> bool:
        """Whether page 1 has the change over the whole trial from its test."""
        return self.table("claims", "variable", "percent").where(variable=variable).knows("percent")

    def plot_numbers(self, variable: str) -> ByPlot | None:
        """How many units were examined, by plot and day; None where that is not known."""
        return plot_numbers(self.trial, variable)

    def label(self, treatment: str) -> str:
        """Id and name of a treatment."""
        look = self.looks.get(treatment)
        return look.label if look else plain_line(treatment)

    def variable_label(self, name: str) -> str:
        """Words for a variable."""
        if name not in self._labels:
            self._labels[name] = measured_label(self.trial, name)
        return self._labels[name]

    def noun(self, name: str) -> str:
        """What a variable is called within a sentence."""
        return noun(self.variables[name])

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
