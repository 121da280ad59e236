"""Sprayer: the formulas turned round, and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import sprayer

amount = st.floats(0.01, 1e3)


@given(flow=amount, speed=amount, width=amount)
def test_flow_is_volume_turned_round(flow: float, speed: float, width: float) -> None:
    volume = sprayer.volume_l_per_ha(flow, speed, width)
    assert sprayer.flow_l_per_min(volume, speed, width) == pytest.approx(flow)


@given(rate=st.floats(0, 50), area=amount, plots=st.integers(1, 50))
def test_mix_without_overage_is_the_plots_together(rate: float, area: float, plots: int) -> None:
    mix = sprayer.mix_for_treatment(200, rate, area, plots)
    assert mix.product == pytest.approx(plots * rate * area * 1000 / 10_000)
    assert mix.product / 1000 / mix.mix_l == pytest.approx(rate / 200)


@pytest.mark.parametrize(
    ("function", "arguments", "what"),
    [
        (sprayer.volume_l_per_ha, (1.5, 8, 0), "width"),
        (sprayer.flow_l_per_min, (-1, 5, 20), "volume"),
        (sprayer.flow_l_per_min, (200, float("nan"), 0.5), "speed"),
        (sprayer.mix_for_treatment, (200, 1, 30, 0), "number of plots"),
        (sprayer.mix_for_treatment, (0, 1, 30, 4), "spray volume"),
        (sprayer.mix_for_treatment, (200, float("inf"), 30, 4), "rate"),
    ],
)
def test_out_of_range(function, arguments, what: str) -> None:
    with pytest.raises(ValueError, match=f"the {what} must"):
        function(*arguments)
