"""Money: returns, break-even points, and what is undefined."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import money

NAN = np.nan
positive = st.floats(0.01, 1e4)


def test_returns_by_hand() -> None:
    # 5.2 t/ha at 200 a tonne is 1040; less 65 is 975.
    assert money.gross_return(5.2, 200).value == 1040
    np.testing.assert_array_equal(money.net_return([5.2, 4.0], 200, [65, 0]).value, [975, 800])
    # 1.2 t/ha over the untreated: 240, less 65; 0.2 t/ha does not pay.
    np.testing.assert_allclose(money.net_gain([1.2, 0.2, -0.5], 200, 65).value, [175, -25, -165])


@given(gain=positive, price=positive, cost=positive)
def test_break_even_points_leave_nothing(gain: float, price: float, cost: float) -> None:
    at_price = float(money.break_even_price(gain, cost).value)
    assert money.net_gain(gain, at_price, cost).value == pytest.approx(0, abs=1e-9 * cost)
    at_cost = money.break_even_cost(gain, price).value
    assert money.net_gain(gain, price, at_cost).value == pytest.approx(0, abs=1e-9)


@given(treated=positive, untreated=positive, price=positive, cost=positive)
def test_net_gain_is_the_difference_of_net_returns(
    treated: float, untreated: float, price: float, cost: float
) -> None:
    apart = (
        money.net_return(treated, price, cost).value - money.gross_return(untreated, price).value
    )
    assert money.net_gain(treated - untreated, price, cost).value == pytest.approx(
        apart, rel=1e-6, abs=1e-4
    )


def test_no_price_pays_for_no_gain() -> None:
    result = money.break_even_price([0.5, 0.0, -0.5, NAN, 0.5], [65, 65, 65, 65, NAN])
    np.testing.assert_array_equal(result.value, [130, *[NAN] * 4])
    assert result.reason.tolist() == [
        "",
        money.NO_GAIN,
        money.NO_GAIN,
        money.NO_YIELD,
        money.NO_COST,
    ]
    assert money.break_even_cost(-0.5, 200).value == -100


def test_missing_yields_and_costs_are_said() -> None:
    result = money.net_return([NAN, 5], 200, [10, None])
    assert result.reason.tolist() == [money.NO_YIELD, money.NO_COST]


@pytest.mark.parametrize("price", [0, -5, NAN, np.inf])
def test_without_a_price_nothing_is_worked_out(price: float) -> None:
    for call in (
        lambda: money.gross_return(5, price),
        lambda: money.net_return(5, price, 10),
        lambda: money.net_gain(5, price, 10),
        lambda: money.break_even_cost(5, price),
    ):
        with pytest.raises(ValueError, match="price must be above zero"):
            call()


@given(gain=st.floats(), cost=st.floats())
def test_never_infinite_and_always_a_reason(gain: float, cost: float) -> None:
    for result in (
        money.break_even_price(gain, cost),
        money.net_return(gain, 3.0, cost),
    ):
        assert not np.isinf(result.value)
        assert np.isnan(result.value) == (result.reason.item() != "")
