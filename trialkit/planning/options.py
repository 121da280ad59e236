"""What a trial says about its layout, with what the caller says instead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from trialkit.measures.units import convert
from trialkit.plan_keys import (
    PLAN_KEYS,
    PlanKey,
    days_of,
    fault_of,
    plan_key,
    quantities,
    quantity,
    yes_of,
)
from trialkit.problems import Place, Problem, TrialError, error
from trialkit.trial import Trial


def with_options(trial: Trial, options: Mapping[str, object]) -> Trial:
    """Put keys of the plan into a trial, checked; None leaves a key as the trial has it.

    Parameters
    ----------
    trial : Trial
    options : mapping
        Keys of the plan with their section (``plan.blocks``) to values.

    Raises
    ------
    TrialError
        When a value does not fit its key.
    """
    plan = dict(trial.plan)
    for name, value in options.items():
        if value is None:
            continue
        key = plan_key(name)
        if key is None:
            raise TrialError([_unknown(name)])
        text = _text(value)
        if fault_of(key, text):
            raise TrialError([_unfit(key, text)])
        plan[name] = text
    return replace(trial, plan=MappingProxyType(plan))


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return "; ".join(str(item) for item in value)
    return str(value)


def _unknown(name: str) -> Problem:
    known = ", ".join(key.name for key in PLAN_KEYS)
    return error("unknown-key", f"There is no key {name} of a plan.", f"Known are {known}.")


def _unfit(key: PlanKey, text: str) -> Problem:
    return error(
        "settings-value",
        f"'{text}' does not fit {key.name}.",
        f"It must be {key.takes()}.",
        Place(column=key.name),
    )


@dataclass(frozen=True, slots=True)
class Plan:
    """The keys of a trial's plan, read when they are asked for.

    Attributes
    ----------
    texts : Mapping
        Keys with their section, as text; checked where they entered.
    """

    texts: Mapping[str, str]

    @classmethod
    def of(cls, trial: Trial) -> Plan:
        """Take the plan of a trial, checking it where the trial was built by hand."""
        faults = []
        for name, text in trial.plan.items():
            key = plan_key(name)
            if key is None:
                faults.append(_unknown(name))
            elif fault_of(key, text):
                faults.append(_unfit(key, text))
        if faults:
            raise TrialError(faults)
        return cls(trial.plan)

    def whole(self, name: str) -> int | None:
        """Take a whole number; None where it is not given."""
        text = self.texts.get(name)
        return None if text is None else int(text)

    def yes(self, name: str) -> bool:
        """Take yes or no; no where it is not given."""
        return bool(yes_of(self.texts.get(name, "no")))

    def text(self, name: str) -> str | None:
        """Take a text; None where it is not given."""
        return self.texts.get(name)

    def days(self) -> tuple[int, ...]:
        """Days on which counts are planned, in order."""
        return days_of(self.texts.get("plan.days", "")) or ()

    def quantity(self, name: str, unit: str) -> float | None:
        """Take a quantity in a unit; None where it is not given."""
        found = quantity(self.texts.get(name, ""))
        return None if found is None else float(convert(found[0], _plain(found[1]), unit))

    def in_unit_of(self, name: str, value: float, unit: str) -> str:
        """Write a value in the unit in which a key was given, or in its own where it was not."""
        found = quantities(self.texts.get(name, ""))
        given = unit if found is None else found[1]
        return f"{float(convert(value, unit, _plain(given))):.3g} {given}"

    def quantities(self, name: str, unit: str) -> tuple[float, ...]:
        """Take several quantities in a unit; empty where they are not given."""
        found = quantities(self.texts.get(name, ""))
        if found is None:
            return ()
        return tuple(float(convert(number, _plain(found[1]), unit)) for number in found[0])


def _plain(unit: str) -> str:
    return {"mph": "mi/h"}.get(unit, unit)
