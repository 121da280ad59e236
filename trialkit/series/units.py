"""Units of yields and measurements: one for each variable of the series, and what is converted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from trialkit.measures.yields import convert_yield
from trialkit.problems import Place, Problem, warning
from trialkit.series.facts import TrialFacts, VariableFacts
from trialkit.series.names import Match, Variables
from trialkit.series.options import SeriesOptions
from trialkit.trial import Kind


@dataclass(slots=True)
class Units:
    """Units of the variables in the series, and what each trial is multiplied by."""

    units: dict[str, str | None]
    factors: dict[str, dict[str, float]]
    left_out: set[tuple[str, str]]
    rows: list[Match]
    problems: list[Problem]

    @classmethod
    def of(cls, facts: Sequence[TrialFacts], variables: Variables, options: SeriesOptions) -> Units:
        """Settle the unit of every variable."""
        made = cls({}, {}, set(), [], [])
        by_name = {
            (trial.key, item.variable.name): item for trial in facts for item in trial.variables
        }
        for name, group in variables.groups.items():
            members = [(trial, by_name[trial, own]) for trial, own in group.members]
            made._settle(name, members, options.units.get(name))
        return made

    def _settle(
        self, name: str, members: Sequence[tuple[str, VariableFacts]], asked: str | None
    ) -> None:
        target = asked or _common_unit([item for _, item in members])
        kind = members[0][1].variable.kind
        self.units[name] = target or ("%" if kind is Kind.PERCENT else None)
        counted = kind is not Kind.MEASUREMENT
        labels = {item.variable.label for _, item in members}
        for trial, item in members:
            unit = item.variable.unit
            if counted:
                # ratios to the untreated need no unit; what was counted is shown
                if len(labels) > 1:
                    self.rows.append(
                        Match("unit", trial, item.variable.label, name, "ratios need no unit")
                    )
            elif unit != target:
                self._convert(name, trial, item, target)

    def _convert(self, name: str, trial: str, item: VariableFacts, target: str | None) -> None:
        unit, own = item.variable.unit, item.variable.name
        try:
            factor = _factor(item, target)
        except ValueError as fault:
            why = f"{fault}"
            self.left_out.add((trial, own))
            self.rows.append(Match("unit", trial, f"{own}, {unit or 'no unit'}", None, why))
            self.problems.append(
                warning(
                    "unit-unfit",
                    f"{own} is in {unit or 'no unit'} here and in {target} in the series "
                    f"({fault}); it was left out.",
                    f"Give its unit in the trial, or another one for the series: [units] {name} = "
                    '"...".',
                    Place(trial),
                )
            )
        else:
            self.factors.setdefault(trial, {})[own] = factor
            how = f"multiplied by {factor:.6g}"
            self.rows.append(Match("unit", trial, f"{own}, {unit}", f"{name}, {target}", how))


def _factor(item: VariableFacts, target: str | None) -> float:
    """What values of a trial are multiplied by to have the unit of the series."""
    unit = item.variable.unit
    if unit == target:
        return 1.0
    if unit is None or target is None:
        raise ValueError("this trial gives no unit")
    return float(convert_yield(1.0, unit, target, bushel_lb=item.bushel_lb))


def _common_unit(items: Sequence[VariableFacts]) -> str | None:
    """The unit to which most trials can be brought, of equals that of most trials."""
    given = Counter(item.variable.unit for item in items if item.variable.unit)

    def reached(unit: str) -> int:
        found = 0
        for item in items:
            with suppress(ValueError):
                _factor(item, unit)
                found += 1
        return found

    return min(given, key=lambda unit: (-reached(unit), -given[unit], unit), default=None)
