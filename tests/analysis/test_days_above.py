"""Days of a treatment's mean above the action threshold, and how sure they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from shipped import analysed
from trialkit.analysis.efficacy.days_above import NEVER_ABOVE, OWN
from trialkit.measures.pest_days import above_threshold


@pytest.fixture(scope="module")
def analysis():
    return analysed("leaf_beetle_potato")


def test_days_are_those_of_the_means(analysis):
    rows = analysis.days_above.set_index("treatment")
    means = analysis.means
    means = means[(means["variable"] == "larvae") & (means["measure"] == "count")]
    for treatment, own in means.groupby("treatment"):
        found = above_threshold(own["days_after"], own["mean"], 15.0).days_above
        assert rows.loc[treatment, "days"] == pytest.approx(float(found))
    assert (rows["lower"] >= 0.0).all()
    assert (rows["upper"] <= rows["span"]).all()
    compared = rows[rows["reason"].isna()]
    assert len(compared) == len(rows) - 1
    assert rows.loc["1", "reason"] == OWN
    saved = rows.loc["1", "days"] - compared["days"]
    assert np.allclose(compared["difference"], saved)
    assert (compared["difference_lower"] <= compared["difference_upper"]).all()


def test_nothing_is_saved_where_the_untreated_stayed_below(analysis):
    trial = analysis.trial
    variables = tuple(
        replace(item, threshold=1e6) if item.name == "larvae" else item for item in trial.variables
    )
    rows = trialkit.analyse(replace(trial, variables=variables)).days_above
    assert (rows["days"] == 0.0).all()
    assert set(rows["reason"]) == {OWN, NEVER_ABOVE}
    assert rows["difference"].isna().all()


def test_each_plot_has_its_days_above_where_a_threshold_is_given(analysis):
    rows = analysis.pest_days[analysis.pest_days["variable"] == "larvae"]
    known = rows[rows["days_above"].notna()]
    assert len(known) >= 28
    # By the trapezoids of one plot, cut at the threshold by hand.
    counts = analysis.trial.counts
    one = counts[(counts["plot"] == known["plot"].iloc[0]) & (counts["variable"] == "larvae")]
    grid = np.linspace(one["day"].min(), one["day"].max(), 300_001)
    over = np.interp(grid, one["day"], one["value"]) - 15.0
    assert known["days_above"].iloc[0] == pytest.approx(
        (over > 0.0).mean() * np.ptp(grid), abs=1e-3
    )
    assert known["pest_days_above"].iloc[0] == pytest.approx(
        np.trapezoid(np.maximum(over, 0.0), grid), abs=1e-3
    )
    # What the whole period says of a treatment is the mean of its plots.
    for measure in ("days_above", "pest_days_above"):
        means = analysis.reductions[
            (analysis.reductions["variable"] == "larvae")
            & (analysis.reductions["measure"] == measure)
        ].set_index("treatment")["mean"]
        for treatment, own in known.groupby("treatment"):
            assert means[treatment] == pytest.approx(own[measure].mean())
    others = analysis.pest_days[analysis.pest_days["variable"] != "larvae"]
    assert others["days_above"].isna().all()
