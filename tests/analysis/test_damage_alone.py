"""Trials that assess no pest but its damage: what is asked of a pest is asked of the damage."""

from __future__ import annotations

from dataclasses import replace

import pytest

import trialkit
from trialkit.trial import VariableRole


@pytest.fixture(scope="module")
def analysis():
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    kept = tuple(item for item in trial.variables if item.role is VariableRole.DAMAGE)
    names = {item.name for item in kept}
    counts = trial.counts[trial.counts["variable"].isin(names)].reset_index(drop=True)
    return trialkit.analyse(replace(trial, variables=kept, counts=counts))


@pytest.mark.parametrize(
    "table", ["rates", "rate_persistence", "mixtures", "mixture_periods", "carrier"]
)
def test_products_are_compared_by_the_damage(analysis, table) -> None:
    rows = getattr(analysis, table)
    assert set(rows["variable"]) == {"defoliation"}


def test_where_pests_were_counted_they_alone_are_asked() -> None:
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    assert set(trialkit.analyse(trial).rates["variable"]) == {"larvae"}


def test_report_and_findings_tell_it(analysis, tmp_path) -> None:
    texts = [item.text for item in trialkit.make_findings(analysis)]
    assert any("the full rate (4)" in text for text in texts)
    assert any("its components predict" in text for text in texts)
