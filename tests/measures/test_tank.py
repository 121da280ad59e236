"""From nozzle to tank: laws of the arithmetic, and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import tank
from trialkit.measures.sprayer import mix_for_treatment

amount = st.floats(0.01, 1e3)


@given(flow=amount, pressure=amount, new=amount)
def test_flow_goes_with_the_root_of_the_pressure(flow: float, pressure: float, new: float) -> None:
    changed = flow * (new / pressure) ** 0.5
    assert tank.pressure_for_flow(flow, pressure, changed) == pytest.approx(new)


@given(carrier=amount, area=amount, dead=st.floats(0, 100), rate=amount)
def test_the_mixture_has_the_strength_of_the_rate(
    carrier: float, area: float, dead: float, rate: float
) -> None:
    litres, square_metres = tank.tank_mix(carrier, area, dead_volume_l=dead)
    assert litres == pytest.approx(carrier * area / 1e4 + dead)
    assert rate * square_metres / litres == pytest.approx(rate * 1e4 / carrier)
    # All that goes through the nozzles puts out the rate.
    assert tank.rate_put_out(rate, litres, dead, litres - dead) == pytest.approx(rate)


def test_dead_volume_is_an_overage() -> None:
    # The worked example of the handbooks: 200 L/ha, four plots of 30 m2, 25 % over.
    litres, square_metres = tank.tank_mix(200, 120, dead_volume_l=0.6)
    mix = mix_for_treatment(200, 1.5, 30, 4, overage_percent=25)
    assert (litres, square_metres) == pytest.approx((mix.mix_l, mix.area_m2))


@given(exact=st.floats(0.01, 1e4), step=st.sampled_from([0.001, 0.01, 0.1, 0.25, 1.0, 5.0]))
def test_what_is_measured_is_within_half_a_step(exact: float, step: float) -> None:
    taken, error = tank.measured(exact, step)
    assert abs(taken - exact) <= step / 2 * (1 + 1e-9)
    assert taken / step == pytest.approx(round(taken / step), abs=1e-6)
    assert error == pytest.approx(100 * (taken - exact) / exact)


@given(caught=st.lists(st.floats(100, 200), min_size=1, max_size=9), factor=amount)
def test_uneven_nozzles_do_not_depend_on_the_unit(caught: list[float], factor: float) -> None:
    one, other = tank.catch_test(caught), tank.catch_test([x * factor for x in caught])
    assert one.deviation_percent == pytest.approx(other.deviation_percent, abs=1e-6)


def test_half_the_flow_takes_a_quarter_of_the_pressure() -> None:
    assert tank.pressure_for_flow(1.0, 40, 0.5) == pytest.approx(10)


@pytest.mark.parametrize(
    "call",
    [
        lambda: tank.catch_test([]),
        lambda: tank.catch_test([0, 0, 1]),
        lambda: tank.measured(0, 1),
        lambda: tank.rate_put_out(1, 1, 2, 1),
        lambda: tank.tank_mix(0, 1),
        lambda: tank.pass_seconds(1, 0),
        lambda: tank.pressure_for_flow(1, 0, 1),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"above|needs|more was left"):
        call()
