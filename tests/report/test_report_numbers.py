from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.report.document import Column, Kind, Missing, number_or_missing
from trialkit.report.numbers import (
    decimals_as_entered,
    decimals_for_error,
    decimals_for_least,
    decimals_for_size,
    percent_column,
    percent_text,
    write_cell,
    write_number,
    write_p,
    write_share,
)
from trialkit.report.series.context import span_of


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (3.14159, 2, "3.14"),
        (-0.5, 1, "\u22120.5"),
        (-0.04, 1, "0.0"),
        (-1e-16, None, "0.000000"),
        (0.0, None, "0"),
        (12.0, None, "12"),
        (12.345, None, "12.3"),
        (0.012345, None, "0.0123"),
        (1234567.0, 0, "1,234,567"),
        (41230.4, 1, "41,230.4"),
        (-145.2, 0, "\u2212145"),
    ],
)
def test_numbers_as_written(value: float, digits: int | None, text: str) -> None:
    assert write_number(value, digits) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_undefined_is_not_written(value: float) -> None:
    with pytest.raises(ValueError, match="not finite"):
        write_number(value)
    assert write_cell(value, Column(title="x", kind=Kind.NUMBER)) == "\u2014"


@given(st.floats(-1e12, 1e12), st.integers(0, 6))
def test_written_numbers_read_back(value: float, digits: int) -> None:
    text = write_number(value, digits)
    back = float(text.replace(",", "").replace("\u2212", "-"))
    assert abs(back - value) <= 0.5 * 10.0**-digits * (1 + 1e-9) + abs(value) * 1e-15
    assert "-" not in text
    assert "e" not in text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.012, "0.012"),
        (0.0004, "<0.001"),
        (0.4321, "0.432"),
        (0.99961, ">0.999"),
        (3e-17, "<0.001"),
        (0.05, "0.050"),
    ],
)
def test_p_values_as_written(value: float, text: str) -> None:
    assert write_p(value) == text


@pytest.mark.parametrize(
    ("error", "digits"), [(160.0, 0), (4.0, 0), (1.5, 1), (0.5, 1), (0.18, 2), (0.03, 2)]
)
def test_decimals_follow_the_standard_error(error: float, digits: int) -> None:
    assert decimals_for_error([error] * 4, [22.0]) == digits


def test_decimals_without_errors_follow_the_size() -> None:
    assert decimals_for_error([math.nan, 0.0], [4133.0, 3900.0]) == 0
    assert decimals_for_error([], [0.5123]) == 3
    assert decimals_for_size([]) == 0
    assert decimals_for_size([1e-30]) == 6


def test_a_small_mean_does_not_look_like_none() -> None:
    assert decimals_for_least([0.0, 0.25, 130.0], 0) == 1
    assert decimals_for_least([0.02, 130.0], 0) == 2
    assert decimals_for_least([0.0001], 0) == 2
    assert decimals_for_least([0.0, 3.0], 0) == 0
    assert decimals_for_least([], 1) == 1


def test_decimals_as_entered() -> None:
    assert decimals_as_entered([1.0, 2.0, math.nan]) == 0
    assert decimals_as_entered([1.5, 2.25]) == 2
    assert decimals_as_entered([1 / 3]) == 3
    assert decimals_as_entered([0.1 + 0.2]) == 1


def test_cells() -> None:
    number = Column(title="x", kind=Kind.NUMBER, digits=1)
    assert write_cell(Missing("not counted"), number) == "\u2014"
    assert write_cell(None, number) == ""
    assert write_cell("=1+1", Column(title="x")) == "=1+1"
    assert write_cell(2, number) == "2.0"
    assert write_cell(0.2, Column(title="p", kind=Kind.P_VALUE)) == "0.200"


def test_undefined_becomes_missing_with_its_reason() -> None:
    assert number_or_missing(math.nan, "no pest") == Missing("no pest")
    assert number_or_missing(None, math.nan) == Missing("")
    assert number_or_missing(2.5, "ignored") == 2.5


def test_share() -> None:
    assert write_share(0.05) == "5%"
    assert write_share(1 - 0.05) == "95%"


@given(st.floats(-300, 99.999999))
def test_no_percentage_below_all_is_written_as_all(value: float) -> None:
    column = percent_column("Control, %", [value, 40.0, math.nan])
    assert not write_cell(value, column).startswith("100")
    assert percent_text(value) != "100"
    assert not span_of(-400.0, value).endswith(" 100")
    assert percent_text(value) != "0" or value == 0


def test_a_column_of_percentages_has_a_decimal_only_where_it_must() -> None:
    assert percent_column("", [99.6, 12.0]).digits == 1
    assert percent_column("", [99.97, 12.0]).digits == 2
    assert percent_column("", [100.0, 12.0]).digits == 0
