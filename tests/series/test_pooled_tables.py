"""Tables of a series: one trial as it was, few trials as what they are, missing treatments."""

import numpy as np
import pandas as pd
import pytest

from series.invented import invented_series, invented_trial
from shipped import analysed
from trialkit.analysis.schema import COLUMNS, SERIES_TABLES
from trialkit.series.control_tables import ALONE, FEW_TRIALS, ONE_TRIAL, TWO_TRIALS
from trialkit.series.effects import effects_of
from trialkit.series.matched import (
    SeriesSettings,
    SeriesTrial,
    SeriesVariable,
    TrialMatch,
    matched,
)
from trialkit.series.pooled import pooled_tables

LEFT = np.array([-2.5, -2.0, -1.0, -0.3])
GAINS = np.array([0.0, 4.0, 3.0, 2.0, 1.0])


def _trials(number, seed=4, **changes):
    generator = np.random.default_rng(seed)
    return [
        invented_trial(
            generator,
            LEFT + generator.normal(0.0, 0.3) + generator.normal(0.0, 0.2, 4),
            gains=GAINS + generator.normal(0.0, 1.0, 5),
            **({key: value[place] for key, value in changes.items()}),
        )
        for place in range(number)
    ]


@pytest.fixture(scope="module")
def six():
    left_out = [(), (), (3,), (), (), (1,)]
    return pooled_tables(
        invented_series(
            _trials(6, left_out=left_out),
            covariates=[{"rain, mm": float(place)} for place in range(6)],
            years=[2020.0, 2021.0, 2022.0, 2023.0, 2024.0, 2024.0],
        )
    )


@pytest.mark.parametrize("name", SERIES_TABLES)
def test_every_table_has_its_columns(six, name):
    assert list(six[name].columns) == list(COLUMNS[name])
    # Matches are made by whoever matched; these trials have no table of how long control held.
    assert six[name].empty == (name in {"series_matches", "trial_held", "combined_held"})


def test_no_number_is_infinite(six):
    for table in six.values():
        numbers = table.select_dtypes("number").to_numpy()
        assert not np.isinf(numbers).any()


def test_limits_stand_about_their_estimates(six):
    control = six["combined_control"]
    assert (control["lower"] < control["percent"]).all()
    assert (control["percent"] < control["upper"]).all()
    assert (control["predicted_lower"] < control["lower"]).all()
    assert (control["upper"] < control["predicted_upper"]).all()
    assert (control["tau_lower"] <= control["tau"]).all()
    assert (control["tau"] <= control["tau_upper"]).all()
    assert (control["share_lower"] <= control["share_above_target"]).all()
    assert (control["share_above_target"] <= control["share_upper"]).all()


def test_weights_of_trials_sum_to_a_hundred(six):
    rows = six["trial_control"].dropna(subset=["weight"])
    total = rows.groupby(["variable", "measure", "window", "treatment"])["weight"].sum()
    assert total.to_numpy() == pytest.approx(100.0)


def test_a_treatment_absent_from_a_trial_is_counted_where_it_was(six):
    control = six["combined_control"].query("window == '5-10'").set_index("treatment")
    assert control["trials"].to_dict() == {"T1": 5.0, "T2": 6.0, "T3": 5.0, "T4": 6.0}
    means = six["combined_means"].query("inference == 'other sites'").set_index("treatment")
    assert means.loc["T3", "note"] == "in 5 of 6 trials: adjusted for these"


def test_not_inferior_is_what_the_limit_and_the_margin_say(six):
    rows = six["combined_differences"]
    assert (rows["not_inferior"] == (rows["points_lower"] > -rows["margin"])).all()
    assert ((rows["points"] > 0.0) == (rows["ratio"] < 1.0)).all()


def test_years_have_no_more_degrees_of_freedom_than_they_are(six):
    years, rain = six["series_seasons"], six["series_covariates"]
    assert set(years["years"]) == {4.0, 5.0}
    both = years.merge(rain, on=["variable", "measure", "window", "treatment"])
    width = {side: both[f"upper_{side}"] - both[f"lower_{side}"] for side in "xy"}
    assert (width["x"] > width["y"]).mean() > 0.8


def test_windows_are_shown_only_behind_their_gate(six):
    claims = six["series_claims"]
    pest = claims[claims["question"] == "pest"]
    gate = pest[pest["measure"] == "pest_days"].set_index("a")["p_adjusted"]
    behind = pest[pest["measure"] == "control"]
    assert (behind["p_adjusted"] >= behind["a"].map(gate) - 1e-12).all()
    assert (claims["front"] <= claims["shown"]).all()


def test_two_trials_say_what_they_cannot_tell():
    control = pooled_tables(invented_series(_trials(2)))["combined_control"]
    assert set(control["note"]) == {TWO_TRIALS}
    assert control["predicted_lower"].isna().all()
    assert control["share_above_target"].isna().all()
    assert np.isfinite(control["lower"]).all()


def test_three_trials_foretell_with_wide_limits():
    control = pooled_tables(invented_series(_trials(3)))["combined_control"]
    assert set(control["note"]) == {FEW_TRIALS}
    assert np.isfinite(control["predicted_lower"]).all()


def test_of_a_treatment_of_one_trial_nothing_is_claimed_or_foretold():
    left_out = [(), (4,), (4,), (4,)]
    tables = pooled_tables(invented_series(_trials(4, left_out=left_out)))
    row = tables["combined_control"].query("treatment == 'T4' and window == '1-4'").iloc[0]
    assert row["note"] == ALONE and row["trials"] == 1
    assert np.isfinite(row["percent"]) and not np.isfinite(row["predicted_upper"])
    assert not np.isfinite(row["share_above_target"])
    claims = tables["series_claims"]
    assert not claims.empty and not claims[["a", "b"]].isin(["T4"]).any().any()
    assert not (tables["leave_one_out"].query("left_out == 'site 1'")["treatment"] == "T4").any()


def test_trials_with_no_treatment_in_common_stand_side_by_side():
    trials = _trials(2, left_out=[(3, 4), (1, 2)])
    control = pooled_tables(invented_series(trials))["combined_control"]
    assert set(control["method"]) == {ONE_TRIAL}
    assert sorted(set(control["treatment"])) == ["T1", "T2", "T3", "T4"]


def test_a_series_of_one_trial_is_that_trial():
    analysis = analysed("leaf_beetle_potato")
    trial = analysis.trial
    names = {item.id: item.name for item in trial.treatments}
    effects = effects_of(
        trial,
        analysis.tables(),
        TrialMatch(
            trial="north",
            treatments=names,
            variables={item.name: item.name for item in trial.variables},
        ),
    )
    tables = pooled_tables(
        matched(
            (SeriesTrial(key="north", title="north"),),
            (effects,),
            treatments=tuple((name, name) for name in names.values()),
            variables=tuple(
                SeriesVariable(name=item.name, label=item.label, role=item.role)
                for item in trial.variables
            ),
            settings=SeriesSettings(untreated=names["1"]),
        )
    )
    shown = tables["combined_control"].query("variable == 'larvae' and window == '18-24'")
    own = analysis.control.query("variable == 'larvae' and days_after == 21 and chosen")
    for column in ("percent", "lower", "upper"):
        assert shown[column].to_numpy() == pytest.approx(own[column].to_numpy())
    means = tables["combined_means"]
    expected = analysis.means.query("measure == 'yield'")
    for column, source in (("mean", "mean_analysed"), ("lower", "lower"), ("upper", "upper")):
        assert means[column].to_numpy() == pytest.approx(expected[source].to_numpy())


def test_the_order_of_trials_changes_no_estimate():
    trials = _trials(4)
    one = pooled_tables(invented_series(trials))["combined_control"]
    other = pooled_tables(invented_series(trials[::-1]))["combined_control"]
    columns = ["percent", "lower", "upper", "predicted_lower", "predicted_upper", "tau"]
    pd.testing.assert_frame_equal(one[columns], other[columns], rtol=1e-4, atol=1e-4)
