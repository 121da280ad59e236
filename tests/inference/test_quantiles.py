"""Quantiles of draws are those of numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from trialkit.inference.numerics.quantiles import quantiles_of_draws

SHARES = [0.0, 0.025, 0.05, 0.5, 0.6, 0.975, 1.0]


@given(
    hnp.arrays(
        float,
        hnp.array_shapes(min_dims=1, max_dims=3, max_side=12),
        elements=st.one_of(st.floats(-1e6, 1e6), st.sampled_from([np.nan, 0.0, 1.0])),
    )
)
def test_agree_with_numpy(draws: np.ndarray) -> None:
    found = quantiles_of_draws(draws, SHARES)
    assert np.allclose(found, np.quantile(draws, SHARES, axis=0), rtol=1e-14, equal_nan=True)
    exact = quantiles_of_draws(draws, SHARES, method="inverted_cdf")
    expected = np.quantile(draws, SHARES, axis=0, method="inverted_cdf")
    assert np.array_equal(exact, expected, equal_nan=True)


@given(
    hnp.arrays(float, (9, 2, 2), elements=st.floats(-10.0, 10.0)),
    st.lists(st.floats(0.0, 1.0), max_size=5),
)
def test_the_order_of_shares_and_of_axes_in_memory_makes_no_difference(
    draws: np.ndarray, shares: list[float]
) -> None:
    expected = [np.quantile(draws, share, axis=0) for share in shares]
    together = np.moveaxis(np.ascontiguousarray(np.moveaxis(draws, 0, -1)), -1, 0)
    for given_draws in (draws, together):
        found = quantiles_of_draws(given_draws, shares)
        assert found.shape == (len(shares), 2, 2)
        assert np.allclose(found, np.reshape(expected, found.shape), rtol=1e-13, atol=1e-13)
    assert np.array_equal(together, draws)


@pytest.mark.parametrize("n", [100, 999, 2000])
def test_the_sizes_in_use_give_the_same_numbers(n: int) -> None:
    draws = np.random.default_rng(n).normal(size=(n, 3, 2))
    before = draws.copy()
    assert np.array_equal(
        quantiles_of_draws(draws, [0.025, 0.975]), np.quantile(draws, [0.025, 0.975], axis=0)
    )
    assert np.array_equal(draws, before)


def test_infinite_draws_and_bad_shares() -> None:
    draws = np.array([[1.0], [np.inf], [2.0], [np.inf]])
    found = quantiles_of_draws(draws, [0.5, 0.9], method="inverted_cdf")
    assert found.tolist() == [[2.0], [np.inf]]
    for bad, shares in ((draws[:0], [0.5]), (draws, [1.5])):
        with pytest.raises(ValueError, match="shares"):
            quantiles_of_draws(bad, shares)
