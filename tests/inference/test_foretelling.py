"""Slope of later on earlier counts between plots of one treatment."""

from __future__ import annotations

import numpy as np
import pytest

from drawn_courses import course_draws
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.laws.foretelling import start_slope


def slope_of(values, treatments=6, blocks=4):
    treatment = np.tile(np.arange(treatments), blocks)
    layout = randomised_blocks(treatment, np.repeat(np.arange(blocks), treatments), treatments)
    drawn = course_draws(layout, values, unit=1.0, draws=10)
    return start_slope(drawn.deviations, drawn.precision, 0, drawn.plot_df / values.shape[1])


def counts(own, seed=1, days=5, plots=24):
    rng = np.random.default_rng(seed)
    level = np.exp(rng.normal(0.0, own, (plots, 1)))
    fresh = rng.gamma(8.0, 1.0 / 8.0, (plots, days))
    return rng.poisson(100.0 * level * fresh).astype(float)


def test_plots_without_a_level_of_their_own_have_no_slope():
    slopes = [slope_of(counts(0.0, seed)) for seed in range(30)]
    assert abs(np.mean([found.slope for found in slopes])) < 0.1
    spread = np.std([found.slope for found in slopes])
    assert np.mean([found.se for found in slopes]) == pytest.approx(spread, rel=0.4)


def test_plots_that_keep_their_level_have_a_slope_near_one():
    found = slope_of(counts(1.5))
    assert 0.6 < found.slope < 1.1


@pytest.mark.parametrize("day", [1, 3])
def test_neither_effects_nor_blocks_move_it(day):
    """Treatments and blocks multiply counts: what is left of plots stays the same."""
    values = counts(0.6) + 5.0
    changed = values.copy()
    changed[:, day] *= np.tile(np.array([1.0, 3.0, 2.0, 5.0, 1.0, 4.0]), 4)
    changed[:, 0] *= np.repeat(np.array([1.0, 2.0, 3.0, 1.0]), 6)
    assert slope_of(changed).slope == pytest.approx(slope_of(values).slope, abs=0.05)


def test_nothing_is_told_from_too_little():
    assert slope_of(counts(0.5, plots=6), treatments=3, blocks=2) is None
    none = counts(0.5)
    none[:, 0] = 0.0
    assert slope_of(none) is None
    assert slope_of(none[:, :1]) is None
