"""Differences in pest-days and yield on other paths, against whole analyses along them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.analysis import analyse
from trialkit.trial import Trial


@pytest.fixture(scope="module")
def potato() -> Trial:
    return trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))


def without(trial: Trial, block: str) -> Trial:
    plots = tuple(plot for plot in trial.plots if plot.block != block)
    kept = {plot.id for plot in plots}
    parts = {
        name: getattr(trial, name).loc[lambda own: own["plot"].isin(kept)].reset_index(drop=True)
        for name in ("counts", "yields", "harvest")
    }
    # Scales are chosen from the data; here they stay what they are.
    return replace(trial, plots=plots, **parts)


def test_a_block_left_out_gives_the_p_of_an_analysis_without_it(potato: Trial) -> None:
    table = analyse(potato).standing
    row = table[(table["variable"] == "larvae") & (table["a"] == "6")].iloc[0]
    assert row["falls"] == "without block 1"
    found = analyse(without(potato, "1").with_settings(supporting=False))
    pairs = found.comparisons
    own = pairs[
        (pairs["variable"] == "larvae")
        & (pairs["measure"] == "pest_days")
        & (pairs["method"] == "dunnett")
        & (pairs["a"] == "6")
    ]
    assert row["p_largest"] == pytest.approx(own["p_adjusted"].iloc[0], rel=1e-6)


def test_every_row_adds_up(potato: Trial) -> None:
    table = analyse(potato).standing
    fallen = [len(falls.split("; ")) if falls else 0 for falls in table["falls"]]
    assert np.array_equal(table["paths"] - table["stands"], fallen)
    assert (table["p_largest"] >= table["p_adjusted"]).all()
    assert (table["p_adjusted"] <= potato.settings.alpha).all()


def test_trials_with_larger_units_and_tests_alone_have_none(potato: Trial) -> None:
    assert analyse(potato.with_settings(supporting=False)).standing.empty


def test_the_report_names_what_is_fragile(potato: Trial) -> None:
    from trialkit.report.compose import compose

    text = str(compose(analyse(potato), ()))
    assert "Of 19 differences from the untreated shown in areas under the curve and yield, " in text
    assert "yield, 12 were shown in every other analysis as well." in text
    assert "not shown without block 1 or 4." in text
    assert "The randomisation test agrees in" in text
