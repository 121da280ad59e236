"""The shared dispersion: what it learns of level, trend and scatter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drawn_courses import sample
from trialkit.inference.design.layout import completely_randomised
from trialkit.inference.laws.count_evidence import COUNT_PRIOR, count_evidence
from trialkit.inference.laws.dispersion_posterior import SCATTER_WEIGHTS, Prior, weigh

FloatArray = NDArray[np.float64]


def simulated(k: FloatArray, means: FloatArray, plots: int, seed: int) -> FloatArray:
    rng = np.random.default_rng(seed)
    shape = np.repeat(k, plots)
    return rng.poisson(np.repeat(means, plots) * rng.gamma(shape, 1.0 / shape)).astype(np.float64)


def test_recovers_a_common_level() -> None:
    means = np.full(8, 50.0)
    layout = completely_randomised(np.repeat(np.arange(8), 8), 8)
    levels = []
    for seed in range(20):
        counts = simulated(np.full(8, 2.0), means, 8, seed)
        evidence = count_evidence(layout, counts[:, None])
        found = weigh(evidence.log_likelihood, evidence.offset, evidence.floors, COUNT_PRIOR)
        np.testing.assert_allclose(found.weights.sum(), 1.0)
        levels.append(found.level)
        assert 15.0 < found.df < 140.0
    assert abs(np.mean(levels) - 0.5) < 0.07


def test_sees_a_trend_with_the_mean() -> None:
    # Variance 6 times the mean: k rises with the mean, the dispersion falls as its reciprocal.
    means = np.array([3.0, 10.0, 30.0, 100.0, 300.0, 1000.0])
    layout = completely_randomised(np.repeat(np.arange(6), 10), 6)
    evidence = count_evidence(layout, simulated(means / 5.0, means, 10, 1)[:, None])
    found = weigh(evidence.log_likelihood, evidence.offset, evidence.floors, COUNT_PRIOR)
    trend = found.weights.sum(axis=(1, 2))
    assert trend[0] > 0.9
    drawn = sample(found, 2000, np.random.default_rng(1))
    middle = np.median(np.log(drawn[:, 0]), axis=1)
    # A mean of 3 individuals says little of the dispersion.
    assert np.abs(middle - np.log(5.0 / means))[1:].max() < 0.9


def test_sees_groups_that_differ() -> None:
    layout = completely_randomised(np.repeat(np.arange(6), 20), 6)
    k = np.array([0.4, 0.4, 0.4, 8.0, 8.0, 8.0])
    evidence = count_evidence(layout, simulated(k, np.full(6, 80.0), 20, 2)[:, None])
    found = weigh(evidence.log_likelihood, evidence.offset, evidence.floors, COUNT_PRIOR)
    assert found.differing > 0.95
    drawn = np.median(sample(found, 2000, np.random.default_rng(1))[:, 0], axis=1)
    assert np.abs(np.log(drawn * k)).max() < 0.8


def test_says_nothing_without_data() -> None:
    flat = np.zeros((COUNT_PRIOR.grid.size, 4, 2))
    found = weigh(flat, np.zeros((4, 2)), np.full(3, np.log(0.05)), COUNT_PRIOR)
    np.testing.assert_allclose(found.weights.sum(axis=(0, 2)), SCATTER_WEIGHTS)
    np.testing.assert_allclose(found.weights.sum(axis=(1, 2)), COUNT_PRIOR.slope_weights)
    drawn = sample(found, 500, np.random.default_rng(3))
    assert drawn.shape == (4, 2, 500)
    assert drawn.max() <= 30.0 * 1.4


def test_tempering_widens() -> None:
    layout = completely_randomised(np.repeat(np.arange(6), 8), 6)
    evidence = count_evidence(layout, simulated(np.full(6, 2.0), np.full(6, 50.0), 8, 4)[:, None])
    parts = (evidence.log_likelihood, evidence.offset, evidence.floors, COUNT_PRIOR)
    assert weigh(*parts, temper=0.25).df < 0.6 * weigh(*parts).df


def test_kernels_are_weights() -> None:
    prior = Prior(
        grid=np.linspace(-3.0, 1.0, 9),
        slopes=np.zeros(1),
        slope_weights=np.ones(1),
        most=5.0,
    )
    np.testing.assert_allclose(prior.kernels.sum(axis=2), 1.0)
    np.testing.assert_array_equal(prior.kernels[0], np.eye(9))
