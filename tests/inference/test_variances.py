"""Tests of variances against scipy and against what must not matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.checks.equal_variances import levene


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
        for center in ("median", "mean"):
            test = levene(column, group, center=center)
            known = stats.levene(*parts, center=center)
            assert test.statistic[0] == pytest.approx(known.statistic, rel=1e-9)
            assert test.p[0] == pytest.approx(known.pvalue, rel=1e-8)


def test_many_responses_at_once_are_as_one_by_one() -> None:
    y, group = trial(3)
    apart = [levene(column, group).statistic[0] for column in y.T]
    assert levene(y, group).statistic == pytest.approx(apart, rel=1e-12)


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
    base = levene(y, group).statistic
    assert levene(shift + scale * y, group).statistic == pytest.approx(base, rel=1e-5)
    assert levene(y[order], group[order]).statistic == pytest.approx(base, rel=1e-9)
    assert levene(y, renamed).statistic == pytest.approx(base, rel=1e-9)
    # What one group lies above another is none of its business.
    assert levene(y + 7.0 * group[:, None], group).statistic == pytest.approx(base, rel=1e-7)


def test_levels_on_normal_values() -> None:
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(4), 15)
    y = rng.normal(size=(60, 4000))
    assert 0.02 < (levene(y, group).p < 0.05).mean() < 0.06
    assert 0.04 < (levene(y, group, center="mean").p < 0.05).mean() < 0.075


def test_group_without_variance() -> None:
    group = np.repeat(np.arange(3), 4)
    y = np.array([0, 0, 0, 0, 3, 5, 9, 2, 12, 4, 7, 1], dtype=float)
    assert 0 < levene(y, group).p[0] < 0.2


def test_no_spread_and_single_groups_are_undefined() -> None:
    flat = np.full(8, 3.3)
    assert np.isnan(levene(flat, np.repeat([0, 1], 4)).statistic).all()
    assert np.isnan(levene(np.arange(8.0), np.zeros(8, dtype=int)).statistic).all()


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
