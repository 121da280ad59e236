"""Pest-days are analysed on a scale of their own, and what names a scale is followed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.inference.design.scales import choose_area_transform
from trialkit.trial import Settings, Transform


@pytest.fixture(scope="module")
def trial():
    return trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))


def scale_of(trial, name: str = "larvae") -> tuple[str, str]:
    found = trialkit.analyse(trial)
    tested = found.responses.query("measure == 'pest_days' and variable == @name")
    chosen = found.choices.query("variable == @name").iloc[0]
    assert tested["transform"].iloc[0] == chosen["area_transform"]
    return chosen["area_transform"], chosen["area_rule"]


def test_auto_follows_the_variance(trial):
    scale, rule = scale_of(trial)
    assert scale == "log"
    assert "8 treatments" in rule


@pytest.mark.parametrize("named", [Transform.SQRT, Transform.LOG, Transform.NONE])
def test_a_scale_named_for_counts_leaves_pest_days_alone(trial, named):
    settings: Settings = replace(trial.settings, transform=named)
    assert scale_of(replace(trial, settings=settings))[0] == "none"


def test_a_scale_named_for_the_variable_is_that_of_its_pest_days(trial):
    variables = tuple(
        replace(item, transform=Transform.SQRT) if item.name == "larvae" else item
        for item in trial.variables
    )
    assert scale_of(replace(trial, variables=variables))[0] == "sqrt"


def test_few_treatments_take_the_scale_of_the_values():
    areas = np.array([10.0, 20.0, 100.0, 210.0])
    treatment = np.array([0, 0, 1, 1])
    assert choose_area_transform(areas, treatment, "sqrt").transform == "sqrt"
    assert choose_area_transform(areas, treatment, "arcsine").transform == "none"
