"""Plots of one main plot or strip err together: what the draws of a split-plot must show."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special

from drawn_courses import course_draws, draw_units
from trialkit.inference.design.layout import Layout, randomised_blocks
from trialkit.inference.laws.shared_units import shared_units

FloatArray = NDArray[np.float64]
MAINS, SUBS = 3, 4


def split(blocks: int = 4) -> tuple[Layout, NDArray[np.intp]]:
    """Treatments main by main, and the main plot of each plot."""
    main = np.tile(np.repeat(np.arange(MAINS), SUBS), blocks)
    sub = np.tile(np.arange(SUBS), MAINS * blocks)
    block = np.repeat(np.arange(blocks), MAINS * SUBS)
    layout = randomised_blocks(main * SUBS + sub, block, MAINS * SUBS)
    return layout, block * MAINS + main


def test_share_of_main_plots_is_recovered_without_bias() -> None:
    """Main plots with variance 2 beside 1 within them: two thirds of the variance is theirs."""
    layout, units = split(blocks=40)
    rng = np.random.default_rng(2)
    values = np.sqrt(2.0) * rng.standard_normal(120)[units] + rng.standard_normal(480)
    found = shared_units(layout, [units], values[:, None], np.ones(1))
    assert found is not None
    np.testing.assert_array_equal(found.levels, [np.repeat(np.arange(MAINS), SUBS)])
    assert found.df_between == [39 * (MAINS - 1)]
    assert found.df_within == pytest.approx(480 - 40 - 11 - 39 * (MAINS - 1))
    assert found.sizes == pytest.approx([SUBS])
    own, (of_units,) = draw_units(found, 4000, np.random.default_rng(1))
    assert np.median(of_units / (own + of_units)) == pytest.approx(2.0 / 3.0, abs=0.08)


def test_what_units_hide_is_exact_in_a_balanced_split_plot() -> None:
    """Residual mean squares expect s (m - 1) / (m s - 1) of the variance of main plots."""
    layout, units = split(blocks=4)
    rng = np.random.default_rng(3)
    values = 3.0 * rng.standard_normal(12)[units] + rng.standard_normal(48)
    found = shared_units(layout, [units], values[:, None], np.ones(1))
    assert found is not None
    # Where mean squares are what is expected of them, main plots have this variance ...
    of_units = (found.between[0] - found.within) / found.sizes[0]
    shown = SUBS * (MAINS - 1) / (MAINS * SUBS - 1)
    # ... and all residuals together show this of it.
    assert found.within + shown * of_units == pytest.approx(1.0)


def test_draws_are_as_wide_as_the_fewer_main_plots_make_them() -> None:
    """Sums of squares over chi-squares, where no draw has main plots vary less than plots."""
    layout, units = split(blocks=6)
    rng = np.random.default_rng(3)
    values = 5.0 * rng.standard_normal(18)[units] + rng.standard_normal(72)
    found = shared_units(layout, [units], values[:, None], np.ones(1))
    assert found is not None
    n = 100_000
    own, (of_units,) = draw_units(found, n, rng)
    # As the level of all residuals is drawn beside them.
    level = found.df_within + found.df_between[0]
    level = level / rng.chisquare(level, n)
    at = np.array([0.05, 0.5, 0.95])
    for seen, square, df in (
        (own * level, found.within, 45),
        ((own + SUBS * of_units) * level, found.between[0], 10),
    ):
        expected = square * df / special.chdtri(df, at)
        np.testing.assert_allclose(np.quantile(seen, at), expected, rtol=0.03)


def test_main_plots_that_vary_less_than_plots_leave_the_level_as_it_is() -> None:
    layout, units = split(blocks=40)
    values = np.random.default_rng(4).standard_normal(480)
    values -= 0.9 * (np.bincount(units, values) / SUBS)[units]
    found = shared_units(layout, [units], values[:, None], np.ones(1))
    assert found is not None
    own, of_units = draw_units(found, 500, np.random.default_rng(1))
    np.testing.assert_allclose(own, 1.0)
    assert not of_units.any()


def test_chance_of_individuals_is_not_laid_to_plots() -> None:
    """With half of the variance chance, all that main plots add to it is plot effects."""
    layout, units = split(blocks=60)
    rng = np.random.default_rng(6)
    values = rng.standard_normal(180)[units] + rng.standard_normal(720)
    found = shared_units(layout, [units], values[:, None], np.full(1, 0.5))
    assert found is not None
    own, (of_units,) = draw_units(found, 4000, rng)
    assert np.median(own) < 0.35 < 1.0 < np.median(of_units)


def test_units_that_hold_all_treatments_or_single_plots_say_nothing() -> None:
    layout, _ = split()
    noise = np.random.default_rng(3).standard_normal((48, 2))
    block = layout.blocking[0][1]
    assert shared_units(layout, [block], noise, np.ones(2)) is None
    assert shared_units(layout, [np.arange(48)], noise, np.ones(2)) is None


def test_constants_of_blocks_and_treatments_change_nothing() -> None:
    layout, units = split()
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((48, 2))
    moved = noise + rng.standard_normal((4, 1))[layout.blocking[0][1]]
    moved += rng.standard_normal((12, 1))[layout.treatment]
    one, two = (shared_units(layout, [units], part, np.ones(2)) for part in (noise, moved))
    assert one is not None and two is not None
    assert one.within == pytest.approx(two.within, rel=1e-9)
    assert one.between == pytest.approx(two.between, rel=1e-9)


def _trials(sims: int, use: bool) -> tuple[float, float, float]:
    """Main plots vary widely; coverage within and across main plots, mean width within."""
    layout, units = split()
    rng = np.random.default_rng(5)
    level = 50.0 * np.array([1.0, 0.4, 0.2, 1.0])[layout.treatment % SUBS]
    inside: dict[str, list[bool]] = {"within": [], "across": []}
    width = []
    for trial in range(sims):
        plots = rng.gamma(2.0, 0.5, units.max() + 1)[units] * rng.gamma(10.0, 0.1, 48)
        values = rng.poisson(level * plots).astype(float)
        kinds = (units,) if use else ()
        means = course_draws(layout, values, unit=1.0, units=kinds, draws=500, seed=trial).means
        for name, other, truth in (("within", 1, 0.4), ("across", 5, 0.4), ("across", 8, 1.0)):
            ratio = means[:, other, 0] / means[:, 0, 0]
            low, high = np.quantile(ratio, [0.025, 0.975])
            inside[name].append(bool(low <= truth <= high))
            if name == "within":
                width.append(float(np.log(high / low)))
    return float(np.mean(inside["within"])), float(np.mean(inside["across"])), float(np.mean(width))


def test_ratios_within_main_plots_are_known_better() -> None:
    within, across, width = _trials(60, use=True)
    _, plain_across, plain_width = _trials(60, use=False)
    assert within >= 0.88
    assert across >= max(0.88, plain_across)
    assert width < 0.8 * plain_width
