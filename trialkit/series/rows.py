"""The tables of a series as rows, and which of their cells the main questions stand in."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from typing import NamedTuple

from trialkit.analysis.schema import SERIES_TABLES
from trialkit.rows import Rows, TableRows
from trialkit.series.matched import WHOLE, SeriesTrial, SeriesVariable
from trialkit.series.result import SeriesAnalysis, TreatmentFacts
from trialkit.trial import VariableRole

#: Which question of the table of claims is asked of a variable of each role.
QUESTIONS = {
    VariableRole.PEST: "pest",
    VariableRole.DAMAGE: "damage",
    VariableRole.NATURAL_ENEMY: "enemies",
}
#: What is to be kept low: for it the target of control holds.
CONTROLLED = (VariableRole.PEST, VariableRole.DAMAGE)
#: What a table of means is of, by the settings.
INFERENCE = {"random": "other sites", "fixed": "these sites"}


class Asked(NamedTuple):
    """One comparison of treatments over the trials."""

    variable: str
    measure: str
    window: str

    @property
    def where(self) -> dict[str, str]:
        """The cells by which its rows are found."""
        return self._asdict()


class SeriesTables(TableRows):
    """A series, and its tables as rows, each taken out of its frame once.

    Parameters
    ----------
    series : SeriesAnalysis
    variables : sequence of str
        Those that are looked at, in their order; all where none is named.
    """

    def __init__(self, series: SeriesAnalysis, variables: Sequence[str] = ()) -> None:
        super().__init__(series, series.matched.settings.alpha)
        self.series = series
        self.matched = series.matched
        if variables:
            known = {item.name: item for item in series.matched.variables}
            chosen = tuple(known[name] for name in variables if name in known)
            self.matched = replace(series.matched, variables=chosen)
        self._chosen = frozenset(variables)

    def __getitem__(self, name: str) -> Rows:
        if name not in self.series.tables:
            return Rows({column.name: [] for column in SERIES_TABLES[name].columns})
        rows = super().__getitem__(name)
        if self._chosen and "variable" in rows:
            return rows.keep(item in self._chosen for item in rows["variable"])
        return rows

    def only(self, variables: Sequence[str]) -> SeriesTables:
        """The tables of some variables alone, in their order; of all where none is named."""
        return SeriesTables(self.series, variables) if variables else self

    @cached_property
    def labels(self) -> dict[str, str]:
        """Words for each treatment, by its name in the series, in the order of every table."""
        return dict(self.matched.treatments)

    @property
    def untreated(self) -> str | None:
        """What control is against."""
        return self.matched.settings.untreated

    @property
    def treated(self) -> list[str]:
        """Every treatment but the untreated."""
        return [name for name in self.labels if name != self.untreated]

    def facts(self, treatment: str) -> TreatmentFacts:
        """What the trials say of a treatment."""
        return self.series.facts.get(treatment, TreatmentFacts())

    @cached_property
    def variables(self) -> dict[str, SeriesVariable]:
        """Every variable by name."""
        return {item.name: item for item in self.matched.variables}

    @cached_property
    def trial_labels(self) -> dict[str, str]:
        """Site and season of each trial, or its title where that tells no two apart."""
        plain = {item.key: _site_and_season(item) for item in self.matched.trials}
        twice = Counter(plain.values())
        return {
            item.key: plain[item.key]
            if plain[item.key] and twice[plain[item.key]] == 1
            else item.key
            for item in self.matched.trials
        }

    def asked(self, variable: str) -> list[Asked]:
        """Comparisons of a variable in the order of the windows, the whole trial last."""
        order = {window.name: place for place, window in enumerate(self.matched.windows)}
        found = {
            Asked(variable, measure, window): None
            for measure, window in zip(
                *(self["combined_control"].where(variable=variable)[c] for c in _CELL), strict=True
            )
        }
        return sorted(found, key=lambda item: (item.window == WHOLE, order.get(item.window, 0)))

    def main(self, variable: str) -> Asked | None:
        """The comparison that a variable is judged by: of the whole trial where there is one.

        Else the one on which claims are made, else the one that the most trials have.
        """
        known = self.asked(variable)
        if not known:
            return None
        if known[-1].window == WHOLE:
            return known[-1]
        claimed = self["series_claims"].where(variable=variable)
        cells = Counter(zip(*(claimed[c] for c in _CELL), strict=True))
        trials = {
            item: sum(self["combined_control"].where(**item.where).numbers("trials"))
            for item in known
        }
        return max(known, key=lambda item: (cells[item.measure, item.window], trials[item]))

    def of_role(self, *roles: VariableRole) -> list[SeriesVariable]:
        """Variables of these roles that were combined, in order."""
        combined = {*self["combined_control"]["variable"], *self["combined_means"]["variable"]}
        return [
            item for item in self.matched.variables if item.role in roles and item.name in combined
        ]

    @property
    def targets(self) -> list[SeriesVariable]:
        """The pests; where none was counted, the damage."""
        pests = [item for item in self.of_role(VariableRole.PEST) if self.main(item.name)]
        return pests or [i for i in self.of_role(VariableRole.DAMAGE) if self.main(i.name)]

    @property
    def measured(self) -> list[SeriesVariable]:
        """Yields and measurements that have means over the trials, yields first."""
        present = set(self["combined_means"]["variable"])
        found = [item for item in self.matched.variables if item.name in present]
        return sorted(found, key=lambda item: item.role is not VariableRole.YIELD)

    def means(self, variable: str) -> Rows:
        """Means of one variable over the trials, of the inference that the settings ask for."""
        return self._of_inference("combined_means", variable)

    def pairs(self, variable: str) -> Rows:
        """Differences of the means of one variable, of the inference that the settings ask for."""
        return self._of_inference("combined_comparisons", variable)

    def _of_inference(self, table: str, variable: str) -> Rows:
        rows = self[table].where(variable=variable)
        wanted = rows.where(inference=INFERENCE[self.matched.settings.environments])
        return wanted or rows

    def trials_of(self, asked: Asked) -> list[str]:
        """Keys of the trials that take part in a comparison, in their order."""
        rows = self["trial_control"].where(**asked.where)
        here = {
            trial
            for trial, percent in zip(rows["trial"], rows["percent"], strict=True)
            if not math.isnan(percent)
        }
        return [item.key for item in self.matched.trials if item.key in here]


_CELL = ("measure", "window")


def _site_and_season(trial: SeriesTrial) -> str:
    return " ".join(part for part in (trial.site, trial.season) if part)
