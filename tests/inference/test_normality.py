"""Shapiro-Wilk against scipy, its invariances and its level."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.checks.normality import shapiro_wilk, shapiro_wilk_weights


@pytest.mark.parametrize("n", [3, 4, 5, 6, 7, 11, 12, 13, 24, 32, 96, 500])
def test_agrees_with_scipy_on_normal_skewed_and_wild_values(n: int) -> None:
    rng = np.random.default_rng(n)
    y = np.hstack(
        [rng.normal(size=(n, 20)), rng.exponential(size=(n, 20)), rng.standard_cauchy((n, 10))]
    )
    ours, theirs = shapiro_wilk(y), stats.shapiro(y, axis=0)
    assert ours.statistic == pytest.approx(theirs.statistic, abs=1e-8)
    assert ours.p == pytest.approx(theirs.pvalue, abs=1e-6)


@given(
    seed=st.integers(0, 10_000),
    n=st.integers(3, 60),
    shift=st.floats(-1e3, 1e3),
    scale=st.floats(1e-3, 1e3),
)
@settings(max_examples=60, deadline=None)
def test_units_offset_sign_and_order_change_nothing(
    seed: int, n: int, shift: float, scale: float
) -> None:
    rng = np.random.default_rng(seed)
    y = rng.gamma(2.0, size=n)
    base = shapiro_wilk(y)
    for other in (shift + scale * y, -y, rng.permutation(y)):
        again = shapiro_wilk(other)
        assert again.statistic == pytest.approx(base.statistic, rel=1e-6)
        assert again.p == pytest.approx(base.p, rel=1e-4, abs=1e-12)


def test_level_on_normal_values() -> None:
    y = np.random.default_rng(7).normal(size=(20, 4000))
    assert 0.04 < (shapiro_wilk(y).p < 0.05).mean() < 0.06


def test_weights_are_antisymmetric_and_of_length_one() -> None:
    for n in (3, 4, 6, 25):
        weights = shapiro_wilk_weights(n)
        assert weights == pytest.approx(-weights[::-1])
        assert weights @ weights == pytest.approx(1.0)


def test_undefined_cases_are_nan_and_never_a_number() -> None:
    assert np.isnan(shapiro_wilk([1.0, 2.0]).p).all()
    constant = shapiro_wilk(np.column_stack([np.full(9, 0.1), np.arange(9.0)]))
    assert np.isnan(constant.statistic[0])
    assert np.isnan(constant.p[0])
    assert constant.p[1] > 0.5
    assert not np.isnan(shapiro_wilk(1e6 + 0.1 * np.arange(9)).p).any()


def test_missing_values_are_refused() -> None:
    with pytest.raises(ValueError, match="complete"):
        shapiro_wilk([1.0, np.nan, 2.0])
