"""Power: agreement with simulation and scipy, growth, edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.comparisons.power import (
    Alternative,
    f_test_power,
    power_beyond,
    t_test_power,
)
from trialkit.inference.comparisons.power_plans import design_power, error_df
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.normal.linear import fit_layout


def test_f_power_is_what_trials_do() -> None:
    rng = np.random.default_rng(1)
    t, b, means = 4, 4, np.array([0.0, 0.0, 0.0, 20.0])
    layout = randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)
    blocks = np.repeat(30 * rng.normal(size=(b, 6000)), t, axis=0)
    y = means[layout.treatment][:, None] + blocks + 12 * rng.normal(size=(t * b, 6000))
    (fit,) = fit_layout(layout, y)
    found = float((fit.treatment.p < 0.05).mean())
    assert found == pytest.approx(design_power(means, 12, b), abs=0.02)


@pytest.mark.parametrize("df", [1, 2, 6, 9, 21, 60, 500])
@pytest.mark.parametrize("alternative", list(Alternative))
def test_t_power_agrees_with_scipy(df: int, alternative: Alternative) -> None:
    shift = np.array([-6.0, -1.5, 0.0, 0.5, 2.36, 4.0])
    tail = 0.025 if alternative is Alternative.TWO_SIDED else 0.05
    critical = stats.t.isf(tail, df)
    upper, lower = stats.nct.sf(critical, df, shift), stats.nct.cdf(-critical, df, shift)
    known = {
        Alternative.TWO_SIDED: upper + lower,
        Alternative.GREATER: upper,
        Alternative.LESS: lower,
    }[alternative]
    found = t_test_power(shift, df, alternative=alternative)
    assert found == pytest.approx(known, abs=1e-8)
    assert found[2] == pytest.approx(0.05, abs=1e-9)


@given(
    df1=st.integers(1, 20),
    df2=st.integers(1, 100),
    shift=st.floats(0, 50),
    alpha=st.floats(0.001, 0.2),
)
@settings(max_examples=80, deadline=None)
def test_power_lies_between_level_and_one_and_grows(
    df1: int, df2: int, shift: float, alpha: float
) -> None:
    powers = f_test_power(df1, df2, np.array([0.0, shift, shift + 1]), alpha)
    assert powers[0] == pytest.approx(alpha)
    assert alpha - 1e-8 <= powers[1] <= powers[2] + 1e-8 <= 1 + 1e-8


def test_extreme_differences_give_numbers() -> None:
    found = power_beyond(2.2, [0.0, 10.0, 60.0, -60.0], [1, 30, 1000, 5])
    assert not np.isnan(found).any()
    assert found[1:] == pytest.approx([1, 1, 1], abs=1e-6)


def test_undefined_is_nan() -> None:
    assert np.isnan(f_test_power(0, 5, 1.0))
    assert np.isnan(f_test_power(3, 0, 1.0))
    assert np.isnan(t_test_power(1.0, 0))
    assert np.isnan(power_beyond(np.nan, 1.0, 5))


def test_error_degrees_of_freedom() -> None:
    assert error_df("crd", 5, 4) == 15
    assert error_df("rcbd", 5, 4) == 12
    assert error_df("latin", 5, 5) == 12
    with pytest.raises(ValueError, match="Latin"):
        error_df("latin", 5, 4)
    with pytest.raises(ValueError, match="two"):
        error_df("rcbd", 5, 1)
