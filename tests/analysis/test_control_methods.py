"""By which formula control is shown: the slope of later on earlier counts, and what was asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from shipped import analysed
from trialkit.analysis.efficacy.control_tables import (
    ASKED,
    FORETOLD,
    NOT_FORETOLD,
    NOTHING_BEFORE,
    ONLY_ABBOTT,
    UNEVEN,
)
from trialkit.trial import ControlMethod


@pytest.fixture(scope="module")
def analysis():
    return analysed("leaf_beetle_potato")


def with_counts(trial, change):
    """Change the counts of larvae: ``change(values, baseline of the plot, after)``."""
    counts = trial.counts.copy()
    own = (counts["variable"] == "larvae").to_numpy()
    start = counts[own & (counts["day"] < 0).to_numpy()].set_index("plot")["value"]
    before = counts["plot"].map(start).to_numpy(dtype=float)
    after = own & (counts["day"] > 0).to_numpy()
    values = counts["value"].to_numpy(dtype=float)
    counts["value"] = np.where(after, change(values, before), values)
    return replace(trial, counts=counts)


def shown_by(analysis, variable="larvae"):
    control = analysis.control
    own = control["chosen"].to_numpy(dtype=bool) & (control["variable"] == variable).to_numpy()
    return set(control[own]["method"])


def test_widths_are_those_of_the_table_of_control(analysis):
    table = analysis.control_methods.set_index("variable")
    assert set(table.index) == {"larvae", "defoliation"}
    for name, row in table.iterrows():
        control = analysis.control[analysis.control["variable"] == name]
        width = (control["upper"] - control["lower"]).groupby(control["method"]).median()
        assert row["width_abbott"] == pytest.approx(width["abbott"])
        assert row["width_adjusted"] == pytest.approx(width["adjusted"])
        assert row["width_henderson_tilton"] == pytest.approx(width["henderson-tilton"])


def test_a_start_that_foretells_nothing_is_left_out(analysis):
    row = analysis.control_methods.set_index("variable").loc["larvae"]
    assert row["slope"] < 0.5
    assert row["rule"] == NOT_FORETOLD
    assert shown_by(analysis) == {"abbott"}


def test_plots_that_keep_their_level_are_corrected_by_it(analysis):
    trial = with_counts(analysis.trial, lambda values, before: np.rint(values * before / 50.0))
    found = trialkit.analyse(trial)
    row = found.control_methods.set_index("variable").loc["larvae"]
    assert row["slope"] > 0.5
    assert row["rule"] == FORETOLD
    assert shown_by(found) == {"henderson-tilton"}


def test_the_choice_does_not_look_at_the_effects(analysis):
    """Counts of one treatment many times as high on all later days: the slope hardly moves."""
    trial = analysis.trial
    plots = {plot.id for plot in trial.plots if plot.treatment == "4"}
    counts = trial.counts.copy()
    own = counts["plot"].isin(plots) & (counts["variable"] == "larvae") & (counts["day"] > 0)
    counts.loc[own, "value"] = counts.loc[own, "value"] * 7.0
    slope = trialkit.analyse(replace(trial, counts=counts)).control_methods["slope"][0]
    assert slope == pytest.approx(analysis.control_methods["slope"][0], abs=0.1)


def test_what_was_asked_for_is_shown(analysis):
    for method in (ControlMethod.ABBOTT, ControlMethod.HENDERSON_TILTON, ControlMethod.ADJUSTED):
        settings = replace(analysis.trial.settings, control=method)
        asked = trialkit.analyse(replace(analysis.trial, settings=settings))
        assert set(asked.control_methods["rule"]) == {ASKED}
        assert shown_by(asked) == {method.value}


def test_adjusted_lies_between_abbott_and_henderson_tilton(analysis):
    control = analysis.control[analysis.control["variable"] == "larvae"]
    percent = control.pivot_table(
        index=["days_after", "treatment"], columns="method", values="percent"
    )
    low = percent[["abbott", "henderson-tilton"]].min(axis=1) - 1e-9
    high = percent[["abbott", "henderson-tilton"]].max(axis=1) + 1e-9
    assert percent["adjusted"].between(low, high).all()


def test_uneven_starts_are_pointed_out(analysis):
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
    assert row["recommendation"] == UNEVEN


def test_an_untreated_without_any_before_treatment_is_told_of_abbott(analysis):
    trial = with_counts(analysis.trial, lambda values, before: np.rint(values * before / 50.0))
    counts = trial.counts.copy()
    untreated = [plot.id for plot in trial.plots if plot.treatment == trial.untreated]
    before = (counts["variable"] == "larvae") & (counts["day"] < 0)
    counts.loc[before & counts["plot"].isin(untreated), "value"] = 0.0
    trial = replace(trial, counts=counts)
    found = trialkit.analyse(trial)
    assert found.control_methods.set_index("variable").loc["larvae", "rule"] == NOTHING_BEFORE
    assert shown_by(found) == {"abbott"}
    asked = replace(trial.settings, control=ControlMethod.HENDERSON_TILTON)
    again = trialkit.analyse(replace(trial, settings=asked))
    row = again.control_methods.set_index("variable").loc["larvae"]
    assert row["recommendation"] == ONLY_ABBOTT
    assert np.isnan(row["width_henderson_tilton"])
    assert row["width_abbott"] > 0
    (told,) = [item for item in again.problems if item.kind == "no-start"]
    assert "Larvae per 10 plants" in told.what


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
