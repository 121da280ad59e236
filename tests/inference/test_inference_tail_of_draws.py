"""The smooth tail of draws against the exact tail of a ratio of gammas."""

import numpy as np
import pytest
from scipy import stats

from trialkit.inference.numerics.tail_of_draws import ENOUGH, share_at_or_below


def _control(shape: float, scale: float, columns: int) -> np.ndarray:
    """Draws of percent control where the ratio of means is a ratio of gammas of one shape."""
    rng = np.random.default_rng(3)
    treated, untreated = rng.gamma(shape, size=(2, 2000, columns))
    return 100.0 * (1.0 - scale * treated / untreated)


@pytest.mark.parametrize("shape", [4.0, 8.0, 20.0])
@pytest.mark.parametrize("exact", [3e-3, 3e-4, 3e-5])
def test_tail_is_that_of_a_ratio_of_gammas_or_larger(shape: float, exact: float) -> None:
    # A ratio of gammas of one shape is F with twice that many degrees of freedom.
    scale = 1.0 / stats.f.isf(exact, 2 * shape, 2 * shape)
    found = share_at_or_below(_control(shape, scale, 200), 0.0)
    middle = np.exp(np.log(found / exact).mean())
    assert 1.0 < middle < 10.0
    # One set of draws in ten still falls short, by half at a tail of 3 in 100,000.
    assert np.quantile(found / exact, 0.1) > 0.4


def test_enough_draws_are_counted() -> None:
    draws = np.arange(2000.0)
    assert share_at_or_below(draws, ENOUGH - 1.0) == (ENOUGH + 1) / 2001


def test_share_rises_with_the_value() -> None:
    draws = np.random.default_rng(1).normal(size=2000)
    shares = [float(share_at_or_below(draws, value)) for value in np.linspace(-6.0, 0.0, 60)]
    assert np.all(np.diff(shares) >= -1e-12)
    assert 1e-6 <= shares[0] < 1e-3


def test_draws_that_do_not_spread_are_counted_and_unknown_ones_stay_unknown() -> None:
    draws = np.column_stack([np.ones(2000), np.full(2000, np.nan)])
    assert share_at_or_below(draws, 0.0)[0] == 1 / 2001
    assert np.isnan(share_at_or_below(draws, 0.0)[1])
