"""Joint draws of group means: shapes, symmetries, groups of zeros, and coverage."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trialkit.inference.joint_draws import joint_draws
from trialkit.inference.layouts import (
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)

FloatArray = NDArray[np.float64]


def blocks_of(treatments: int = 5, blocks: int = 4) -> Layout:
    return randomised_blocks(
        np.tile(np.arange(treatments), blocks), np.repeat(np.arange(blocks), treatments), treatments
    )


def counts_of(
    layout: Layout, levels: FloatArray, k: float, days: int, rng: np.random.Generator
) -> FloatArray:
    """Negative binomial counts with block effects, (n, days)."""
    place = np.exp(rng.normal(0.0, 0.3, 12))[layout.blocking[0][1]]
    mean = (levels[layout.treatment] * place)[:, None] * rng.gamma(
        k, 1.0 / k, (layout.n_plots, days)
    )
    return rng.poisson(mean).astype(np.float64)


LEVELS = np.array([20.0, 20.0, 10.0, 4.0, 1.0])


@pytest.fixture
def counts() -> FloatArray:
    return counts_of(blocks_of(), LEVELS, 2.0, 3, np.random.default_rng(3))


def test_shapes_and_seed(counts: FloatArray) -> None:
    layout = blocks_of()
    found = joint_draws(layout, counts, draws=300, seed=4)
    assert found.means.shape == (300, 5, 3)
    assert np.isfinite(found.means).all()
    assert (found.means > 0).all()
    np.testing.assert_allclose(np.diagonal(found.correlation), 1.0)
    np.testing.assert_allclose(found.correlation, found.correlation.T)
    assert found.df > 0
    assert found.dispersion >= 0
    again = joint_draws(layout, counts, draws=300, seed=4)
    np.testing.assert_array_equal(found.means, again.means)
    other = joint_draws(layout, counts, draws=300, seed=5)
    assert not np.array_equal(found.means, other.means)


def test_draws_lie_about_the_arithmetic_means(counts: FloatArray) -> None:
    layout = blocks_of()
    found = joint_draws(layout, counts, draws=4000)
    plain = np.array([counts[layout.treatment == g].mean(axis=0) for g in range(5)])
    middle = np.median(found.means, axis=0)
    # The half individual lifts small means a little.
    np.testing.assert_allclose(middle, plain + 0.5 / 4, rtol=0.08)


def test_order_of_plots_changes_nothing(counts: FloatArray) -> None:
    layout = blocks_of()
    order = np.random.default_rng(8).permutation(layout.n_plots)
    turned = randomised_blocks(layout.treatment[order], layout.blocking[0][1][order], 5)
    one = joint_draws(layout, counts, draws=200)
    two = joint_draws(turned, counts[order], draws=200)
    np.testing.assert_allclose(one.means, two.means, rtol=1e-6)


def test_means_of_samples_scale(counts: FloatArray) -> None:
    layout = blocks_of()
    whole = joint_draws(layout, counts, draws=200)
    tenth = joint_draws(layout, counts / 10.0, unit=0.1, draws=200)
    np.testing.assert_allclose(tenth.means, whole.means / 10.0, rtol=1e-9)


@pytest.mark.parametrize("blocks", [4, 6])
def test_zeros_have_the_exact_one_sided_limit(blocks: int) -> None:
    """Poisson, n plots without any: the exact upper 95 % limit is -ln(0.05) / n, near 3 / n."""
    layout = blocks_of(3, blocks)
    rng = np.random.default_rng(1)
    levels = np.array([30.0, 30.0, 0.0])
    values = rng.poisson(levels[layout.treatment]).astype(float)[:, None]
    found = joint_draws(layout, values, draws=20_000)
    assert found.dispersion < 0.05
    assert (found.means[:, 2] > 0).all()
    upper = np.quantile(found.means[:, 2, 0], 0.95)
    assert upper == pytest.approx(-np.log(0.05) / blocks, rel=0.08)


def test_nothing_anywhere_stays_finite() -> None:
    layout = blocks_of(3, 4)
    found = joint_draws(layout, np.zeros((12, 2)), draws=500)
    assert np.isfinite(found.means).all()
    assert (found.means > 0).all()


def test_missing_plots_and_missing_days(counts: FloatArray) -> None:
    layout = blocks_of()
    gaps = counts.copy()
    gaps[0, 1] = np.nan
    gaps[layout.treatment == 3, 2] = np.nan
    found = joint_draws(layout, gaps, draws=500)
    lost = np.zeros((5, 3), dtype=bool)
    lost[3, 2] = True
    assert np.isnan(found.means[:, lost]).all()
    assert np.isfinite(found.means[:, ~lost]).all()


def test_missing_plot_does_not_bring_its_rich_block_down() -> None:
    """Blocks of level 1, 1, 1 and 9; the treatment that lacks the rich one stands by the others."""
    layout = blocks_of(4, 4)
    rich = np.array([1.0, 1.0, 1.0, 9.0])[layout.blocking[0][1]]
    values = (200.0 * rich)[:, None]
    values[(layout.treatment == 2) & (rich > 1), 0] = np.nan
    found = joint_draws(layout, values, draws=2000)
    middle = np.median(found.means[:, :, 0], axis=0)
    assert middle[2] == pytest.approx(middle[0], rel=0.03)


@pytest.mark.parametrize("days", [1, 4])
def test_other_layouts(days: int) -> None:
    rng = np.random.default_rng(5)
    row, column = np.divmod(np.arange(25), 5)
    treatment = (row + column) % 5
    for layout in (
        completely_randomised(treatment, 5),
        latin_square(treatment, row, column, 5),
    ):
        values = rng.poisson(LEVELS[treatment][:, None], (25, days)).astype(float)
        found = joint_draws(layout, values, draws=400)
        assert found.means.shape == (400, 5, days)
        assert np.isfinite(found.means).all()


@pytest.mark.parametrize("k", [0.1, 1.0, 1e6])
@pytest.mark.parametrize("mean", [0.3, 1e5])
def test_never_infinite(k: float, mean: float) -> None:
    layout = blocks_of()
    rng = np.random.default_rng(2)
    for _ in range(5):
        values = counts_of(layout, LEVELS / 20.0 * mean, k, 2, rng)
        found = joint_draws(layout, values, draws=400)
        assert np.isfinite(found.means).all()
        assert (found.means > 0).all()
        assert 0 <= found.dispersion <= 30
        assert np.isfinite(found.df)


def test_plots_that_stay_high_make_days_go_together() -> None:
    layout = blocks_of(6, 5)
    rng = np.random.default_rng(4)
    lasting = rng.gamma(2.0, 0.5, (layout.n_plots, 1))
    together = rng.poisson(50.0 * lasting * np.ones((1, 4))).astype(float)
    apart = rng.poisson(50.0 * rng.gamma(2.0, 0.5, (layout.n_plots, 4))).astype(float)
    off = ~np.eye(4, dtype=bool)
    assert joint_draws(layout, together).correlation[off].mean() > 0.8
    assert abs(joint_draws(layout, apart).correlation[off].mean()) < 0.3


@pytest.mark.parametrize(("mean", "k"), [(20.0, 1.0), (100.0, 3.0), (5.0, 2.0)])
def test_ratios_are_covered_as_often_as_said(mean: float, k: float) -> None:
    """200 trials of a known truth; the benchmark of control intervals measures it finely."""
    layout = blocks_of()
    rng = np.random.default_rng(17)
    truth = LEVELS[1:] / LEVELS[0]
    inside = []
    for trial in range(200):
        values = counts_of(layout, LEVELS / 20.0 * mean, k, 2, rng)
        drawn = joint_draws(layout, values, draws=600, seed=trial).means
        low, high = np.quantile(drawn[:, 1:] / drawn[:, :1], [0.025, 0.975], axis=0)
        inside.append((low <= truth[:, None]) & (truth[:, None] <= high))
    assert 0.90 <= np.mean(inside) <= 0.99
