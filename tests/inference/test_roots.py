"""Roots of falling functions, all at once."""

import numpy as np

from trialkit.inference.numerics.roots import falling_roots


def test_roots_are_found_each_in_its_own_gap():
    power, level = np.array([1.0, 2.0, 3.0, 9.0]), np.array([0.3, 0.5, 5.0, 1e-6])

    def value(place: np.ndarray) -> np.ndarray:
        return level - place**power

    low, high = np.zeros(4), np.full(4, 4.0)
    found = falling_roots(value, low, high, value(low), value(high))
    np.testing.assert_allclose(found, level ** (1 / power), rtol=1e-9)


def test_gaps_may_run_downwards_and_missing_values_lie_beyond():
    def value(place: np.ndarray) -> np.ndarray:
        return np.where(place < -1.0, np.nan, np.array([0.0, 2.0]) + place)

    low, high = np.array([3.0, 3.0]), np.array([-3.0, -3.0])
    found = falling_roots(value, low, high, value(low), value(high))
    np.testing.assert_allclose(found, [0.0, -1.0], atol=1e-8)


def test_functions_that_do_not_fall_through_zero_stay_in_their_gaps():
    places = []

    def value(place: np.ndarray) -> np.ndarray:
        places.append(place)
        return np.array([10.0, -10.0, 1.0]) - np.array([0.1, 0.1, 4.0]) * place

    low, high = np.zeros(3), np.ones(3)
    found = falling_roots(value, low, high, value(low), value(high))
    assert np.all((np.array(places) >= 0.0) & (np.array(places) <= 1.0))
    assert found[2] == 0.25
