"""Units: round trips, rates, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures.units import FT2_PER_ACRE, M2_PER_ACRE, M2_PER_FT2, convert, known_units

PAIRS = [
    ("kg/ha", "lb/acre"),
    ("L/ha", "gal/acre"),
    ("km/h", "mi/h"),
    ("m2", "ft2"),
    ("1/ha", "1/acre"),
    ("kg/hL", "lb/bu"),
]


@given(value=st.floats(0, 1e9), pair=st.sampled_from(PAIRS))
def test_there_and_back(value: float, pair: tuple[str, str]) -> None:
    there = convert(value, *pair)
    assert convert(there, pair[1], pair[0]) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize("unit", known_units())
def test_same_unit_changes_nothing(unit: str) -> None:
    np.testing.assert_array_equal(convert([0.1, np.nan, 3], unit, unit), [0.1, np.nan, 3])


def test_constants_agree_with_each_other() -> None:
    assert pytest.approx(M2_PER_ACRE, rel=1e-15) == FT2_PER_ACRE * M2_PER_FT2
    assert convert(1, "mi", "ft") == pytest.approx(5280, rel=1e-15)
    assert convert(1, "lb", "oz") == pytest.approx(16, rel=1e-15)
    assert convert(1, "gal", "fl oz") == pytest.approx(128, rel=1e-15)


def test_a_cost_for_each_hectare_is_less_for_each_acre() -> None:
    assert convert(100, "1/ha", "1/acre") == pytest.approx(40.468564224, rel=1e-14)


@pytest.mark.parametrize(
    ("source", "target"),
    [("kg", "L"), ("kg/ha", "kg"), ("L/ha", "kg/ha"), ("oz", "fl oz"), ("ha/kg", "kg/ha")],
)
def test_what_does_not_measure_the_same(source: str, target: str) -> None:
    with pytest.raises(ValueError, match="do not measure the same"):
        convert(1, source, target)


@pytest.mark.parametrize("unit", ["stone", "", "kg/", "kg/ha/d", "KG"])
def test_unknown_units(unit: str) -> None:
    with pytest.raises(ValueError, match="no unit known"):
        convert(1, unit, "kg")
