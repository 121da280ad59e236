"""Draws of shares k of n: what chance of items is must not go together as plots do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drawn_courses import course_draws
from trialkit.inference.design.layout import randomised_blocks

FloatArray = NDArray[np.float64]
ITEMS = 25


def beta(mean: FloatArray, correlation: float, uniform: FloatArray) -> FloatArray:
    """Shares about a mean, items of one plot correlated so."""
    size = 1.0 / correlation - 1.0
    return np.asarray(special.betaincinv(size * mean, size * (1.0 - mean), uniform))


def inside(draws: FloatArray, truth: float) -> list[bool]:
    """Whether central 95 % of draws (draws, ...) hold the truth."""
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    return list(np.ravel((low <= truth) & (truth <= high)))


def test_changes_hold_where_plots_stay_as_they_were() -> None:
    """Plots keep their level from day to day, chance of items is fresh: nothing has changed.

    With chance taken to stay as well, 41 % of these intervals held.
    """
    group, block = np.tile(np.arange(6), 4), np.repeat(np.arange(4), 6)
    layout = randomised_blocks(group, block, 6)
    rng = np.random.default_rng(4)
    held: list[bool] = []
    for trial in range(60):
        chance = beta(np.full(24, 0.3), 0.05, rng.uniform(size=24))
        values = 100.0 * rng.binomial(ITEMS, chance[:, None], (24, 2)) / ITEMS
        means = course_draws(
            layout, values, kind="percent", items=np.full((24, 2), 25.0), draws=400, seed=trial
        ).means
        ratio = means[:, :, 1] / means[:, :, 0]
        held += inside(ratio[:, 1:] / ratio[:, :1], 1.0)
    assert np.mean(held) >= 0.92


def test_a_day_is_as_wide_alone_as_it_is_beside_another() -> None:
    """Chance that is fresh on each day adds nothing to what one day varies."""
    group, block = np.tile(np.arange(3), 4), np.repeat(np.arange(4), 3)
    layout = randomised_blocks(group, block, 3)
    values = 100.0 * np.random.default_rng(2).binomial(ITEMS, 0.3, 12)[:, None] / ITEMS
    items = np.full((12, 1), 25.0)
    one = course_draws(layout, values, kind="percent", items=items, draws=20_000)
    twice = course_draws(
        layout, np.tile(values, 2), kind="percent", items=np.tile(items, 2), draws=20_000
    )
    spread = np.log(one.means[:, :, 0]).std(axis=0)
    # The same values twice are known to be no more than one day.
    np.testing.assert_allclose(np.log(twice.means[:, :, 1]).std(axis=0), spread, rtol=0.08)


def test_ratios_hold_within_main_plots_that_alone_differ() -> None:
    """Main plots differ, plots within them do by chance of items alone.

    With that chance laid to main plots, too, 69 % of these intervals held.
    """
    block, main, sub = (codes.ravel() for codes in np.indices((4, 3, 4)))
    layout = randomised_blocks(main * 4 + sub, block, 12)
    units = block * 3 + main
    rng = np.random.default_rng(4)
    held: list[bool] = []
    for trial in range(60):
        chance = beta(np.full(48, 0.4), 0.05, rng.uniform(size=12)[units])
        values = 100.0 * rng.binomial(ITEMS, chance) / ITEMS
        means = course_draws(
            layout, values, kind="percent", items=np.full(48, 25.0), units=[units],
            draws=400, seed=trial,
        ).means[:, :, 0]  # fmt: skip
        for first in (0, 4, 8):
            held += inside(means[:, first + 1 : first + 4] / means[:, [first]], 1.0)
    assert np.mean(held) >= 0.94
