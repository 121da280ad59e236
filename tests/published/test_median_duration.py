"""Median durations with unseen ends against statsmodels' survival functions, a general library."""

import numpy as np
import pytest
from statsmodels.duration.survfunc import SurvfuncRight

from trialkit.inference.pooling.durations import median_duration


@pytest.mark.parametrize("seed", range(12))
def test_median_and_interval_are_those_of_a_general_library(seed):
    generator = np.random.default_rng(seed)
    size = int(generator.integers(6, 15))
    days = np.round(generator.gamma(3.0, 5.0, size), 1)
    unseen = generator.random(size) < 0.3
    found = median_duration(days, unseen)
    curve = SurvfuncRight(days, (~unseen).astype(int))
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = curve.quantile_ci(0.5, method="cloglog")
    assert found.lower == low
    assert found.upper == high or (np.isnan(found.upper) and np.isinf(high))
    # Where exactly half of the trials last the library takes the later day, we take the middle.
    lasting = curve.surv_prob
    if not np.any(np.abs(lasting - 0.5) < 1e-9):
        expected = curve.quantile(0.5)
        assert found.median == expected or (np.isnan(found.median) and not np.isfinite(expected))


def test_half_of_the_trials_beyond_all_days_seen_have_no_median():
    found = median_duration(np.array([5.0, 20.0, 20.0, 20.0]), np.array([0, 1, 1, 1], dtype=bool))
    assert np.isnan(found.median) and np.isnan(found.upper)


def test_without_unseen_ends_the_median_is_the_ordinary_one():
    days = np.array([3.0, 8.0, 5.0, 21.0, 13.0, 1.0])
    assert median_duration(days, np.zeros(6, dtype=bool)).median == np.median(days)
