"""The Box-Cox profile: recovery, coverage, invariances, edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.checks.box_cox import box_cox
from trialkit.inference.checks.residual_space import basis


def space(t: int, b: int) -> np.ndarray:
    return basis(t * b, [np.repeat(np.arange(b), t), np.tile(np.arange(t), b)])


def test_agrees_with_scipy_on_a_single_sample() -> None:
    y = np.random.default_rng(1).gamma(3.0, size=40)
    found = box_cox(y, basis(40), weight="plots")
    assert found.power[0] == pytest.approx(stats.boxcox_normmax(y, method="mle"), abs=1e-5)
    _, _, (low, high) = stats.boxcox(y, alpha=0.05)
    assert (found.lower[0], found.upper[0]) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize("true", [0.0, 0.5])
def test_limits_by_error_degrees_of_freedom_cover_and_those_by_plots_do_not(true: float) -> None:
    rng = np.random.default_rng(2)
    t, b = 6, 4
    mean = 3 + 0.5 * rng.normal(size=t)[None, :] + 0.3 * rng.normal(size=b)[:, None]
    x = mean.ravel()[:, None] + 0.3 * rng.normal(size=(t * b, 600))
    y = np.exp(x) if true == 0 else (1 + 0.5 * x) ** 2

    def covered(weight: str) -> float:
        found = box_cox(y, space(t, b), weight=weight, between=(-4, 5))
        inside = ~(found.lower > true) & ~(found.upper < true)
        return float(inside.mean())

    assert 0.93 < covered("error") < 0.985
    assert covered("plots") < 0.93


@given(seed=st.integers(0, 10_000), scale=st.floats(1e-3, 1e3))
@settings(max_examples=25, deadline=None)
def test_units_and_order_change_nothing(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    y = np.exp(rng.normal(size=16))
    base = box_cox(y, space(4, 4))
    assert box_cox(scale * y, space(4, 4)).power == pytest.approx(base.power, abs=1e-5, nan_ok=True)
    order = rng.permutation(16)
    mixed = box_cox(y[order], space(4, 4)[order])
    assert mixed.power == pytest.approx(base.power, abs=1e-5, nan_ok=True)
    assert mixed.lower == pytest.approx(base.lower, abs=1e-5, nan_ok=True)


def test_responses_together_are_as_one_by_one() -> None:
    y = np.exp(np.random.default_rng(4).normal(size=(20, 6)))
    together = box_cox(y, space(5, 4))
    apart = [box_cox(column, space(5, 4)).upper[0] for column in y.T]
    assert together.upper == pytest.approx(apart, abs=1e-7, nan_ok=True)
    assert (together.gain >= 0).all()


def test_named_power_is_the_nearest_inside_the_limits() -> None:
    x = np.random.default_rng(5).normal(2, 0.5, size=(60, 40))
    found = box_cox(np.exp(x), basis(60))
    named = np.array([-1, -0.5, 0, 0.5, 1])
    for power, lower, upper, name in zip(
        found.power, found.lower, found.upper, found.named, strict=True
    ):
        inside = named[(named >= lower) & (named <= upper)]
        assert name == inside[np.argmin(np.abs(inside - power))]
    assert (found.named == 0).mean() > 0.5


def test_undefined_is_nan() -> None:
    rng = np.random.default_rng(6)
    zeros = rng.poisson(1.0, (16, 1)).astype(float)
    zeros[0] = 0
    assert np.isnan(box_cox(zeros, space(4, 4)).power).all()
    assert np.isfinite(box_cox(zeros, space(4, 4), shift=1.0, between=(-9, 9)).power).all()
    assert np.isnan(box_cox(np.full(16, 2.0), space(4, 4)).power).all()
    assert np.isnan(
        box_cox(rng.gamma(3, size=4), space(2, 2)[:, :3], between=(-0.001, 0.001)).lower
    )
    with pytest.raises(ValueError, match="one row for each"):
        box_cox([1.0, np.nan], basis(2))
    with pytest.raises(ValueError, match="empty"):
        box_cox([1.0, 2.0], basis(2), between=(1, 1))


def test_power_at_an_end_of_the_range_is_no_estimate() -> None:
    x = np.random.default_rng(7).normal(2, 0.3, size=(80, 1))
    found = box_cox(np.exp(x), basis(80), between=(1.0, 3.0))
    assert np.isnan(found.power).all()
    wide = box_cox(np.exp(x), basis(80), between=(-0.05, 3.0))
    assert np.isnan(wide.lower).all() or wide.lower[0] > -0.05


def test_responses_with_one_power_are_one_wide_model() -> None:
    rng = np.random.default_rng(8)
    first, second = rng.gamma(4.0, size=20), rng.gamma(4.0, size=20)
    kept = np.ones(20, dtype=bool)
    kept[[3, 11]] = False
    one = space(5, 4)
    few = basis(18, [codes[kept] for codes in (np.repeat(np.arange(4), 5), np.tile(range(5), 4))])
    wide = np.zeros((38, one.shape[1] + few.shape[1]))
    wide[:20, : one.shape[1]], wide[20:, one.shape[1] :] = one, few
    alone = box_cox(np.concatenate([first, second[kept]]), wide)
    found = box_cox(
        np.column_stack([first, first, np.where(kept, second, np.nan)]),
        [one, one, few],
        together=np.array([1, 0, 1]),
    )
    own = box_cox(first, one)
    for name in ("power", "lower", "upper", "gain"):
        expected = [getattr(own, name)[0], getattr(alone, name)[0]]
        np.testing.assert_allclose(getattr(found, name), expected, rtol=1e-9)
