"""Draws of courses: symmetries, zeros, gaps, percentages, and coverage of known truths."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special

from drawn_courses import course_draws
from trialkit.inference.design.layout import (
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.known_course import course_law, positive_laws, unit_of

FloatArray = NDArray[np.float64]
LEFT = np.array([1.0, 1.0, 0.5, 0.2, 0.05])


def blocks_of(treatments: int = 5, blocks: int = 4) -> Layout:
    treatment = np.tile(np.arange(treatments), blocks)
    return randomised_blocks(treatment, np.repeat(np.arange(blocks), treatments), treatments)


def counts_of(
    layout: Layout, mean: float, k: float, days: int, rng: np.random.Generator
) -> FloatArray:
    place = np.exp(0.3 * rng.standard_normal(12))[layout.blocking[0][1]]
    level = mean * LEFT[layout.treatment] * place
    factor = rng.gamma(k, 1.0 / k, (layout.n_plots, days))
    return rng.poisson(level[:, None] * factor).astype(np.float64)


@pytest.fixture
def counts() -> FloatArray:
    return counts_of(blocks_of(), 20.0, 2.0, 3, np.random.default_rng(3))


def test_shapes_and_seed(counts: FloatArray) -> None:
    layout = blocks_of()
    found = course_draws(layout, counts, draws=300, seed=4)
    assert found.means.shape == (300, 5, 3)
    assert (found.means > 0.0).all()
    np.testing.assert_allclose(np.diagonal(found.correlation), 1.0)
    again = course_draws(layout, counts, draws=300, seed=4)
    np.testing.assert_array_equal(found.means, again.means)
    assert not np.array_equal(found.means, course_draws(layout, counts, draws=300, seed=5).means)
    one = course_draws(layout, counts[:, 0], draws=300)
    assert one.means.shape == (300, 5, 1)


def test_centre_is_the_arithmetic_mean(counts: FloatArray) -> None:
    layout = blocks_of()
    found = course_draws(layout, counts, draws=8000)
    plain = np.array([counts[layout.treatment == g].mean(axis=0) for g in range(5)])
    np.testing.assert_allclose(found.estimate, plain)
    below = (found.means < plain).mean(axis=0)
    assert (np.abs(below - 0.5) < 0.2).all()


def test_order_of_plots_and_names_of_blocks_change_nothing(counts: FloatArray) -> None:
    layout = blocks_of()
    order = np.random.default_rng(8).permutation(layout.n_plots)
    turned = randomised_blocks(layout.treatment[order], 7 - layout.blocking[0][1][order], 5)
    one = course_draws(layout, counts, draws=200)
    two = course_draws(turned, counts[order], draws=200)
    np.testing.assert_allclose(one.means, two.means, rtol=1e-5)


def test_means_of_samples_and_scale(counts: FloatArray) -> None:
    layout = blocks_of()
    whole = course_draws(layout, counts, draws=200)
    tenth = course_draws(layout, counts / 10.0, draws=200)
    assert unit_of(counts / 10.0, "count") == 0.1
    np.testing.assert_allclose(tenth.means, whole.means / 10.0, rtol=1e-9)
    area = course_draws(layout, (counts + 1.0) * 3.3, kind="positive", draws=200)
    again = course_draws(layout, (counts + 1.0) * 33.0, kind="positive", draws=200)
    np.testing.assert_allclose(again.means, 10.0 * area.means, rtol=1e-9)


def test_measurements_fitted_at_once_are_told_as_each_alone(counts: FloatArray) -> None:
    values = np.column_stack([counts * 3.3, (counts[:, 0] + 1.0) * 12.0, counts[:, 1]])
    values[[2, 11], 1] = values[7, 3] = np.nan
    layout = blocks_of()
    main_plots = layout.blocking[0][1] * 2 + layout.treatment // 3
    asked = Quotient(days=np.zeros(1, dtype=np.intp), base=0)
    shares = (0.025, 0.5, 0.975)
    for units in ((), (main_plots,)):
        found = positive_laws(layout, values, units=units)
        for column, one in zip(values.T, found, strict=True):
            alone = course_law(layout, column, kind="positive", units=units)
            np.testing.assert_allclose(
                one.ratio(asked).quantiles(shares), alone.ratio(asked).quantiles(shares), rtol=1e-4
            )
            np.testing.assert_allclose(one.evidence.estimate, alone.evidence.estimate, rtol=1e-6)


def test_the_unit_of_means_written_with_two_decimals() -> None:
    values = np.array([0.0, 0.33, 0.67, 1.0, 2.33])
    assert unit_of(values, "count") == pytest.approx(1.0 / 3.0)
    assert unit_of(np.array([0.1234, 0.77777, 1.9191919]), "count") == pytest.approx(1.234e-4)
    assert unit_of(np.array([0.0, 3.5, 7.1]), "positive") == 3.5
    assert unit_of(np.array([np.nan, 0.0]), "count") == 1.0


def test_zeros_in_unblocked_poisson_counts_have_the_exact_limit() -> None:
    # Eight plots of none: the exact one-sided 95 % limit is -log(0.05) / 8.
    layout = completely_randomised(np.repeat(np.arange(6), 8), 6)
    rng = np.random.default_rng(2)
    values = rng.binomial(40, 0.5, layout.n_plots).astype(np.float64)
    values[layout.treatment == 5] = 0.0
    found = course_draws(layout, values, draws=20_000)
    upper = float(np.quantile(found.means[:, 5, 0], 0.95))
    exact = -np.log(0.05) / 8.0
    # A group of zeros says nothing of its dispersion, and there may be some.
    assert exact < upper < 1.6 * exact


def test_groups_blocks_and_days_of_zeros(counts: FloatArray) -> None:
    layout = blocks_of()
    gaps = counts.copy()
    gaps[layout.treatment == 3] = 0.0
    gaps[layout.blocking[0][1] == 2, 1] = 0.0
    gaps[:, 2] = 0.0
    found = course_draws(layout, gaps, draws=400)
    assert np.isfinite(found.means).all()
    assert (found.estimate[3] == 0.0).all()
    assert np.quantile(found.means[:, 3, 0], 0.975) < 20.0
    nothing = course_draws(layout, np.zeros_like(counts), draws=100)
    assert np.isfinite(nothing.means).all()


def test_missing_plots(counts: FloatArray) -> None:
    layout = blocks_of()
    gaps = counts.copy()
    gaps[layout.treatment == 4, 1] = np.nan
    found = course_draws(layout, gaps)
    assert np.isnan(found.means[:, 4, 1]).all()
    assert np.isnan(found.estimate[4, 1])
    assert np.isfinite(found.means[:, :4]).all()
    assert course_draws(layout, np.full_like(counts, np.nan), draws=10).means.shape[0] == 10


def test_means_are_adjusted_for_the_blocks_that_a_group_lacks() -> None:
    # Products of a treatment and a block: what is missing can be told exactly.
    layout = blocks_of()
    block = layout.blocking[0][1]
    whole = np.array([40.0, 20.0, 10.0, 8.0, 4.0])[layout.treatment] * (1.0 + block)
    gaps = whole.copy()
    gaps[(layout.treatment == 1) & (block == 3)] = np.nan
    found, complete = course_draws(layout, gaps), course_draws(layout, whole)
    np.testing.assert_allclose(found.estimate, complete.estimate, rtol=1e-6)
    assert np.nanmean(gaps[layout.treatment == 1]) == 40.0
    assert found.estimate[1, 0] == pytest.approx(50.0)
    rng = np.random.default_rng(9)
    noisy = rng.poisson(whole * rng.gamma(3.0, 1.0 / 3.0, whole.size)).astype(np.float64)
    holes = np.where(np.isnan(gaps), np.nan, noisy)
    spread = [np.std(np.log(course_draws(layout, v).means[:, 1, 0])) for v in (holes, noisy)]
    assert spread[0] > spread[1]


def test_latin_square() -> None:
    row, column = np.divmod(np.arange(25), 5)
    layout = latin_square((row + column) % 5, row, column, 5)
    rng = np.random.default_rng(5)
    values = rng.poisson(12.0, 25).astype(np.float64)
    values[7] = np.nan
    assert np.isfinite(course_draws(layout, values, draws=200).means).all()


def test_days_that_go_together_are_drawn_together() -> None:
    layout = blocks_of(6, 6)
    rng = np.random.default_rng(11)
    factor = rng.gamma(1.0, 1.0, (layout.n_plots, 1))
    same = rng.poisson(60.0 * factor * np.ones((1, 3))).astype(np.float64)
    apart = rng.poisson(60.0 * rng.gamma(1.0, 1.0, (layout.n_plots, 3))).astype(np.float64)
    off = ~np.eye(3, dtype=bool)
    assert course_draws(layout, same).correlation[off].mean() > 0.8
    assert abs(course_draws(layout, apart).correlation[off].mean()) < 0.35
    logs = np.log(course_draws(layout, same).means[:, 2])
    assert np.corrcoef(logs.T)[off].mean() > 0.6


def test_percentages_stay_below_the_whole() -> None:
    layout = blocks_of()
    rng = np.random.default_rng(6)
    chance = 0.9 * LEFT[layout.treatment][:, None] * np.ones((1, 2))
    values = 100.0 * rng.beta(chance * 9.0, (1.0 - chance) * 9.0)
    values[layout.treatment == 4] = 0.0
    found = course_draws(layout, values, kind="percent", draws=1000)
    assert (found.means < 100.0).all()
    assert (found.means > 0.0).all()
    many = np.full(values.shape, 200.0)
    few = np.full(values.shape, 10.0)
    hits = np.round(values / 10.0) * 10.0
    spread = [
        np.std(np.log(course_draws(layout, hits, kind="percent", items=n).means[:, 3, 0]))
        for n in (many, few)
    ]
    assert spread[1] > 0.8 * spread[0]
    full = course_draws(layout, np.full_like(values, 100.0), kind="percent", draws=50)
    assert np.isfinite(full.means).all()


def test_wrong_input() -> None:
    layout = blocks_of()
    with pytest.raises(ValueError, match="one row"):
        course_draws(layout, np.ones(3))
    with pytest.raises(ValueError, match="not negative"):
        course_draws(layout, np.full(20, -1.0))
    with pytest.raises(ValueError, match="0 and 100"):
        course_draws(layout, np.full(20, 101.0), kind="percent")
    with pytest.raises(ValueError, match="unit"):
        course_draws(layout, np.ones(20), unit=0.0)


def coverage(kind: str, size: int) -> tuple[float, float]:
    """Share of intervals of ratios to the first group that hold the truth; rejections of 1."""
    layout = blocks_of()
    rng = np.random.default_rng(22)
    asked = Quotient(days=np.zeros(1, dtype=np.intp), base=0)
    inside, rejected = [], []
    for _ in range(size):
        if kind == "percent":
            odds = 0.6 * LEFT[layout.treatment]
            chance = special.expit(
                special.logit(odds) + 0.3 * rng.standard_normal(4)[layout.blocking[0][1]]
            )
            values = np.round(100.0 * rng.beta(chance * 15.0, (1.0 - chance) * 15.0))
            truth = np.array([chance[layout.treatment == g].mean() for g in range(5)])
            law = course_law(layout, values, kind="percent")
        else:
            values = counts_of(layout, 30.0, 1.5, 1, rng)
            truth = LEFT
            law = course_law(layout, values)
        estimate = law.evidence.estimate[:, 0]
        if estimate[0] == 0.0:
            continue
        low, high = law.ratio(asked).quantiles((0.025, 0.975))[:, 1:, 0]
        low = np.minimum(low, estimate[1:] / estimate[0])
        goal = truth[1:] / truth[0]
        inside.append((low <= goal) & (goal <= high))
        rejected.append((low[0] > 1.0) | (high[0] < 1.0))
    return float(np.mean(inside)), float(np.mean(rejected))


@pytest.mark.parametrize("kind", ["count", "percent"])
def test_intervals_cover(kind: str) -> None:
    covered, rejected = coverage(kind, 150)
    # 600 intervals, dependent in fours: a standard error of about 1.3 points.
    assert 0.91 < covered < 0.99
    assert rejected < 0.11
