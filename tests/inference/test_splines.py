"""Cubic splines through a few nodes, against a general-purpose library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from trialkit.inference.numerics.splines import spline_weights


@given(st.integers(4, 12), st.integers(0, 2**32 - 1))
def test_agrees_with_a_library(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    nodes = np.cumsum(rng.uniform(0.2, 2.0, n))
    values = rng.normal(size=(n, 3))
    places = rng.uniform(nodes[0] - 0.5, nodes[-1] + 0.5, 40)
    expected = CubicSpline(nodes, values)(places)
    found = spline_weights(nodes, places) @ values
    assert np.allclose(found, expected, rtol=1e-8, atol=1e-8 * np.abs(expected).max())


def test_a_cubic_comes_back_whole_and_nodes_are_met() -> None:
    nodes = np.array([0.0, 0.3, 1.0, 1.1, 2.0])
    places = np.linspace(-1.0, 3.0, 17)
    weights = spline_weights(nodes, places)
    assert np.allclose(weights @ (nodes**3 - 2.0 * nodes), places**3 - 2.0 * places)
    assert np.allclose(spline_weights(nodes, nodes), np.eye(5))


@pytest.mark.parametrize("nodes", [[0.0, 1.0, 2.0], [0.0, 2.0, 1.0, 3.0]])
def test_bad_nodes_are_refused(nodes: list[float]) -> None:
    with pytest.raises(ValueError, match="nodes"):
        spline_weights(np.array(nodes), np.zeros(1))
