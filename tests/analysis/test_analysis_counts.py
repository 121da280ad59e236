"""Counts analysed as counts beside the analysis of variance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.report.compose import compose
from trialkit.trial import Transform, Trial

Build = Callable[..., Trial]


def test_tables_have_one_row_a_treatment_and_three_tests_a_day(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    assert len(analysis.count_models) == 3 * 7
    tests = analysis.count_tests
    assert tests["model"].tolist()[:3] == [
        "negative binomial",
        "negative binomial, likelihood ratio",
        "quasi-Poisson",
    ]
    assert len(tests) == 9
    assert tests["p"].notna().all()
    # With 18 error degrees of freedom the two F tests of a real effect agree in size.
    day = tests[tests["days_after"] == 7.0]
    assert np.ptp(np.log10(day["p"].to_numpy()[[0, 2]])) < 3


def test_means_are_the_arithmetic_ones(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    joined = analysis.count_models.merge(
        analysis.means[analysis.means["measure"] == "count"],
        on=["variable", "days_after", "treatment"],
        suffixes=("", "_plain"),
    )
    assert len(joined) == 21
    np.testing.assert_allclose(joined["mean"], joined["mean_plain"], rtol=1e-9)
    others = joined[joined["treatment"] != "0"]
    inside = (others["ratio"] > others["ratio_lower"]) & (others["ratio"] < others["ratio_upper"])
    assert inside.mean() > 0.9
    assert (joined[joined["treatment"] == "0"]["reason"] == "the untreated itself").all()


def test_a_treatment_of_zeros_has_finite_limits(product_trial: Build) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    plots = {plot.id for plot in trial.plots if plot.treatment == "F1"}
    counts.loc[counts["plot"].isin(plots) & (counts["day"] == 7.0), "value"] = 0.0
    analysis = analyse(replace(trial, counts=counts))
    rows = analysis.count_models
    row = rows[(rows["treatment"] == "F1") & (rows["days_after"] == 7.0)].iloc[0]
    assert row["mean"] == 0.0
    assert row["lower"] == 0.0
    assert 0.9 < row["upper"] < 3.0
    assert "one-sided" in row["note"]
    assert row["ratio"] == 0.0
    assert row["ratio_lower"] == 0.0
    assert 0.0 < row["ratio_upper"] < 0.5


def test_notes_say_where_tests_and_limits_do_not_keep_their_level(product_trial: Build) -> None:
    trial = product_trial()
    plain = analyse(trial)
    tests = plain.count_tests.set_index("model")["note"]
    assert tests["negative binomial"].isna().all()
    assert set(tests["negative binomial, likelihood ratio"]) == {
        "rejects too often in trials of few plots: read F of the same model"
    }
    assert set(tests["quasi-Poisson"]) == {
        "rejects too often where plots are crowded or empty: read F of the negative binomial"
    }
    assert plain.count_models["note"].isna().all()
    assert "few-counts" not in {problem.kind for problem in plain.problems}
    counts = trial.counts.copy()
    late = counts["day"] == 14.0
    counts.loc[late, "value"] = (counts.loc[late, "value"] > 12.0).astype(float)
    few = analyse(replace(trial, counts=counts))
    main = few.count_tests[few.count_tests["model"] == "negative binomial"]
    noted = main[main["note"].notna()]
    assert noted["days_after"].tolist() == [14.0]
    rows = few.count_models[few.count_models["days_after"] == 14.0]
    assert rows["note"].notna().all()
    (found,) = [problem for problem in few.problems if problem.kind == "few-counts"]
    assert "on day 14, fewer than 40 individuals" in found.what
    notes = {table.key: table for table in compose(few).tables()}["beside"].notes
    assert any("the test is conservative" in note and "day 14" in note for note in notes)


def test_a_day_of_nothing_but_zeros(product_trial: Build) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    counts.loc[counts["day"] == 7.0, "value"] = 0.0
    rows = analyse(replace(trial, counts=counts)).count_models
    day = rows[rows["days_after"] == 7.0]
    plots = len(trial.plots) / 7
    np.testing.assert_allclose(day["upper"], -np.log(0.025) / plots, rtol=1e-9)
    assert (day["note"].str.contains("by chance alone")).all()


def test_bars_of_the_course_are_about_the_means_as_counted(product_trial: Build) -> None:
    trial = product_trial()
    analysis = analyse(trial)
    rows = analysis.course[analysis.course["variable"] == trial.variables[0].name]
    assert (rows["interval"] == "negative binomial").all()
    assert ((rows["lower"] < rows["mean"]) & (rows["mean"] < rows["upper"])).all()
    joined = analysis.count_models.merge(rows, on=["variable", "days_after", "treatment"])
    assert len(joined) == len(analysis.count_models)
    for name in ("mean", "lower", "upper"):
        np.testing.assert_allclose(joined[f"{name}_x"], joined[f"{name}_y"], rtol=1e-12)


def test_much_aggregated_counts_as_they_are_are_warned_of(product_trial: Build) -> None:
    trial = product_trial()
    plain = replace(trial, settings=replace(trial.settings, transform=Transform.NONE))
    assert "crowded-counts" not in {problem.kind for problem in analyse(plain).problems}
    rng = np.random.default_rng(1)
    counts = plain.counts[plain.counts["day"] > 0].reset_index(drop=True)
    counts["value"] = rng.poisson(rng.gamma(0.3, 20.0 / 0.3, len(counts))).astype(float)
    crowded = analyse(replace(plain, counts=counts)).problems
    (found,) = [problem for problem in crowded if problem.kind == "crowded-counts"]
    assert "aggregation k about 0." in found.what
    logged = analyse(replace(plain, counts=counts, settings=trial.settings))
    assert "crowded-counts" not in {problem.kind for problem in logged.problems}
    rows = logged.count_models
    crowded = (rows["dispersion"] > 2.0) & rows["ratio"].notna() & (rows["mean"] > 0)
    assert crowded.any()
    assert rows.loc[crowded, "note"].notna().all()
    assert rows.loc[crowded, "note"].str.contains("interval of the ratio|individuals").all()
    even = (rows["dispersion"] <= 2.0) & (rows["mean"] > 0)
    assert not rows.loc[even, "note"].str.contains("interval of the ratio", na=False).any()


def test_an_untreated_of_zeros_says_why(product_trial: Build) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    plots = {plot.id for plot in trial.plots if plot.treatment == "0"}
    counts.loc[counts["plot"].isin(plots) & (counts["day"] == 7.0), "value"] = 0.0
    rows = analyse(replace(trial, counts=counts)).count_models
    day = rows[(rows["days_after"] == 7.0) & (rows["treatment"] != "0")]
    assert day["ratio"].isna().all()
    assert set(day["reason"]) == {"the untreated has none"}


def test_the_report_sets_them_beside_f(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    made = {table.key: table for table in compose(analysis).tables()}["beside"]
    assert [column.title for column in made.columns][1:4] == [
        "Analysis of variance",
        "Randomisation test",
        "Negative binomial model",
    ]
    # Three days and the area under the curve, which is no count.
    assert len(made.rows) == 4
    after = analysis.responses[analysis.responses["days_after"] > 0]
    assert made.rows[0][1] == pytest.approx(float(after["p"].iloc[0]))
    assert made.rows[0][2] == pytest.approx(float(after["p_randomised"].iloc[0]))
    assert made.rows[-1][3:] == (None, None)
    assert [column.title for column in made.columns][4:] == ["Dispersion"]


def test_randomisation_agrees_with_f_where_there_is_nothing(product_trial: Build) -> None:
    """Before treatment all treatments are alike: both p-values are those of chance, and close."""
    analysis = analyse(product_trial())
    rows = analysis.responses
    before = rows[rows["days_after"] < 0].iloc[0]
    assert before["p_randomised"] == pytest.approx(before["p"], abs=0.08)
    assert (rows["p_randomised"] >= 1 / 1000).all()
    again = analyse(product_trial()).responses["p_randomised"]
    assert again.tolist() == rows["p_randomised"].tolist()


def test_split_plots_have_no_count_model(split_rice: Build) -> None:
    analysis = analyse(split_rice())
    assert analysis.count_models.empty
    assert (analysis.course["interval"] == "scale of analysis").all()
    for table in compose(analysis).tables():
        if table.key == "beside":
            assert "Negative binomial model" not in [column.title for column in table.columns]
