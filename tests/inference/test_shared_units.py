"""Plots of one main plot or strip err together: what the draws of a split-plot must show."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trialkit.inference.course_draws import course_draws
from trialkit.inference.layouts import Layout, randomised_blocks
from trialkit.inference.shared_units import shared_units

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
    (found,) = shared_units(layout, [units], values[:, None], np.ones(1))
    np.testing.assert_array_equal(found.level, np.repeat(np.arange(MAINS), SUBS))
    assert found.df_between == 39 * (MAINS - 1)
    assert found.df_within == pytest.approx(480 - 40 - 11 - 39 * (MAINS - 1))
    assert found.size == pytest.approx(SUBS)
    share = found.draw_share(4000, np.random.default_rng(1))
    assert np.median(share) == pytest.approx(2.0 / 3.0, abs=0.08)


def test_inflation_is_exact_in_a_balanced_split_plot() -> None:
    """Residual mean squares expect s (m - 1) / (m s - 1) of the variance of main plots."""
    layout, units = split()
    noise = np.random.default_rng(3).standard_normal((48, 1))
    (found,) = shared_units(layout, [units], noise, np.ones(1))
    assert found.shown == pytest.approx(SUBS * (MAINS - 1) / (MAINS * SUBS - 1))
    assert found.inflation(np.zeros(1))[0] == 1.0
    assert found.inflation(np.ones(1))[0] == pytest.approx(1.0 / found.shown)


def test_units_that_hold_all_treatments_or_single_plots_say_nothing() -> None:
    layout, _ = split()
    noise = np.random.default_rng(3).standard_normal((48, 2))
    block = layout.blocking[0][1]
    assert shared_units(layout, [block], noise, np.ones(2)) == ()
    assert shared_units(layout, [np.arange(48)], noise, np.ones(2)) == ()


def test_constants_of_blocks_and_treatments_change_nothing() -> None:
    layout, units = split()
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((48, 2))
    moved = noise + rng.standard_normal((4, 1))[layout.blocking[0][1]]
    moved += rng.standard_normal((12, 1))[layout.treatment]
    (one,), (two,) = (shared_units(layout, [units], part, np.ones(2)) for part in (noise, moved))
    assert one.ratio == pytest.approx(two.ratio, rel=1e-9)


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
