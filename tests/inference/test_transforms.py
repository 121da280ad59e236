"""Scales of analysis, and the rule that chooses among them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.design.scales import (
    TransformName,
    backward,
    choose_transform,
    forward,
    taylor_slope,
)

NAMES: tuple[TransformName, ...] = ("none", "sqrt", "log", "arcsine")


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("none", -3.5, -3.5),
        ("sqrt", 0.0, np.sqrt(0.5)),
        ("sqrt", 8.5, 3.0),
        ("log", 0.0, 0.0),
        ("log", 99.0, 2.0),
        ("arcsine", 0.0, 0.0),
        ("arcsine", 50.0, np.pi / 4),
        ("arcsine", 100.0, np.pi / 2),
    ],
)
def test_forward(name: TransformName, value: float, expected: float) -> None:
    assert float(forward(name, np.array(value))) == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize("name", NAMES)
@given(value=st.floats(0, 100))
def test_backward_undoes_forward(name: TransformName, value: float) -> None:
    back = float(backward(name, forward(name, np.array(value))))
    assert back == pytest.approx(value, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
@given(values=st.lists(st.floats(-50, 50), min_size=2, max_size=2))
def test_backward_keeps_order_and_stays_in_range(name: TransformName, values: list[float]) -> None:
    low, high = backward(name, np.sort(values))
    assert low <= high
    if name != "none":
        assert low >= 0
    if name == "arcsine":
        assert high <= 100


@pytest.mark.parametrize("name", NAMES)
def test_missing_stays_missing(name: TransformName) -> None:
    values = np.array([[np.nan, 4.0]])
    for result in (forward(name, values), backward(name, values)):
        assert np.isnan(result).tolist() == [[True, False]]


@pytest.mark.parametrize(
    ("name", "value"), [("sqrt", -1.0), ("log", -0.5), ("arcsine", -1.0), ("arcsine", 100.5)]
)
def test_values_out_of_range_are_refused(name: TransformName, value: float) -> None:
    with pytest.raises(ValueError, match="needs"):
        forward(name, np.array([1.0, value]))


def test_rounding_past_the_ends_is_no_error() -> None:
    assert float(forward("arcsine", np.array(100.0 + 1e-13))) == np.pi / 2
    assert float(forward("log", np.array(-1e-16))) == 0.0


def test_unknown_names_are_refused() -> None:
    for call in (forward, backward):
        with pytest.raises(ValueError, match="unknown transform"):
            call("cube", np.array([1.0]))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="unknown kind"):
        choose_transform("colour", np.ones((2, 1)), np.zeros(2, dtype=np.intp))  # type: ignore[arg-type]


def _counts_with_slope(slope: float, days: int = 4) -> tuple[FloatArray, IntArray]:
    """Two plots a cell, placed so that the variance is exactly mean^slope / 2."""
    means = np.array([4.0, 9.0, 25.0, 70.0])[:, None] * (1 + np.arange(days))
    half = np.sqrt(0.5 * means**slope / 2)
    return np.vstack([means - half, means + half]), np.tile(np.arange(4), 2)


@pytest.mark.parametrize(
    ("slope", "transform"),
    [
        (0.0, "none"),
        (0.45, "none"),
        (0.55, "sqrt"),
        (1.0, "sqrt"),
        (1.45, "sqrt"),
        (1.55, "log"),
        (2.0, "log"),
    ],
)
def test_counts_by_taylors_slope(slope: float, transform: str) -> None:
    values, treatment = _counts_with_slope(slope)
    choice = choose_transform("count", values, treatment)
    assert choice.transform == transform
    assert choice.slope == pytest.approx(slope, abs=1e-9)
    assert choice.cells == 16
    assert f"{slope:.2f}" in choice.rule
    assert "16 cells" in choice.rule


def test_units_do_not_change_the_slope() -> None:
    values, treatment = _counts_with_slope(1.3)
    assert taylor_slope(7 * values, treatment)[0] == pytest.approx(1.3, abs=1e-9)


def test_slope_and_its_error_are_those_of_a_regression() -> None:
    from scipy import stats

    rng = np.random.default_rng(2)
    treatment = np.repeat(np.arange(5), 4)
    values = rng.poisson(3.0 ** (1 + treatment / 2)[:, None], size=(20, 3)).astype(float)
    values[0, 0] = np.nan
    cells = [values[treatment == code, day] for code in range(5) for day in range(3)]
    cells = [cell[~np.isnan(cell)] for cell in cells]
    fit = stats.linregress(
        [np.log10(cell.mean()) for cell in cells], [np.log10(cell.var(ddof=1)) for cell in cells]
    )
    slope, se, used = taylor_slope(values, treatment)
    assert (slope, se) == pytest.approx((fit.slope, fit.stderr), rel=1e-10)
    assert used == 15


def test_cells_without_mean_or_variance_are_not_used() -> None:
    values = np.array([[0.0, 3.0, 5.0], [0.0, 3.0, 9.0], [1.0, np.nan, 2.0], [4.0, 7.0, 8.0]])
    slope, se, cells = taylor_slope(values, np.array([0, 0, 1, 1]))
    # Treatment 0 on day 0 is all zeros, on day 1 constant; treatment 1 has one plot on day 1.
    assert cells == 3
    assert np.isfinite(slope)
    assert np.isfinite(se)


def test_too_few_cells_take_the_square_root_and_say_so() -> None:
    values, treatment = _counts_with_slope(2.0, days=1)
    choice = choose_transform("count", values, treatment)
    assert choice.transform == "sqrt"
    assert np.isnan(choice.slope)
    assert choice.cells == 4
    assert "only 4 cells" in choice.rule


def test_counts_without_any_cell() -> None:
    for values in (np.zeros((4, 2)), np.full((4, 2), np.nan)):
        choice = choose_transform("count", values, np.array([0, 0, 1, 1]))
        assert (choice.transform, choice.cells) == ("sqrt", 0)


def test_equal_means_give_no_slope() -> None:
    half = np.arange(1.0, 7.0)
    values = np.vstack([10 - half, 10 + half])
    choice = choose_transform("count", values, np.zeros(2, dtype=np.intp))
    assert choice.transform == "sqrt"
    assert np.isnan(choice.slope)
    assert "did not differ" in choice.rule


@pytest.mark.parametrize(
    ("values", "transform"),
    [
        ([20.0, 80.0, 55.0], "none"),
        ([19.9, 50.0, 60.0], "arcsine"),
        ([30.0, 80.1, np.nan], "arcsine"),
        ([np.nan, np.nan, np.nan], "none"),
    ],
)
def test_percentages(values: list[float], transform: str) -> None:
    choice = choose_transform("percent", np.array([values]), np.zeros(1, dtype=np.intp))
    assert choice.transform == transform
    assert choice.rule.endswith(".")


def test_measurements_stay_as_they_are() -> None:
    choice = choose_transform("measurement", np.ones((3, 1)), np.zeros(3, dtype=np.intp))
    assert choice.transform == "none"


def test_a_limit_beyond_all_counts_is_none() -> None:
    found = backward("log", np.array([2.0, 400.0, np.nan]))
    np.testing.assert_allclose(found, [99.0, np.nan, np.nan])
