"""Which scale each variable is analysed on, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.plots.responses import Assessed, PlotPlan, Response
from trialkit.analysis.result import make_table
from trialkit.inference.design.scales import (
    TransformName,
    choose_area_transform,
    choose_transform,
)
from trialkit.problems import Problem, warning
from trialkit.trial import Kind, Transform, Trial, Variable
from trialkit.words import SCALE_FORMULAS

_NAMES: dict[Transform, TransformName] = {
    Transform.NONE: "none",
    Transform.SQRT: "sqrt",
    Transform.LOG: "log",
    Transform.ARCSINE: "arcsine",
}
#: The scales as a sentence names them.
SCALE_WORDS = {name: SCALE_FORMULAS.get(name, "as counted") for name in _NAMES.values()}


@dataclass(frozen=True, kw_only=True)
class _Choice:
    transform: TransformName
    rule: str
    slope: float = float("nan")
    cells: float = float("nan")
    problem: Problem | None = None


def choose_transforms(
    trial: Trial, plan: PlotPlan, assessed: tuple[Assessed, ...], responses: list[Response]
) -> tuple[pd.DataFrame, list[TransformName], tuple[Problem, ...]]:
    """Choose one scale a variable, the same on every day.

    A variable's own transform goes first; then, for counts and percentages, that of the
    settings; ``auto`` is a rule on the data. Measurements and yields stay as they are unless the
    variable itself names a transform. So do areas under the curve where the settings name a scale;
    under ``auto`` they have a rule of their own.

    Returns
    -------
    choices : DataFrame
    scales : list of str
        One for each response.
    problems : tuple of Problem
        Settings that could not be followed.
    """
    by_name = {item.variable.name: item for item in assessed}
    chosen: dict[str, _Choice] = {}
    for response in responses:
        variable = response.variable
        if variable.name not in chosen:
            values = [item.values for item in responses if item.variable == variable]
            chosen[variable.name] = _choose(
                trial, plan, variable, by_name.get(variable.name), np.column_stack(values)
            )
    areas = {
        item.variable.name: _of_area(trial, plan, item, chosen[item.variable.name])
        for item in responses
        if item.measure == "pest_days"
    }
    table = make_table(
        "choices",
        {
            "variable": list(chosen),
            "transform": [item.transform for item in chosen.values()],
            "slope": [item.slope for item in chosen.values()],
            "cells": [item.cells for item in chosen.values()],
            "rule": [item.rule for item in chosen.values()],
            "area_transform": [areas[name].transform if name in areas else None for name in chosen],
            "area_rule": [areas[name].rule if name in areas else None for name in chosen],
        },
    )
    scales = [
        (areas if item.measure == "pest_days" else chosen)[item.variable.name].transform
        for item in responses
    ]
    problems = tuple(item.problem for item in chosen.values() if item.problem is not None)
    return table, scales, problems


def _of_area(trial: Trial, plan: PlotPlan, response: Response, choice: _Choice) -> _Choice:
    """Scale of an area under the curve: the variable's own, or under ``auto`` that of a rule."""
    variable = response.variable
    own = variable.transform
    if own in {Transform.SQRT, Transform.LOG} and choice.transform != "none":
        name = choice.transform
        return _Choice(
            transform=name,
            rule=f"Areas under the curve: the scale ({SCALE_WORDS[name]}) set for this variable.",
        )
    setting = trial.settings.transform if own is None else own
    if setting is not Transform.AUTO or variable.kind is Kind.MEASUREMENT:
        return _Choice(transform="none", rule="Areas under the curve are analysed as they are.")
    found = choose_area_transform(response.values, plan.treatment, choice.transform)
    return _Choice(transform=found.transform, rule=found.rule)


def _choose(
    trial: Trial,
    plan: PlotPlan,
    variable: Variable,
    item: Assessed | None,
    values: np.ndarray[tuple[int, int], np.dtype[np.float64]],
) -> _Choice:
    own = variable.transform
    if own is not None and own is not Transform.AUTO:
        return _named(own, variable, values, "set for this variable")
    if variable.kind is Kind.MEASUREMENT or item is None:
        return _Choice(transform="none", rule="Measurements and yields are analysed as they are.")
    setting = trial.settings.transform
    if own is None and setting is not Transform.AUTO:
        if setting is Transform.ARCSINE and variable.kind is Kind.COUNT:
            choice = _by_rule(plan, variable, item)
            return _Choice(
                transform=choice.transform,
                rule=choice.rule,
                slope=choice.slope,
                cells=choice.cells,
                problem=warning(
                    "transform-unfit",
                    f"{variable.label}: the settings ask for arcsine, which is for percentages, "
                    "and this is a count.",
                    f"It was analysed by the rule instead: {SCALE_WORDS[choice.transform]}.",
                ),
            )
        return _named(setting, variable, values, "set for the whole trial")
    return _by_rule(plan, variable, item)


def _named(
    transform: Transform,
    variable: Variable,
    values: np.ndarray[tuple[int, int], np.dtype[np.float64]],
    where: str,
) -> _Choice:
    name = _NAMES[transform]
    if name != "none" and np.nanmin(values, initial=0.0) < 0:
        return _unfit(variable, name, "has values below 0")
    if name == "arcsine" and (variable.kind is not Kind.PERCENT):
        return _unfit(variable, name, "is no percentage")
    return _Choice(transform=name, rule=f"The scale ({SCALE_WORDS[name]}) was {where}.")


def _unfit(variable: Variable, name: str, why: str) -> _Choice:
    return _Choice(
        transform="none",
        rule=f"Analysed as it is, because it {why}.",
        problem=warning(
            "transform-unfit",
            f"{variable.label}: the transform {name} was asked for, and the variable {why}.",
            "It was analysed as it is; name another transform in the settings.",
        ),
    )


def _by_rule(plan: PlotPlan, variable: Variable, item: Assessed) -> _Choice:
    found = choose_transform(variable.kind.value, item.values, plan.treatment)
    return _Choice(
        transform=found.transform,
        rule=found.rule,
        slope=found.slope,
        cells=float(found.cells) if found.cells else float("nan"),
    )
