"""Sprayer: the formulas turned round, and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import sprayer
from trialkit.measures.units import convert

amount = st.floats(0.01, 1e3)


@given(flow=amount, speed=amount, width=amount)
def test_flow_is_volume_turned_round(flow: float, speed: float, width: float) -> None:
    volume = sprayer.volume_gal_per_acre(flow, speed, width)
    assert sprayer.flow_gpm(volume, speed, width) == pytest.approx(flow)
    volume = sprayer.volume_l_per_ha(flow, speed, width)
    assert sprayer.flow_l_per_min(volume, speed, width) == pytest.approx(flow)


@given(flow=amount, speed=amount, width=amount)
def test_both_systems_of_units_agree(flow: float, speed: float, width: float) -> None:
    metric = sprayer.volume_l_per_ha(
        float(convert(flow, "gal/min", "L/min")),
        float(convert(speed, "mi/h", "km/h")),
        float(convert(width, "in", "m")),
    )
    us = sprayer.volume_gal_per_acre(flow, speed, width)
    assert float(convert(us, "gal/acre", "L/ha")) == pytest.approx(metric, rel=1e-12)


@given(feet=amount, seconds=amount)
def test_speed_in_both_units(feet: float, seconds: float) -> None:
    metric = sprayer.speed_km_h(float(convert(feet, "ft", "m")), seconds)
    assert float(convert(sprayer.speed_mph(feet, seconds), "mi/h", "km/h")) == pytest.approx(metric)


@given(rate=st.floats(0, 50), area=amount, plots=st.integers(1, 50))
def test_mix_without_overage_is_the_plots_together(rate: float, area: float, plots: int) -> None:
    mix = sprayer.mix_for_treatment(200, rate, area, plots)
    assert mix.product == pytest.approx(plots * sprayer.product_per_plot(rate, area))
    assert mix.product / 1000 / mix.mix_l == pytest.approx(rate / 200)


@given(active=amount, percent=st.floats(0.1, 100))
def test_product_for_active_holds_the_active(active: float, percent: float) -> None:
    assert sprayer.product_for_active(active, percent) * percent / 100 == pytest.approx(active)


def test_product_per_plot_in_both_units() -> None:
    litres = float(convert(12, "fl oz/acre", "L/ha"))
    area = float(convert(200.1, "ft2", "m2"))
    assert sprayer.product_per_plot(litres, area) == pytest.approx(
        sprayer.product_per_plot_us(12, 200.1), rel=1e-12
    )


@pytest.mark.parametrize(
    ("function", "arguments", "what"),
    [
        (sprayer.volume_gal_per_acre, (0.4, 0, 20), "speed"),
        (sprayer.volume_gal_per_acre, (-0.4, 5, 20), "flow"),
        (sprayer.volume_l_per_ha, (1.5, 8, 0), "width"),
        (sprayer.flow_gpm, (-1, 5, 20), "volume"),
        (sprayer.flow_l_per_min, (200, float("nan"), 0.5), "speed"),
        (sprayer.speed_mph, (200, 0), "time"),
        (sprayer.speed_km_h, (-1, 5), "distance"),
        (sprayer.catch_course_ft, (0,), "spacing"),
        (sprayer.product_per_plot, (1, 0), "plot area"),
        (sprayer.product_per_plot_us, (-1, 5), "rate"),
        (sprayer.mix_for_treatment, (200, 1, 30, 0), "number of plots"),
        (sprayer.mix_for_treatment, (0, 1, 30, 4), "spray volume"),
        (sprayer.active_per_ha, (-1, 200), "rate"),
        (sprayer.active_lb_per_acre, (1, -1), "content"),
        (sprayer.product_for_active, (100, 0), "content"),
        (sprayer.product_for_active, (100, 101), "content"),
        (sprayer.adjuvant_ml, (101, 3), "share"),
        (sprayer.adjuvant_ml, (float("inf"), 3), "share"),
    ],
)
def test_out_of_range(function, arguments, what: str) -> None:
    with pytest.raises(ValueError, match=f"the {what} must"):
        function(*arguments)
