"""Persistence and speed compared between treatments: arithmetic, ends, pairs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from shipped import analysed
from trialkit.analysis.efficacy.persistence_differences import (
    BOTH_HELD,
    DAYS_HELD,
    FIRST_CONTROL,
    NEITHER_REACHED,
)
from trialkit.trial import TreatmentRole


@pytest.fixture(scope="module", params=trialkit.example_names())
def analysis(request):
    return analysed(request.param)


def test_differences_are_those_of_the_table_of_persistence(analysis):
    held = analysis.persistence.set_index(["variable", "treatment"])
    table = analysis.persistence_differences
    assert not table.empty
    for row in table.itertuples():
        for end in ("a", "b"):
            own = held.loc[(row.variable, getattr(row, end))]
            value = getattr(row, f"value_{end}")
            if row.question == FIRST_CONTROL:
                assert value == own["knockdown_percent"]
            else:
                assert value == (0.0 if np.isnan(own["holds_until_day"]) else own.holds_until_day)
        if row.reason is None:
            assert row.difference == pytest.approx(row.value_a - row.value_b)
            assert row.lower <= row.upper
            assert row.p_adjusted >= row.p
        else:
            assert np.isnan([row.difference, row.lower, row.upper, row.p]).all()


def test_pairs_are_of_products_and_the_reference_comes_second(analysis):
    roles = {item.id: item.role for item in analysis.trial.treatments}
    for row in analysis.persistence_differences.itertuples():
        assert not {roles[row.a], roles[row.b]} & {TreatmentRole.UNTREATED, TreatmentRole.CARRIER}
        assert roles[row.a] is not TreatmentRole.REFERENCE


def test_two_that_held_to_the_end_are_not_compared():
    analysis = analysed("leaf_disease_wheat")
    table = analysis.persistence_differences
    days = table[(table["question"] == DAYS_HELD) & (table["variable"] == "blotch")]
    both = days[(days["a"] == "5") & (days["b"] == "6")].iloc[0]
    assert both["reason"] == BOTH_HELD
    one = days[(days["a"] == "5") & (days["b"] == "2")].iloc[0]
    assert one["bound"] == "at least"


def test_two_that_never_reached_the_target_are_not_compared():
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    settings = replace(trial.settings, control_target=99.9)
    table = trialkit.analyse(replace(trial, settings=settings)).persistence_differences
    days = table[table["question"] == DAYS_HELD]
    assert set(days["reason"]) == {NEITHER_REACHED}
