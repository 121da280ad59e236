"""Smallest significant and smallest detectable difference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.comparisons.detectable import (
    detectable_reduction,
    minimal_detectable_difference,
)
from trialkit.inference.comparisons.power import power_beyond


@given(
    df=st.integers(1, 200),
    sed=st.floats(1e-3, 1e3),
    power=st.floats(0.2, 0.99),
    alternative=st.sampled_from(["two-sided", "greater", "less"]),
)
@settings(max_examples=60, deadline=None)
def test_detectable_difference_has_the_power_asked_for(
    df: int, sed: float, power: float, alternative: str
) -> None:
    difference = float(minimal_detectable_difference(sed, df, power=power, alternative=alternative))
    tail = 0.025 if alternative == "two-sided" else 0.05
    signed = -difference if alternative == "less" else difference
    reached = power_beyond(stats.t.isf(tail, df), signed / sed, df, alternative=alternative)
    assert float(reached) == pytest.approx(power, abs=1e-6)


def test_detectable_is_larger_than_significant_and_near_the_rule_of_thumb() -> None:
    sed, df = np.array([1.0, 2.0, 5.0]), np.array([9, 21, 60])
    lsd = stats.t.isf(0.025, df) * sed
    mdd = minimal_detectable_difference(sed, df)
    assert (mdd > lsd).all()
    rule = (stats.t.isf(0.025, df) + stats.t.isf(0.2, df)) * sed
    assert mdd == pytest.approx(rule, rel=0.02)
    # A procedure with a larger critical value needs a larger difference.
    assert (minimal_detectable_difference(sed, df, 4.5, scale="range") > mdd).all()


def test_undefined_is_nan_and_power_is_checked() -> None:
    assert np.isnan(minimal_detectable_difference(1.0, 0))
    assert np.isnan(minimal_detectable_difference(np.nan, 9))
    with pytest.raises(ValueError, match="power"):
        minimal_detectable_difference(1.0, 9, power=1.0)


def test_reduction_on_the_counted_scale() -> None:
    # log10(x + 1): from 99 down by one unit to 9.
    assert float(detectable_reduction(2.0, 1.0, "log")) == pytest.approx(100 * (1 - 9 / 99))
    assert float(detectable_reduction(40.0, 10.0, "none")) == pytest.approx(25.0)
    root = np.sqrt(100.5)
    assert float(detectable_reduction(root, 2.0, "sqrt")) == pytest.approx(
        100 - ((root - 2) ** 2 - 0.5), rel=1e-9
    )
    assert float(detectable_reduction(np.pi / 2, np.pi / 4, "arcsine")) == pytest.approx(50.0)


def test_reduction_beyond_everything_is_not_available() -> None:
    for transform in ("none", "sqrt", "log", "arcsine"):
        assert np.isnan(detectable_reduction(1.2, 5.0, transform))
    assert np.isnan(detectable_reduction(0.0, 0.0, "none"))


def test_no_gap_in_the_tail_misleads_the_search():
    """The noncentral t has holes far out; the differences must run smoothly over them."""
    critical = np.linspace(2.0, 4.5, 26)[:, None]
    df = np.array([4.0, 9.0, 18.0, 20.0, 21.0, 40.0, 60.0, 200.0])[None, :]
    found = minimal_detectable_difference(1.0, df, critical)
    assert np.isfinite(found).all()
    np.testing.assert_array_less(0.0, np.diff(found, axis=0))
    assert np.diff(found, axis=0).max() < 0.2
    assert (np.abs(found - critical) < 1.5).all()


@pytest.mark.parametrize("df", [1.0, 2.0, 10.0])
def test_huge_critical_values_go_on_where_smaller_ones_end(df: float) -> None:
    before, after = (
        float(minimal_detectable_difference(1.0, df, critical)) for critical in (999.0, 1001.0)
    )
    assert after / before == pytest.approx(1001.0 / 999.0, rel=1e-5)
    # The chi-square of the error then does all: it has to stay below the squared quotient.
    farther = float(minimal_detectable_difference(1.0, df, 1e6))
    assert stats.chi2.cdf(df * (farther / 1e6) ** 2, df) == pytest.approx(0.8)
