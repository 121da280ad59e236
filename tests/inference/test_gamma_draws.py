"""Gammas from normals against the exact quantiles of a general library."""

import numpy as np
import pytest
from scipy import special

from gamma_of_normal import gamma_of_normal

NORMALS = np.linspace(-4.0, 4.0, 1601)


def exact(shape: np.ndarray, normal: np.ndarray) -> np.ndarray:
    low = special.gammaincinv(shape, special.ndtr(np.minimum(normal, 0.0)))
    high = special.gammainccinv(shape, special.ndtr(-np.maximum(normal, 0.0)))
    return np.where(normal < 0.0, low, high)


@pytest.mark.parametrize(
    ("least", "most", "bound"),
    [(0.02, 0.0999, 1e-9), (0.1, 0.3, 0.055), (0.3, 1.0, 0.018), (1.0, 7.999, 0.006)],
)
def test_small_shapes_are_near_the_exact_quantiles(least: float, most: float, bound: float) -> None:
    shape = np.geomspace(least, most, 211)[:, None]
    off = np.abs(np.log(gamma_of_normal(shape, NORMALS) / exact(shape, NORMALS)))
    assert off.max() < bound


def test_large_shapes_are_near_the_exact_quantiles() -> None:
    shape = np.geomspace(8.0, 1e5, 101)[:, None]
    off = np.abs(gamma_of_normal(shape, NORMALS) / exact(shape, NORMALS) - 1.0)
    assert off[:, np.abs(NORMALS - 0.5) <= 2.5].max() < 0.0035
    assert off[:, np.abs(NORMALS) <= 3.0].max() < 0.021


def test_rises_with_the_normal_variable_also_where_the_ways_meet() -> None:
    for shape in (0.05, 0.1, 0.5, 7.999, 8.0, 50.0):
        assert np.all(np.diff(gamma_of_normal(np.array([shape]), NORMALS)) > 0.0)
    across = gamma_of_normal(np.array([[7.9999], [8.0]]), NORMALS[400:1401])
    assert np.abs(across[1] / across[0] - 1.0).max() < 0.004


def test_shapes_and_normals_broadcast_and_stay_as_they_are() -> None:
    shape = np.array([[0.5], [3.0], [30.0]])
    normal = np.random.default_rng(1).standard_normal((3, 50))
    kept = shape.copy(), normal.copy()
    found = gamma_of_normal(shape, normal)
    whole = gamma_of_normal(np.broadcast_to(shape, normal.shape), normal)
    np.testing.assert_array_equal(found, whole)
    np.testing.assert_array_equal(shape, kept[0])
    np.testing.assert_array_equal(normal, kept[1])


def test_extremes_stay_positive_and_finite() -> None:
    found = gamma_of_normal(np.array([[1e-3], [0.2], [1.0], [8.0], [1e9]]), np.array([-40.0, 40.0]))
    assert np.all(found > 0.0) and np.all(np.isfinite(found))


def test_moments_of_a_large_sample() -> None:
    normal = np.random.default_rng(2).standard_normal(200_000)
    for shape in (0.3, 1.0, 4.0, 12.0):
        drawn = gamma_of_normal(np.array([shape]), normal)
        assert drawn.mean() == pytest.approx(shape, abs=4.0 * np.sqrt(shape / normal.size))
        assert drawn.var() == pytest.approx(shape, rel=0.05)
