"""Yield: what is missing is said, moisture and units behave."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import yields
from trialkit.measures.yields import (
    BUSHELS,
    YIELD_UNITS,
    convert_yield,
    harvested_yield,
)

NAN = np.nan


def test_each_plot_without_a_yield_says_why() -> None:
    result = harvested_yield(
        [5, NAN, 5, 5, 5, 5, -1, 5],
        [10, 10, NAN, 0, 10, 10, 10, 10],
        [14, 14, 14, 14, NAN, 101, 14, 100],
        standard_percent=14,
    )
    np.testing.assert_array_equal(result.value, [5000, *[NAN] * 6, 0])
    assert result.reason.tolist() == [
        "",
        yields.NOT_WEIGHED,
        yields.NO_AREA,
        yields.AREA_ZERO,
        yields.NO_MOISTURE,
        yields.NOT_A_MOISTURE,
        yields.BELOW_ZERO,
        "",
    ]


def test_moisture_is_needed_only_where_a_standard_is_asked_for() -> None:
    assert harvested_yield(5, 10).value == 5000
    assert harvested_yield(5, 10, NAN).value == 5000
    assert harvested_yield(5, 10, 20).value == 5000
    asked = harvested_yield([5, 6], 10, standard_percent=14)
    assert asked.reason.tolist() == [yields.NO_MOISTURE] * 2


@given(mass=st.floats(0, 1e4), moisture=st.floats(0, 100), standard=st.floats(0, 99))
def test_dry_matter_stays(mass: float, moisture: float, standard: float) -> None:
    result = harvested_yield(mass, 10_000, moisture, standard_percent=standard).value
    assert result * (100 - standard) == pytest.approx(mass * (100 - moisture), rel=1e-12)


@given(
    value=st.floats(0, 1e6),
    source=st.sampled_from(YIELD_UNITS),
    target=st.sampled_from(YIELD_UNITS),
)
def test_units_there_and_back(value: float, source: str, target: str) -> None:
    there = convert_yield(value, source, target, bushel_lb=56)
    assert convert_yield(there, target, source, bushel_lb=56) == pytest.approx(value, rel=1e-13)


@given(mass=st.floats(0.1, 1e3), area=st.floats(0.1, 1e3), times=st.floats(0.1, 10))
def test_a_larger_plot_with_more_mass_yields_the_same(
    mass: float, area: float, times: float
) -> None:
    assert harvested_yield(mass * times, area * times).value == pytest.approx(
        harvested_yield(mass, area).value, rel=1e-12
    )


def test_moisture_at_the_standard_changes_nothing() -> None:
    dried = harvested_yield(4321.5, 25, 14, standard_percent=14)
    assert dried.value == harvested_yield(4321.5, 25).value


@pytest.mark.parametrize("weight", [None, 0.0, -1.0, NAN])
def test_bushels_need_a_weight(weight: float | None) -> None:
    with pytest.raises(ValueError, match="weight of a bushel"):
        harvested_yield(5, 10, unit="bu/acre", bushel_lb=weight)
    with pytest.raises(ValueError, match="weight of a bushel"):
        convert_yield(5, "bu/acre", "kg/ha", bushel_lb=weight)


@pytest.mark.parametrize("standard", [-1, 100, NAN])
def test_standard_moisture_out_of_range(standard: float) -> None:
    with pytest.raises(ValueError, match="standard moisture"):
        harvested_yield(5, 10, 10, standard_percent=standard)


def test_unknown_units_and_crops_without_a_moisture() -> None:
    with pytest.raises(ValueError, match="no unit known"):
        harvested_yield(5, 10, unit="bags/acre")
    with pytest.raises(ValueError, match="same"):
        harvested_yield(5, 10, unit="L/ha")
    assert BUSHELS["sorghum"].standard_moisture_percent is None
    assert "differ" in BUSHELS["sorghum"].note


@given(
    mass=st.floats(allow_nan=True, allow_infinity=True),
    area=st.floats(allow_nan=True, allow_infinity=True),
    moisture=st.floats(allow_nan=True, allow_infinity=True),
)
def test_never_infinite_and_always_a_reason(mass: float, area: float, moisture: float) -> None:
    for result in (
        harvested_yield(mass, area),
        harvested_yield(mass, area, moisture, standard_percent=14, unit="lb/acre"),
        harvested_yield(mass, 10, moisture, standard_percent=14),
    ):
        assert not np.isinf(result.value)
        assert np.isnan(result.value) == (result.reason.item() != "")
