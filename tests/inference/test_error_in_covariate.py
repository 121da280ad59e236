"""Slopes over treatments that allow for error in the covariate."""

from __future__ import annotations

import numpy as np
import pytest

from known_truth.loss import loss_trial
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.normal.error_in_covariate import TreatmentMeans, corrected_slope
from trialkit.inference.normal.regression_on_covariate import regress_within
from trialkit.measures.pest_days import pest_days


def means(**changed) -> TreatmentMeans:
    x = np.array([100.0, 70.0, 40.0, 20.0, 10.0])
    given = {
        "x": x,
        "y": 50.0 - 0.2 * x + np.array([0.1, -0.2, 0.2, 0.0, -0.1]),
        "size": x,
        "n": np.full(5, 4.0),
        "relative_variance": 0.0,
        "slope_within": 0.0,
        "variance": 1.0,
        "df": 12,
    }
    return TreatmentMeans(**(given | changed))


def test_without_error_it_is_least_squares():
    given = means()
    found = corrected_slope(given, 0.95)
    line = np.polyfit(given.x, given.y, 1)
    assert found.slope == pytest.approx(line[0], abs=1e-3)
    assert found.lower < found.slope < found.upper


def test_where_plots_show_the_whole_slope_nothing_was_counted_wrong():
    free = corrected_slope(means(), 0.95)
    known = corrected_slope(means(relative_variance=0.3, slope_within=free.slope), 0.95)
    assert known.slope == pytest.approx(free.slope, abs=1e-3)
    wide = corrected_slope(means(relative_variance=0.3), 0.95)
    assert wide.upper - wide.lower > known.upper - known.lower


def test_units_only_change_the_units():
    one = corrected_slope(means(relative_variance=0.1), 0.95)
    given = means(relative_variance=0.1)
    other = corrected_slope(
        means(
            x=10.0 * given.x,
            size=10.0 * given.size,
            y=3.0 * given.y,
            variance=9.0,
            relative_variance=0.1,
        ),
        0.95,
    )
    assert other.slope == pytest.approx(0.3 * one.slope, rel=1e-3)
    assert other.lower == pytest.approx(0.3 * one.lower, rel=1e-2)


def test_few_treatments_or_no_scatter_tell_nothing():
    two = corrected_slope(
        means(x=np.arange(2.0), y=np.arange(2.0), size=np.ones(2), n=np.ones(2)), 0.95
    )
    assert np.isnan([two.slope, two.lower, two.lack_of_fit_p]).all()


@pytest.mark.parametrize("from_counts", [True, False])
def test_it_holds_the_loss_and_sees_no_lack_of_fit_where_counts_err(from_counts):
    held, slopes, lacking = [], [], []
    for seed in range(60):
        trial = loss_trial(seed, from_counts=from_counts, k=1.5)
        field = trial.field
        layout = randomised_blocks(field.treatment, field.block, int(field.treatment.max()) + 1)
        counted = pest_days(trial.days, trial.counts).pest_days
        found = regress_within(layout, trial.yields, counted).corrected
        true = -trial.loss_per_100 / 100.0
        held.append(np.isnan(found.lower) or found.lower <= true <= found.upper)
        slopes.append(found.slope)
        lacking.append(found.lack_of_fit_p < 0.05)
    assert np.mean(held) >= 0.85
    assert np.median(slopes) == pytest.approx(-0.005, rel=0.1)
    assert np.mean(lacking) <= 0.12
