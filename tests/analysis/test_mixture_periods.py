"""Mixtures over all days after treatment: the sums by hand, and the limits of the adjustment."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.trial import ControlMethod


@pytest.fixture(scope="module")
def trial():
    return trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))


def _means(analysis):
    rows = analysis.means
    rows = rows[(rows["variable"] == "larvae") & (rows["measure"] == "count")]
    return rows.pivot_table(index="treatment", columns="days_after", values="mean")


@pytest.mark.parametrize("method", list(ControlMethod))
def test_pest_days_are_expected_day_by_day(trial, method):
    settings = replace(trial.settings, control=method)
    analysis = trialkit.analyse(replace(trial, settings=settings))
    row = analysis.mixture_periods.iloc[0]
    slope = float(np.clip(analysis.control_methods["slope"][0], 0.0, 1.0))
    by_slope = dict.fromkeys((ControlMethod.AUTO, ControlMethod.ADJUSTED), slope)
    power = {ControlMethod.ABBOTT: 0.0, **by_slope}.get(method, 1.0)
    assert row["adjustment"] == power
    assert 0.0 <= power <= 1.0
    means = _means(analysis)
    before = means[-1.0]
    after = means.drop(columns=-1.0).mul((before["1"] / before) ** power, axis=0)
    days = after.columns.to_numpy(dtype=float)
    expected = after.loc["5"] * after.loc["7"] / after.loc["1"]
    total = np.trapezoid(after.loc["1"], days)
    assert row["observed"] == pytest.approx(100 * (1 - np.trapezoid(after.loc["8"], days) / total))
    assert row["expected"] == pytest.approx(100 * (1 - np.trapezoid(expected, days) / total))
    assert row["difference"] == pytest.approx(row["observed"] - row["expected"])
    assert row["lower"] < row["difference"] < row["upper"]
    assert row["days"] == 6.0


def test_one_day_after_treatment_makes_no_period(trial):
    counts = trial.counts[trial.counts["day"].isin([-1.0, 7.0])]
    analysis = trialkit.analyse(replace(trial, counts=counts))
    assert not analysis.mixtures.empty
    assert analysis.mixture_periods.empty


def test_a_part_without_a_count_leaves_a_reason(trial):
    plots = {plot.id for plot in trial.plots if plot.treatment == "7"}
    counts = trial.counts.copy()
    lost = counts["plot"].isin(plots) & (counts["day"] > 3.0)
    counts.loc[lost, "value"] = np.nan
    row = trialkit.analyse(replace(trial, counts=counts)).mixture_periods.iloc[0]
    assert row["reason"] is not None
    assert np.isnan([row["difference"], row["lower"], row["p"]]).all()
