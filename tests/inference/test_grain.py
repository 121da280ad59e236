"""The unit in which values that are no counts vary most like counts."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.grain import grain
from trialkit.inference.layouts import randomised_blocks

TREATMENT = np.tile(np.arange(8), 6)
LAYOUT = randomised_blocks(TREATMENT, np.repeat(np.arange(6), 8), 8)
LEVELS = np.array([1.0, 0.8, 0.6, 0.4, 0.3, 0.2, 0.1, 0.05])[TREATMENT][:, None]


def test_counts_have_units_of_one() -> None:
    rng = np.random.default_rng(1)
    found = [grain(LAYOUT, rng.poisson(30.0 * LEVELS, (48, 4)), step=1.0) for _ in range(20)]
    assert np.median(found) == pytest.approx(1.0, rel=0.3)


def test_severities_of_a_beta_distribution() -> None:
    """Severities in percent, strength 49: variance near ``100 / 50 * mean``."""
    rng = np.random.default_rng(2)
    mean = 0.2 * LEVELS * np.ones((1, 4))
    found = [
        grain(LAYOUT, 100.0 * rng.beta(49 * mean, 49 * (1 - mean)), step=0.5) for _ in range(20)
    ]
    assert np.median(found) == pytest.approx(2.0, rel=0.35)


def test_values_of_one_coefficient_of_variation_have_a_fine_unit() -> None:
    rng = np.random.default_rng(3)
    values = 30.0 * LEVELS * rng.gamma(10.0, 0.1, (48, 4))
    assert grain(LAYOUT, values, step=1.0) <= 0.2


def test_scale_missing_values_and_nothing_at_all() -> None:
    rng = np.random.default_rng(4)
    values = rng.poisson(30.0 * LEVELS, (48, 2)).astype(float)
    values[3, 1] = np.nan
    one = grain(LAYOUT, values, step=1.0)
    assert grain(LAYOUT, values / 7.0, step=1.0 / 7.0) == pytest.approx(one / 7.0)
    assert grain(LAYOUT, np.zeros((48, 2)), step=0.5) == 0.5
