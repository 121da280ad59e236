"""Warnings of the analysis begin with the label of their variable and never show its key."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.trial import ControlMethod, Transform, Trial


def beetles() -> Trial:
    """Leaf beetles, of which the analysis has a few warnings as they are."""
    return trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))


def plums() -> Trial:
    """Fruits of which few were examined in one block."""
    return trialkit.read_trial(trialkit.example_trial("fruit_moth_plum"))


def with_values(change: Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]) -> Trial:
    """Beetles with other counts of larvae, from values, days and whether plots are untreated."""
    trial = beetles()
    counts = trial.counts.copy()
    own = (counts["variable"] == "larvae").to_numpy()
    untreated = {plot.id for plot in trial.plots if plot.treatment == trial.untreated}
    counts.loc[own, "value"] = change(
        counts.loc[own, "value"].to_numpy(),
        counts.loc[own, "day"].to_numpy(),
        counts.loc[own, "plot"].isin(untreated).to_numpy(),
    )
    return replace(trial, counts=counts)


def crowded(values: np.ndarray, days: np.ndarray, _: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(1)
    return np.where(days > 0, rng.poisson(rng.gamma(0.2, 100.0, values.size)), values)


def scaled(transform: Transform, trial: Trial) -> Trial:
    return replace(trial, settings=replace(trial.settings, transform=transform))


def without_start() -> Trial:
    trial = beetles()
    counts = trial.counts[trial.counts["day"] > 0].reset_index(drop=True)
    return by_henderson_tilton(replace(trial, counts=counts))


def by_henderson_tilton(trial: Trial) -> Trial:
    settings = replace(trial.settings, control=ControlMethod.HENDERSON_TILTON)
    return replace(trial, settings=settings)


@pytest.mark.parametrize(
    ("build", "expected"),
    [
        (
            beetles,
            {
                "outlier": "Leaf area eaten, %, day 7: plot 402 (treatment 1)",
                "no-variance": "Lady beetles per 10 plants, day 3: treatment 6 (all plots 0) does",
            },
        ),
        (plums, {"uneven-examined": "Fruits with a larva, %: plots differ widely in how many"}),
        (
            lambda: by_henderson_tilton(
                with_values(lambda value, day, own: np.where((day < 0) & own, 0.0, value))
            ),
            {"no-start": "Larvae per 10 plants: percent control by henderson-tilton is not"},
        ),
        (
            lambda: with_values(
                lambda value, day, own: np.where((day < 0) & own, 10 * value, value)
            ),
            {"uneven-before": "Larvae per 10 plants, day −1: before treatment the plots already"},
        ),
        (
            lambda: with_values(lambda value, day, own: np.where(day == 14, value > 300, value)),
            {"few-counts": "Larvae per 10 plants: few were found on day 14, fewer than 40"},
        ),
        (
            lambda: scaled(Transform.NONE, with_values(crowded)),
            {"crowded-counts": "Larvae per 10 plants: counts were analysed as they are"},
        ),
        (
            lambda: scaled(Transform.ARCSINE, without_start()),
            {
                "transform-unfit": "Larvae per 10 plants: the settings ask for arcsine",
                "control-method": "Larvae per 10 plants: percent control by henderson-tilton was",
            },
        ),
    ],
)
def test_warnings_begin_with_the_label(
    build: Callable[[], Trial], expected: dict[str, str]
) -> None:
    trial = build()
    told = trialkit.analyse(trial).problems[len(trial.warnings) :]
    for kind, begins in expected.items():
        assert any(item.kind == kind and item.what.startswith(begins) for item in told)
    for item in told:
        for variable in trial.variables:
            assert not re.search(rf"\b{variable.name}\b", item.what + item.remedy), item.what


@pytest.mark.parametrize("transform", [Transform.LOG, Transform.ARCSINE])
def test_the_rule_of_a_scale_that_was_set_names_no_key(transform: Transform) -> None:
    trial = beetles()
    larvae, *others = trial.variables
    own = replace(trial, variables=(replace(larvae, transform=transform), *others))
    rule = trialkit.analyse(own).choices.set_index("variable").loc[larvae.name, "rule"]
    expected = {
        Transform.LOG: "The scale (log10 of (value + 1)) was set for this variable.",
        Transform.ARCSINE: "Analysed as it is, because it is no percentage.",
    }
    assert rule == expected[transform]
