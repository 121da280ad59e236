"""A word about Abbott where the count before treatment brings in more chance than it takes out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.analysis.efficacy.control_tables import (
    CONSIDER_ABBOTT,
    FAR_WIDER,
    ONLY_ABBOTT,
    UNEVEN,
)
from trialkit.trial import ControlMethod


@pytest.fixture(scope="module")
def analysis():
    return trialkit.analyse(trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato")))


def test_widths_are_those_of_the_table_of_control(analysis):
    table = analysis.control_methods.set_index("variable")
    assert set(table.index) == {"larvae", "defoliation"}
    for name, row in table.iterrows():
        control = analysis.control[analysis.control["variable"] == name]
        wide = control.assign(width=control["upper"] - control["lower"]).pivot_table(
            index=["days_after", "treatment"], columns="method", values="width"
        )
        times = (wide["henderson-tilton"] / wide["abbott"]).median()
        assert row["times"] == pytest.approx(times)
        assert row["width"] == pytest.approx(wide["henderson-tilton"].median())
        assert row["width_other"] == pytest.approx(wide["abbott"].median())
        assert (row["recommendation"] == CONSIDER_ABBOTT) == (row["times"] >= FAR_WIDER)


def test_small_percentages_before_treatment_are_pointed_out_and_nothing_is_switched(analysis):
    told = [item for item in analysis.problems if item.kind == "weak-start"]
    assert any("Leaf area eaten" in item.what for item in told)
    shown = analysis.control[analysis.control["chosen"].to_numpy(dtype=bool)]
    assert set(shown["method"]) == {"henderson-tilton"}


def test_nothing_is_said_where_the_method_was_asked_for(analysis):
    trial = analysis.trial
    for method in (ControlMethod.ABBOTT, ControlMethod.HENDERSON_TILTON):
        settings = replace(trial.settings, control=method)
        asked = trialkit.analyse(replace(trial, settings=settings))
        assert asked.control_methods.empty
        assert not any(item.kind == "weak-start" for item in asked.problems)


def test_uneven_starts_need_the_correction(analysis):
    trial = analysis.trial
    counts = trial.counts.copy()
    plots = {plot.id for plot in trial.plots if plot.treatment in {"4", "5"}}
    cells = (
        counts["plot"].isin(plots) & (counts["variable"] == "defoliation") & (counts["day"] == -1.0)
    )
    counts.loc[cells, "value"] = np.where(counts.loc[cells, "value"] > 1.0, 9.0, 8.0)
    table = trialkit.analyse(replace(trial, counts=counts)).control_methods.set_index("variable")
    row = table.loc["defoliation"]
    assert row["p_before"] < 0.05
    assert row["recommendation"] in {None, UNEVEN}


def test_an_untreated_without_any_before_treatment_is_told_of_abbott(analysis):
    trial = analysis.trial
    counts = trial.counts.copy()
    untreated = [plot.id for plot in trial.plots if plot.treatment == trial.untreated]
    before = (counts["variable"] == "larvae") & (counts["day"] < 0)
    counts.loc[before & counts["plot"].isin(untreated), "value"] = 0.0
    found = trialkit.analyse(replace(trial, counts=counts))
    row = found.control_methods.set_index("variable").loc["larvae"]
    assert row["recommendation"] == ONLY_ABBOTT
    assert row[["width", "times"]].isna().all()
    assert row["width_other"] > 0
    (told,) = [item for item in found.problems if item.kind == "no-start"]
    assert "Larvae per 10 plants" in told.what
    asked = replace(trial.settings, control=ControlMethod.ABBOTT)
    again = trialkit.analyse(replace(found.trial, settings=asked))
    assert again.persistence["holds_until_day"].notna().any()


def test_nothing_found_before_treatment_is_no_count_to_correct_by(analysis):
    """Treatment before the pest came: by Abbott, without a word to the user needed."""
    trial = analysis.trial
    counts = trial.counts.copy()
    counts.loc[(counts["variable"] == "larvae") & (counts["day"] < 0), "value"] = 0.0
    found = trialkit.analyse(replace(trial, counts=counts))
    shown = found.control[(found.control["variable"] == "larvae") & found.control["chosen"]]
    assert set(shown["method"]) == {"abbott"}
    assert shown["percent"].notna().all()
    held = found.persistence[found.persistence["variable"] == "larvae"]
    assert held["holds_until_day"].notna().any()
    assert not any(item.kind == "no-start" for item in found.problems)
