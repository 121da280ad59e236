"""Variance of plots and samples; incomplete blocks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.analysis.supporting.incomplete_blocks import incomplete_by_design
from trialkit.report.compose import compose
from trialkit.trial import Trial

Build = Callable[..., Trial]


def test_components_are_those_of_the_nested_analysis(product_trial: Build) -> None:
    trial = product_trial(samples=5, days=(-1.0, 7.0))
    rows = analyse(trial).samples
    assert rows["days_after"].tolist() == [-1.0, 7.0]
    assert rows["samples"].tolist() == [5.0, 5.0]
    counts = trial.counts[trial.counts["day"] == 7.0]
    within = counts.groupby("plot")["value"].var().mean()
    assert rows["variance_samples"].iloc[1] == pytest.approx(within, rel=1e-10)
    plots = counts.groupby("plot")["value"].mean()
    block = plots.index.str[0]
    treatment = plots.index.str[1:]
    wide = plots.groupby([block, treatment]).mean().unstack().to_numpy()
    rest = wide - wide.mean(0) - wide.mean(1, keepdims=True) + wide.mean()
    error = (rest**2).sum() / (3 * 6)
    between = max(error - within / 5, 0.0)
    assert rows["variance_plots"].iloc[1] == pytest.approx(between, rel=1e-8, abs=1e-12)
    se = np.sqrt((between + within / 5) / 4)
    assert rows["se_mean"].iloc[1] == pytest.approx(se, rel=1e-8)
    assert rows["se_one_more_sample"].iloc[1] == pytest.approx(
        np.sqrt((between + within / 6) / 4), rel=1e-8
    )
    assert rows["se_one_more_block"].iloc[1] == pytest.approx(
        np.sqrt((between + within / 5) / 5), rel=1e-8
    )


def test_single_counts_have_no_samples(product_trial: Build) -> None:
    assert analyse(product_trial()).samples.empty
    assert analyse(product_trial(samples=1)).samples.empty


def test_unequal_samples_and_missing_ones(product_trial: Build) -> None:
    trial = product_trial(samples=4, days=(3.0,))
    counts = trial.counts.copy()
    counts.loc[counts["plot"].isin(["101", "204"]) & (counts["sample"] == "4"), "value"] = np.nan
    rows = analyse(replace(trial, counts=counts)).samples
    assert len(rows) == 1
    assert 3.8 < rows["samples"].iloc[0] < 4.0


def _thinned(trial: Trial) -> Trial:
    """Every block loses two treatments, in turn."""
    order = [item.id for item in trial.treatments]
    kept = tuple(
        plot
        for plot in trial.plots
        if (order.index(plot.treatment) - 2 * int(plot.block or 0)) % len(order) not in (0, 1)
    )
    ids = {plot.id for plot in kept}
    return replace(trial, plots=kept, counts=trial.counts[trial.counts["plot"].isin(ids)])


def test_blocks_that_lack_treatments_by_plan(product_trial: Build) -> None:
    whole = product_trial(blocks=7)
    assert not incomplete_by_design(whole)
    assert not incomplete_by_design(replace(whole, plots=whole.plots[1:]))
    trial = _thinned(whole)
    assert incomplete_by_design(trial)
    analysis = analyse(trial)
    tests = analysis.recovered_tests
    assert len(tests) == len(analysis.responses)
    assert tests["reason"].isna().all()
    assert (tests["recovery"] >= 0.95).all()
    means = analysis.recovered
    assert len(means) == 7 * len(tests)
    joined = means.merge(
        analysis.means, on=["variable", "measure", "days_after", "treatment"], suffixes=("", "_in")
    )
    # Both estimate the same; what is recovered makes them no less sure on the whole.
    assert joined["mean_analysed"].corr(joined["mean_analysed_in"]) > 0.98
    keys = {table.key for table in compose(analysis).tables()}
    assert "recovered" in keys


def test_complete_blocks_recover_nothing(product_trial: Build) -> None:
    assert analyse(product_trial()).recovered_tests.empty
