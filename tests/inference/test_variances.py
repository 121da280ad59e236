"""Tests of variances and Taylor's law against scipy and against what must not matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.checks.equal_variances import (
    bartlett,
    fligner_killeen,
    levene,
    taylor_power_law,
)


def trial(seed: int, sizes: tuple[int, ...] = (5, 7, 3, 9)) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(len(sizes)), sizes)
    spread = np.array([1.0, 2.0, 4.0, 1.5])[: len(sizes)]
    return 10 + rng.normal(size=(group.size, 5)) * spread[group][:, None], group


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_scipy(seed: int) -> None:
    y, group = trial(seed)
    for column in y.T:
        parts = [column[group == code] for code in range(4)]
        ours = bartlett(column, group)
        theirs = stats.bartlett(*parts)
        assert ours.statistic[0] == pytest.approx(theirs.statistic, rel=1e-10)
        assert ours.p[0] == pytest.approx(theirs.pvalue, rel=1e-8)
        for center in ("median", "mean"):
            test = levene(column, group, center=center)
            known = stats.levene(*parts, center=center)
            assert test.statistic[0] == pytest.approx(known.statistic, rel=1e-9)
            assert test.p[0] == pytest.approx(known.pvalue, rel=1e-8)
        killeen, known = fligner_killeen(column, group), stats.fligner(*parts)
        assert killeen.statistic[0] == pytest.approx(known.statistic, rel=1e-9)
        assert killeen.p[0] == pytest.approx(known.pvalue, rel=1e-8)


def test_many_responses_at_once_are_as_one_by_one() -> None:
    y, group = trial(3)
    for test in (bartlett, levene, fligner_killeen):
        together = test(y, group).statistic
        apart = [test(column, group).statistic[0] for column in y.T]
        assert together == pytest.approx(apart, rel=1e-12)


@given(
    seed=st.integers(0, 10_000),
    shift=st.floats(-1e4, 1e4),
    scale=st.floats(1e-3, 1e3),
)
@settings(max_examples=60, deadline=None)
def test_units_offset_order_and_names_change_nothing(seed: int, shift: float, scale: float) -> None:
    y, group = trial(seed)
    order = np.random.default_rng(seed).permutation(group.size)
    renamed = np.array([3, 0, 2, 1])[group]
    for test in (bartlett, levene, fligner_killeen):
        base = test(y, group).statistic
        assert test(shift + scale * y, group).statistic == pytest.approx(base, rel=1e-5)
        assert test(y[order], group[order]).statistic == pytest.approx(base, rel=1e-9)
        assert test(y, renamed).statistic == pytest.approx(base, rel=1e-9)
        # What one group lies above another is none of its business.
        assert test(y + 7.0 * group[:, None], group).statistic == pytest.approx(base, rel=1e-7)


def test_levels_on_normal_values() -> None:
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(4), 15)
    y = rng.normal(size=(60, 4000))
    assert 0.04 < (bartlett(y, group).p < 0.05).mean() < 0.06
    assert 0.02 < (levene(y, group).p < 0.05).mean() < 0.06
    assert 0.04 < (levene(y, group, center="mean").p < 0.05).mean() < 0.075
    assert 0.02 < (fligner_killeen(y, group).p < 0.05).mean() < 0.06


def test_group_without_variance() -> None:
    group = np.repeat(np.arange(3), 4)
    y = np.array([0, 0, 0, 0, 3, 5, 9, 2, 12, 4, 7, 1], dtype=float)
    # Bartlett's statistic would be infinite; the others make sense.
    assert np.isnan(bartlett(y, group).p).all()
    assert 0 < levene(y, group).p[0] < 0.2
    assert 0 < fligner_killeen(y, group).p[0] < 0.2


def test_no_spread_and_single_groups_are_undefined() -> None:
    flat = np.full(8, 3.3)
    for test in (bartlett, levene, fligner_killeen):
        assert np.isnan(test(flat, np.repeat([0, 1], 4)).statistic).all()
        assert np.isnan(test(np.arange(8.0), np.zeros(8, dtype=int)).statistic).all()


def test_fligner_ties_what_is_equal_but_for_rounding() -> None:
    # In a group of even size the two middle values lie equally far from the median.
    y = np.array([1.0, 2, 3, 4, 2, 5, 7, 9])
    group = np.repeat([0, 1], 4)
    exact = fligner_killeen(y, group).statistic[0]
    assert fligner_killeen(y * 0.1 + 0.3, group).statistic[0] == pytest.approx(exact, rel=1e-12)
    parts = [y[group == 0], y[group == 1]]
    assert exact == pytest.approx(stats.fligner(*parts).statistic)


def test_groups_of_one_are_left_out() -> None:
    y, group = trial(1)
    more = np.vstack([y, np.full((1, 5), 99.0)])
    with_single = levene(more, np.append(group, 4))
    assert with_single.statistic == pytest.approx(levene(y, group).statistic)
    assert with_single.n_groups == 4


def test_missing_values_and_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="complete"):
        levene([1.0, np.nan, 2.0], [0, 0, 1])
    with pytest.raises(ValueError, match="group code"):
        levene([1.0, 2.0], [0])


def test_taylor_slope_is_that_of_a_line_through_the_logs() -> None:
    rng = np.random.default_rng(5)
    cell = np.repeat(np.arange(12), 5)
    y = rng.negative_binomial(2, 2 / (2 + np.geomspace(2, 80, 12)[cell])).astype(float)
    law = taylor_power_law(y, cell)
    mean = np.array([y[cell == c].mean() for c in range(12)])
    variance = np.array([y[cell == c].var(ddof=1) for c in range(12)])
    line = stats.linregress(np.log10(mean), np.log10(variance))
    assert law.slope == pytest.approx(line.slope)
    assert law.slope_se == pytest.approx(line.stderr)
    assert law.r2 == pytest.approx(line.rvalue**2)
    assert law.suggested_power == pytest.approx(1 - line.slope / 2)
    assert law.lower < law.slope < law.upper


def test_taylor_law_of_poisson_and_of_proportional_spread() -> None:
    rng = np.random.default_rng(8)
    cell = np.repeat(np.arange(40), 50)
    mean = np.geomspace(2, 200, 40)[cell]
    assert taylor_power_law(rng.poisson(mean), cell).slope == pytest.approx(1.0, abs=0.06)
    wild = mean * rng.gamma(4.0, 0.25, mean.size)
    assert taylor_power_law(wild, cell).slope == pytest.approx(2.0, abs=0.06)


def test_taylor_leaves_out_what_cannot_serve_and_says_so() -> None:
    y = np.array([0, 0, 0, 5, 5, 5, 1, 2, 3, 4, 8, 9, np.nan, 7])
    cell = np.array([0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3, 3, 4])
    law = taylor_power_law(y, cell)
    assert (law.n_cells, law.n_left_out) == (2, 3)
    assert law.used.tolist() == [False, False, True, True, False]
    assert law.n.tolist() == [3, 3, 3, 3, 1]
    # Two cells make a line but no error.
    assert np.isfinite(law.slope)
    assert np.isnan(law.slope_se)
    assert np.isnan(law.lower)
    nothing = taylor_power_law(np.zeros(6), np.repeat([0, 1], 3))
    assert np.isnan(nothing.slope)
    assert np.isnan(taylor_power_law(np.array([]), np.array([], dtype=int)).slope)
