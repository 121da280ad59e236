"""Comparisons with a control that has a variance of its own, and families held together."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.comparisons.against_control import against_control
from trialkit.inference.comparisons.distributions import dunnett_sf
from trialkit.inference.comparisons.hold_together import shared_levels
from trialkit.inference.design.layout import completely_randomised, randomised_blocks


def blocks(treatments: int, number: int):
    treatment = np.tile(np.arange(treatments), number)
    return randomised_blocks(treatment, np.repeat(np.arange(number), treatments), treatments)


def test_two_treatments_in_blocks_are_the_paired_t_test():
    rng = np.random.default_rng(1)
    layout = blocks(2, 6)
    y = rng.normal(size=12) + np.repeat(rng.normal(size=6), 2)
    found = against_control(layout, y, 0)
    expected = stats.ttest_rel(y[1::2], y[::2])
    assert found.p_adjusted[1] == pytest.approx(expected.pvalue, rel=1e-6)
    assert found.df[1] == pytest.approx(5)
    assert np.isnan(found.p_adjusted[0])


def test_two_groups_without_blocks_are_welch():
    rng = np.random.default_rng(2)
    treatment = np.repeat([0, 1], [5, 9])
    y = np.where(treatment == 0, 3.0, 1.0) * rng.normal(size=14) + treatment
    layout = completely_randomised(treatment, 2)
    expected = stats.ttest_ind(y[treatment == 1], y[treatment == 0], equal_var=False)
    found = against_control(layout, y, 0)
    assert found.p_adjusted[1] == pytest.approx(expected.pvalue, rel=1e-6)
    assert found.df[1] == pytest.approx(expected.df)


def test_variance_in_blocks_is_that_of_the_control_less_the_block_mean():
    rng = np.random.default_rng(3)
    y = rng.normal(size=(4, 6)) * np.array([4.0, 1, 1, 1, 1, 1]) + rng.normal(size=(4, 1))
    found = against_control(blocks(6, 4), y.ravel(), 0)
    apart = y[:, 0] - y[:, 1:].mean(axis=1)
    others = y[:, 1:] - y[:, 1:].mean(axis=1, keepdims=True)
    others = others - others.mean(axis=0)
    rest = (others**2).sum() / (4 * 3)
    variance = (apart.var(ddof=1) + rest * 4 / 5) / 4
    assert found.se[1:] == pytest.approx(np.sqrt(variance))
    assert found.difference[1:] == pytest.approx(y[:, 1:].mean(axis=0) - y[:, 0].mean())


@pytest.mark.parametrize("df", [2.0, 5.0, 9.5, 40.0])
def test_the_smallest_p_is_that_of_dunnett_at_the_same_correlation(df):
    from trialkit.inference.comparisons.against_control import _step_down

    for t, correlation in ((1.0, 0.3), (2.7, 0.5), (4.5, 0.9)):
        among = np.full((7, 7), correlation)
        np.fill_diagonal(among, 1.0)
        expected = float(dunnett_sf(t, np.full(7, np.sqrt(correlation)), df))
        found = _step_down(np.full(7, t), among, np.full(7, df))
        assert found == pytest.approx(np.full(7, expected), rel=1e-4)


def test_plots_without_any_spread_do_not_lend_it_to_the_others():
    rng = np.random.default_rng(4)
    y = rng.normal(size=(4, 8))
    lone = against_control(blocks(2, 4), y[:, :2].ravel(), 0)
    y[:, 2:] = -7.0
    found = against_control(blocks(8, 4), y.ravel(), 0)
    assert found.se[1] == pytest.approx(lone.se[1])
    assert (found.p_adjusted[2:] < 0.05).all()


@given(seed=st.integers(0, 10_000), shift=st.floats(-50, 50), scale=st.floats(0.1, 50))
def test_a_constant_added_and_another_unit_change_no_p(seed, shift, scale):
    rng = np.random.default_rng(seed)
    layout = blocks(5, 3)
    y, before, days = rng.normal(size=15), rng.normal(size=15), rng.normal(size=(15, 3))
    plain = against_control(layout, y, 0, covariate=before, days=days)
    moved = against_control(
        layout, shift + scale * y, 0, covariate=before + shift, days=scale * days
    )
    assert moved.p_adjusted[1:] == pytest.approx(plain.p_adjusted[1:], rel=1e-5)
    assert moved.difference[1:] == pytest.approx(scale * plain.difference[1:], rel=1e-5, abs=1e-6)


def test_nothing_to_compare_gives_no_p():
    layout = blocks(3, 2)
    assert np.isnan(against_control(layout, np.full(6, np.nan), 0).p_adjusted).all()
    assert np.isnan(against_control(layout, np.array([1.0, *[np.nan] * 5]), 0).p_adjusted).all()


def test_a_family_rejected_whole_passes_its_share_on():
    first, second = np.array([0.001, 0.02]), np.array([0.03, np.nan])
    assert shared_levels([3.0, 1.0], [first, second], 0.05) == pytest.approx([0.0375, 0.05])
    first[1] = 0.04
    assert shared_levels([3.0, 1.0], [first, second], 0.05) == pytest.approx([0.0375, 0.0125])


@given(
    p=st.lists(st.lists(st.floats(0, 1), min_size=1, max_size=4), min_size=1, max_size=5),
    alpha=st.floats(0.001, 0.2),
)
def test_levels_left_open_never_sum_to_more_than_the_whole(p, alpha):
    families = [np.array(item) for item in p]
    levels = shared_levels([1.0 + i for i in range(len(p))], families, alpha)
    still = [level for level, own in zip(levels, families, strict=True) if own.max() > level]
    assert sum(still) <= alpha * (1 + 1e-9)
    shares = [alpha * (1.0 + i) / sum(range(1, len(p) + 1)) for i in range(len(p))]
    assert all(level >= own * (1 - 1e-9) for level, own in zip(levels, shares, strict=True))
