"""Counts analysed as counts beside the analysis of variance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.analysis.counts import limit_of_zeros
from trialkit.report.compose import compose
from trialkit.trial import Trial

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


def test_means_are_near_the_arithmetic_ones(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    joined = analysis.count_models.merge(
        analysis.means[analysis.means["measure"] == "count"],
        on=["variable", "days_after", "treatment"],
        suffixes=("", "_plain"),
    )
    assert len(joined) == 21
    np.testing.assert_allclose(joined["mean"], joined["mean_plain"], rtol=0.2)
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
    assert 0.5 < row["upper"] < 3.0
    assert row["ratio"] == 0.0
    assert row["ratio_lower"] == 0.0
    assert 0.0 < row["ratio_upper"] < 0.5


def test_limit_of_zeros() -> None:
    """Poisson: four plots of none leave less than -ln(0.05) / 4 = 0.7489 with 95 %."""
    assert limit_of_zeros(0.05, np.array(4.0), np.array(0.0)) == pytest.approx(0.748933068)
    mean = float(limit_of_zeros(0.05, np.array(4.0), np.array(0.5)))
    assert (1 + 0.5 * mean) ** (-4 / 0.5) == pytest.approx(0.05)
    assert mean > 0.749
    assert np.isnan(limit_of_zeros(0.05, np.array(0.0), np.array(0.5)))


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
    assert made.rows[-1][3:] == (None, None, None)


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
    assert analysis.responses["p_randomised"].isna().all()
    assert "beside" not in {table.key for table in compose(analysis).tables()}
