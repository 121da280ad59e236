"""Days of a treatment's mean above the action threshold, and how sure they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.analysis.days_above import NEVER_ABOVE, OWN
from trialkit.measures.pest_days import above_threshold


@pytest.fixture(scope="module")
def analysis():
    return trialkit.analyse(trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato")))


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
