"""What one trial gives to a series agrees with what its own report shows."""

import dataclasses

import numpy as np
import pytest

import trialkit
from shipped import analysed
from trialkit.resources import example_names
from trialkit.series.effects import NONE_FOUND, NONE_IN_UNTREATED, NOT_ASSESSED, effects_of
from trialkit.series.matched import Cell, TrialMatch


def _match(trial, **changes):
    return dataclasses.replace(
        TrialMatch(
            trial="north",
            treatments={item.id: item.name for item in trial.treatments},
            variables={item.name: item.name for item in trial.variables},
        ),
        **changes,
    )


@pytest.fixture(scope="module")
def analysis():
    return analysed("leaf_beetle_potato")


@pytest.fixture(scope="module")
def effects(analysis):
    return effects_of(analysis.trial, analysis.tables(), _match(analysis.trial))


def test_a_window_of_one_day_shows_the_control_of_the_trial(analysis, effects):
    rows = effects.rows.query("variable == 'larvae' and window == '11-17'")
    own = analysis.control.query("variable == 'larvae' and days_after == 14 and chosen")
    names = {item.id: item.name for item in analysis.trial.treatments}
    shown = dict(zip(rows["treatment"], rows["percent"], strict=True))
    assert shown == {
        names[key]: value for key, value in zip(own["treatment"], own["percent"], strict=True)
    }


@pytest.mark.parametrize("variable", ["larvae", "lady_beetles", "defoliation"])
def test_the_error_of_a_log_ratio_is_that_of_the_trials_interval(analysis, effects, variable):
    # Without the tables of the trial, limits come from the log ratios and their errors alone.
    alone = {"control_methods": analysis.control_methods}
    found = effects_of(analysis.trial, alone, _match(analysis.trial)).rows
    both = effects.rows.merge(found, on=["variable", "measure", "window", "treatment"])
    both = both[(both["variable"] == variable) & (both["upper_x"] < 100.0)]
    width = [
        np.log((100.0 - both[f"lower_{side}"]) / (100.0 - both[f"upper_{side}"])) for side in "xy"
    ]
    # The trial's limits are quantiles of draws, and allow for the dispersion being estimated.
    assert np.median(width[0] / width[1]) == pytest.approx(1.0, abs=0.06)
    assert (width[0] / width[1]).between(0.8, 1.3).all()


def test_treatments_of_a_trial_are_correlated_by_the_untreated(effects):
    part = effects.ratios[Cell("north", "larvae", "control", "11-17")]
    correlation = part.covariance / np.sqrt(
        np.outer(np.diagonal(part.covariance), np.diagonal(part.covariance))
    )
    off = correlation[~np.eye(len(correlation), dtype=bool)]
    assert (off > 0.25).all() and (off < 0.75).all()
    assert np.linalg.eigvalsh(part.covariance).min() > 0.0


def test_nothing_found_gets_half_an_individual_and_says_so(effects):
    row = effects.rows.query(
        "variable == 'lady_beetles' and window == '1-4' and treatment == 'Wimbrel'"
    ).iloc[0]
    assert row["note"] == NONE_FOUND
    assert row["percent"] == 100.0
    assert np.isfinite(row["log_ratio"]) and row["log_ratio"] < -3.0


def _without(trial, *, treatment, days=None, value):
    plots = [plot.id for plot in trial.plots if plot.treatment == treatment]
    counts = trial.counts.copy()
    chosen = counts["plot"].isin(plots) & (counts["variable"] == "larvae")
    if days is not None:
        chosen &= counts["day"].isin(days)
    counts.loc[chosen, "value"] = value
    return dataclasses.replace(trial, counts=counts)


def test_nothing_in_the_untreated_is_left_out_with_its_reason(analysis):
    trial = _without(analysis.trial, treatment="1", days=[14], value=0.0)
    found = effects_of(trial, {}, _match(trial))
    rows = found.rows.query("variable == 'larvae' and window == '11-17'")
    assert set(rows["note"]) == {NONE_IN_UNTREATED}
    assert rows["log_ratio"].isna().all()
    assert Cell("north", "larvae", "control", "11-17") not in found.ratios


def test_a_treatment_that_was_not_assessed_is_named(analysis):
    trial = _without(analysis.trial, treatment="3", days=[14], value=np.nan)
    found = effects_of(trial, {}, _match(trial))
    rows = found.rows.query("variable == 'larvae' and window == '11-17'")
    assert rows.loc[rows["note"] == NOT_ASSESSED, "treatment"].tolist() == ["Tarnock"]
    part = found.ratios[Cell("north", "larvae", "control", "11-17")]
    assert "Tarnock" not in part.treatments and len(part.treatments) == 6


def test_two_treatments_that_are_one_in_the_series_are_averaged(analysis):
    trial = analysis.trial
    apart = effects_of(trial, {}, _match(trial))
    named = {item.id: item.name for item in trial.treatments}
    both = [key for key, name in named.items() if name.startswith("Pelloway, ")]
    together = effects_of(
        trial, {}, _match(trial, treatments=named | dict.fromkeys(both, "Pelloway"))
    )
    cell = Cell("north", "larvae", "control", "11-17")
    one, two = apart.ratios[cell], together.ratios[cell]
    own = [one.treatments.index(named[key]) for key in both]
    place = two.treatments.index("Pelloway")
    assert two.estimates[place] == pytest.approx(one.estimates[own].mean())
    half = np.full(2, 0.5)
    assert two.covariance[place, place] == pytest.approx(
        half @ one.covariance[np.ix_(own, own)] @ half
    )


def test_the_area_under_the_curve_is_a_measure_of_its_own(analysis, effects):
    rows = effects.rows.query("variable == 'larvae' and measure == 'pest_days'")
    own = analysis.reductions.query("variable == 'larvae' and measure == 'pest_days'")
    assert sorted(rows["percent"]) == pytest.approx(sorted(own["percent"].dropna()))


def test_means_are_those_of_the_trial(analysis, effects):
    (part,) = effects.means
    own = analysis.means.query("measure == 'yield'")
    assert part.means == pytest.approx(own["mean_analysed"].to_numpy())
    se = np.sqrt(part.error_variance * np.diagonal(part.unit_covariance))
    assert se == pytest.approx(own["se"].to_numpy())
    assert part.df == own["df"].iloc[0]


def test_units_of_the_series_reach_means_and_their_errors(analysis, effects):
    trial = analysis.trial
    name = effects.means[0].variable
    (part,) = effects_of(trial, {}, _match(trial, factors={name: 1000.0})).means
    assert part.means == pytest.approx(1000.0 * effects.means[0].means)
    assert part.error_variance == pytest.approx(1e6 * effects.means[0].error_variance)


def test_every_design_has_a_covariance():
    for example in example_names():
        trial = trialkit.read_trial(trialkit.example_trial(example))
        found = effects_of(trial, {}, _match(trial))
        for part in found.ratios.values():
            assert np.linalg.eigvalsh(part.covariance).min() > 0.0
        for mean in found.means:
            assert mean.error_variance > 0.0
