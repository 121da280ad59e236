"""Means shown: least-squares means where plots are missing, and letters that stand against them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.analysis.fits.shown_means import ADJUSTED, ORDER, _notes


def test_a_lost_plot_is_allowed_for_and_said():
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    means = trialkit.analyse(trial).means
    yields = means[means["measure"] == "yield"].set_index("treatment")
    lost = yields[yields["n"] < 4]
    assert not lost.empty
    for row in lost.itertuples():
        assert row.note == ADJUSTED
        assert row.mean_shown == pytest.approx(row.mean_analysed)
        assert row.mean_shown != row.mean
        assert row.lower < row.mean_shown < row.upper
    whole = yields[yields["n"] == 4]
    np.testing.assert_allclose(whole["mean_shown"], whole["mean"])


def test_whole_responses_are_shown_as_counted():
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    counts = trial.counts[trial.counts["day"] == 3].reset_index(drop=True)
    found = trialkit.analyse(replace(trial, counts=counts)).means.query("measure == 'count'")
    np.testing.assert_allclose(found["mean_shown"], found["mean"])
    assert not found["note"].eq(ADJUSTED).any()


def test_letters_against_the_order_of_means_are_marked():
    shown = np.array([[10.0, 12.0, 3.0], [10.0, 12.0, 3.0]])
    letters = np.array([["a", "b", "c"], ["ab", "a", "b"]], dtype=object)
    notes = _notes(shown, letters, np.zeros(shown.shape, dtype=bool))
    assert notes[0].tolist() == [ORDER, ORDER, None]
    assert notes[1].tolist() == [None, None, None]
