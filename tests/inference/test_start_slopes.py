"""Slopes on the count at the start: exact fits, units, invariance, and what is undefined."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.laws.start_slopes import (
    NO_RANGE,
    NOTHING_LEFT,
    TOO_FEW_PLOTS,
    slope_difference,
)


def _data(seed=3, blocks=6, k=6.0):
    rng = np.random.default_rng(seed)
    block, treatment = np.divmod(np.arange(blocks * 3), 3)
    start = rng.uniform(10.0, 100.0, size=blocks * 3)
    level = start * np.array([1.0, 0.3, 0.4])[treatment]
    counts = rng.poisson(level * rng.gamma(k, 1.0 / k, size=level.size)).astype(float)
    return randomised_blocks(treatment, block, 3), counts, start


def test_a_course_without_chance_gives_back_its_slope():
    layout, _, start = _data()
    slopes = np.array([1.0, 1.2, 1.7])[layout.treatment]
    counts = 1e4 * np.exp(slopes * np.log2(start / 50.0))
    found = slope_difference(layout, counts, start, 2, 1)
    assert found.slope == pytest.approx(0.5, abs=1e-6)
    assert found.dispersion == 0.0
    assert found.df == 18 - 6 - 2 - 3


def test_against_a_quasi_newton_fit_of_the_same_model():
    import statsmodels.api as sm

    layout, counts, start = _data()
    found = slope_difference(layout, counts, start, 1, 2)
    z = np.log2(start)
    dummies = np.eye(3)[layout.treatment]
    blocks = np.eye(6)[layout.blocking[0][1]][:, 1:]
    columns = np.hstack([dummies, blocks, dummies * z[:, None]])
    family = sm.families.NegativeBinomial(alpha=found.dispersion)
    fit = sm.GLM(counts, columns, family=family).fit(scale=1.0, tol=1e-12, maxiter=200)
    contrast = np.zeros(columns.shape[1])
    contrast[-2], contrast[-1] = 1.0, -1.0
    assert found.slope == pytest.approx(float(contrast @ fit.params), abs=1e-6)
    variance = float(contrast @ fit.cov_params() @ contrast)
    assert found.se == pytest.approx(np.sqrt(variance), rel=1e-5)
    assert fit.pearson_chi2 == pytest.approx(found.df, rel=1e-6)


def test_units_of_start_and_order_change_nothing():
    layout, counts, start = _data()
    found = slope_difference(layout, counts, start, 2, 1)
    scaled = slope_difference(layout, counts, start * 7.0, 2, 1)
    samples = slope_difference(layout, counts / 10.0, start, 2, 1, unit=0.1)
    swapped = slope_difference(layout, counts, start, 1, 2)
    for other in (scaled, samples):
        assert other.slope == pytest.approx(found.slope, abs=1e-8)
        assert other.p == pytest.approx(found.p, abs=1e-8)
    assert swapped.slope == pytest.approx(-found.slope, abs=1e-8)
    low, high = found.limits(0.05)
    assert low < found.slope < high


def test_what_is_undefined_says_why():
    layout, counts, start = _data()
    none = np.where(layout.treatment == 2, 0.0, counts)
    assert slope_difference(layout, none, start, 2, 1).reason == NOTHING_LEFT
    flat = np.full(start.size, 30.0)
    assert slope_difference(layout, counts, flat, 2, 1).reason == NO_RANGE
    small = completely_randomised(np.array([0, 0, 1, 1]), 2)
    found = slope_difference(
        small, np.array([20.0, 30.0, 15.0, 12.0]), np.array([20.0, 40.0, 30.0, 10.0]), 1, 0
    )
    assert found.reason == TOO_FEW_PLOTS
    assert np.isnan(found.limits(0.05)).all()
    with pytest.raises(ValueError, match="positive"):
        slope_difference(layout, counts, np.zeros(start.size), 2, 1)
    with pytest.raises(ValueError, match="one count and one start"):
        slope_difference(layout, counts[1:], start, 2, 1)
