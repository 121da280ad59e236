"""Persistence: knockdown, peak, fall below the target, coming back, gaps, the end of the trial."""

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from trialkit.measures import persistence as module
from trialkit.measures.persistence import persistence

NAN = np.nan
DAYS = [1, 3, 7, 14, 21, 28]


def test_a_plain_course() -> None:
    result = persistence(DAYS, [70, 90, 95, 85, 65, 40], 80)
    assert (result.knockdown_percent, result.knockdown_day) == (70, 1)
    assert (result.peak_percent, result.peak_day) == (95, 7)
    assert result.reached_day == 2.0  # halfway from 70 to 90
    assert result.holds_until_day == 14 + 7 * 5 / 20
    assert (result.last_percent, result.last_day) == (40, 28)
    assert result.rebound_percent == 55
    assert not result.censored
    assert result.reason.item() == ""


def test_held_to_the_end_is_censored() -> None:
    result = persistence(DAYS, [85, 90, 95, 85, 82, 80], 80)
    assert result.censored
    assert result.holds_until_day == 28
    assert result.reached_day == 1  # at the first assessment already; what was before is unknown
    assert result.rebound_percent == 15


def test_never_at_target() -> None:
    result = persistence(DAYS, [10, 30, 79.9, 40, 20, -10], 80)
    assert np.isnan(result.holds_until_day)
    assert np.isnan(result.reached_day)
    assert not result.censored
    assert result.reason.item() == module.NEVER_REACHED
    assert result.peak_percent == 79.9
    assert result.rebound_percent == pytest.approx(89.9)


def test_a_dip_ends_holding() -> None:
    result = persistence(DAYS, [90, 90, 70, 90, 90, 70], 80)
    assert result.holds_until_day == 5  # halfway from day 3 to day 7
    assert not result.censored


def test_a_dip_and_back_to_the_end() -> None:
    result = persistence(DAYS, [90, 90, 70, 90, 90, 90], 80)
    assert result.holds_until_day == 5
    assert not result.censored


def test_touching_the_target_counts_as_holding() -> None:
    touch = persistence([1, 3, 5], [90, 80, 90], 80)
    assert touch.censored
    assert touch.holds_until_day == 5
    leaves = persistence([1, 3, 5], [90, 80, 70], 80)
    assert leaves.holds_until_day == 3
    one_day = persistence([1, 3, 5], [70, 80, 70], 80)
    assert (one_day.reached_day, one_day.holds_until_day) == (3, 3)


def test_undefined_days_are_passed_by_and_said() -> None:
    days = [1, 3, 5, 7, 9]
    result = persistence(days, [[NAN, 90, NAN, 70, NAN], [90, 90, 90, 90, NAN], [NAN] * 5], 80)
    np.testing.assert_array_equal(result.knockdown_percent, [90, 90, NAN])
    np.testing.assert_array_equal(result.knockdown_day, [3, 1, NAN])
    np.testing.assert_array_equal(result.holds_until_day, [5, 7, NAN])
    np.testing.assert_array_equal(result.last_day, [7, 7, NAN])
    assert result.censored.tolist() == [False, True, False]
    assert result.skipped.tolist() == [3, 1, 5]
    assert result.reason.tolist() == ["", "", module.NO_CONTROL]


def test_only_assessments_after_the_application_count() -> None:
    result = persistence([-1, 0, 2, 5], [99, 99, 50, 60], 80)
    assert result.knockdown_day == 2
    assert result.peak_percent == 60
    later = persistence([-1, 0, 2, 5], [99, 99, 50, 60], 55, applied=2.0)
    assert later.knockdown_day == 5
    nothing = persistence([-1, 0], [[99, 99], [1, 1]], [80, 90])
    assert nothing.reason.tolist() == [module.NO_CONTROL] * 2
    assert np.isnan(nothing.peak_percent).all()


def test_one_assessment() -> None:
    result = persistence([7], [[85], [75]], 80)
    np.testing.assert_array_equal(result.holds_until_day, [7, NAN])
    assert result.censored.tolist() == [True, False]
    np.testing.assert_array_equal(result.rebound_percent, [0, 0])


def test_first_of_equal_peaks() -> None:
    assert persistence([1, 3, 5], [100, 100, 100], 80).peak_day == 1


def test_targets_for_each_course() -> None:
    result = persistence(DAYS, [[90, 80, 70, 60, 50, 40]], [[85], [65]])
    assert result.holds_until_day.shape == (2, 1)
    np.testing.assert_allclose(result.holds_until_day[:, 0], [2, 10.5])
    with pytest.raises(ValueError, match="target"):
        persistence(DAYS, [1] * 6, NAN)
    with pytest.raises(ValueError, match="days"):
        persistence([3, 1], [1, 1], 80)


def walk(days: np.ndarray, y: np.ndarray, target: float) -> tuple[float, bool]:
    """Holding by walking along one course; the fast version is checked with it."""
    kept = ~np.isnan(y)
    days, y = days[kept], y[kept]
    holds = NAN
    fallen = False
    for i in range(len(y)):
        if y[i] >= target:
            holds = holds if fallen else days[i]
        elif i and y[i - 1] >= target:
            cross = days[i - 1] + (y[i - 1] - target) / (y[i - 1] - y[i]) * (days[i] - days[i - 1])
            holds = holds if fallen else cross
            fallen = True
    return holds, bool(len(y) and (y >= target).any() and not fallen)


@given(
    y=hnp.arrays(
        float,
        (4, 6),
        elements=st.one_of(st.sampled_from([NAN, 80.0, 100.0, 0.0]), st.floats(-200, 100)),
    ),
    target=st.sampled_from([80.0, 50.0, 0.0]),
)
def test_fast_version_against_a_walk(y: np.ndarray, target: float) -> None:
    days = np.array(DAYS, dtype=float)
    result = persistence(days, y, target)
    for i, row in enumerate(y):
        holds, censored = walk(days, row, target)
        assert result.holds_until_day[i] == pytest.approx(holds, nan_ok=True, rel=1e-9)
        assert result.censored[i] == censored
        assert np.isnan(result.holds_until_day[i]) == (result.reason[i] != "")
    reached = ~np.isnan(result.holds_until_day)
    assert (result.reached_day[reached] <= result.holds_until_day[reached] + 1e-9).all()
    assert not (result.rebound_percent < 0).any()


@given(y=hnp.arrays(float, 6, elements=st.floats(-100, 100)), stretch=st.floats(0.1, 10))
def test_days_stretch_with_the_clock(y: np.ndarray, stretch: float) -> None:
    plain = persistence(DAYS, y, 80)
    longer = persistence(np.array(DAYS) * stretch, y, 80)
    assert longer.holds_until_day == pytest.approx(plain.holds_until_day * stretch, nan_ok=True)


def test_many_draws_at_once() -> None:
    # Many draws must not cost a Python loop: one call for all, the same numbers as one by one.
    rng = np.random.default_rng(3)
    draws = rng.normal(80, 15, (5000, 8, 6))
    draws[rng.random(draws.shape) < 0.05] = NAN
    begin = time.perf_counter()
    result = persistence(DAYS, draws, 80)
    print(f"40000 courses of 6 days: {time.perf_counter() - begin:.3f} s")
    one = persistence(DAYS, draws[17, 5], 80)
    assert result.holds_until_day.shape == (5000, 8)
    np.testing.assert_array_equal(result.holds_until_day[17, 5], one.holds_until_day)
