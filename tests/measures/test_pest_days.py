"""Pest-days: gaps, ends, thresholds, and what must hold for any course."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from trialkit.measures import pest_days as module
from trialkit.measures.pest_days import (
    above_threshold,
    pest_days,
    reduction,
    time_above,
)

NAN = np.nan
level = st.floats(0, 1e4)


@st.composite
def courses(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    steps = draw(st.lists(st.integers(1, 30), min_size=1, max_size=7))
    days = np.concatenate([[0], np.cumsum(steps)]) - draw(st.integers(0, 20))
    values = draw(hnp.arrays(float, days.size, elements=st.floats(0, 1e4)))
    return days.astype(float), values


def area_by_hand(days: np.ndarray, values: np.ndarray) -> float:
    """Trapezoids over the values that are there, one at a time."""
    kept = [(d, v) for d, v in zip(days, values, strict=True) if not np.isnan(v)]
    return sum((d1 - d0) * (v0 + v1) / 2 for (d0, v0), (d1, v1) in pairwise(kept))


def test_a_missing_assessment_inside_is_bridged_and_counted() -> None:
    result = pest_days([0, 3, 7, 14], [[10, NAN, 2, 6], [10, NAN, NAN, 6], [10, 5, 2, 6]])
    np.testing.assert_allclose(result.pest_days, [42 + 28, 112, 22.5 + 14 + 28])
    assert result.bridged.tolist() == [1, 2, 0]
    assert result.n.tolist() == [3, 2, 4]
    np.testing.assert_array_equal(result.days, [14, 14, 14])


def test_missing_is_not_zero() -> None:
    missing, zero = pest_days([0, 5, 10], [[8, NAN, 8], [8, 0, 8]]).pest_days
    assert (missing, zero) == (80.0, 40.0)


def test_a_missing_end_shortens_the_span() -> None:
    result = pest_days([-1, 3, 7, 14], [[NAN, 4, 4, 4], [4, 4, 4, NAN], [4, 4, 4, 4]])
    np.testing.assert_array_equal(result.first_day, [3, -1, -1])
    np.testing.assert_array_equal(result.last_day, [14, 7, 14])
    np.testing.assert_array_equal(result.days, [11, 8, 15])
    np.testing.assert_array_equal(result.pest_days, [44, 32, 60])
    np.testing.assert_array_equal(result.per_day, [4, 4, 4])
    assert result.bridged.tolist() == [0, 0, 0]


def test_too_few_counts() -> None:
    result = pest_days([0, 3, 7], [[NAN, NAN, NAN], [NAN, 2, NAN], [1, NAN, 1]])
    np.testing.assert_array_equal(result.pest_days, [NAN, NAN, 7])
    np.testing.assert_array_equal(result.per_day, [NAN, NAN, 1])
    assert result.reason.tolist() == ["not counted", module.COUNTED_ONCE, ""]
    np.testing.assert_array_equal(result.first_day, [NAN, NAN, 0])
    for other in (
        above_threshold([3], [[2], [NAN]], 1).reason,
        pest_days([3], [[2], [NAN]]).reason,
    ):
        assert other.tolist() == [module.COUNTED_ONCE, "not counted"]


def test_no_day_at_all() -> None:
    values = np.empty((2, 0))
    assert pest_days([], values).reason.tolist() == ["not counted"] * 2
    assert above_threshold([], values, 3).reason.tolist() == ["not counted"] * 2


def test_where_the_period_begins() -> None:
    days, values = [-7, -1, 7], [[5, 3, 1], [5, NAN, 1]]
    from_first = pest_days(days, values)
    np.testing.assert_array_equal(from_first.pest_days, [24 + 16, 42])
    from_application = pest_days(days, values, start="application")
    np.testing.assert_array_equal(from_application.pest_days, [16, NAN])
    np.testing.assert_array_equal(from_application.first_day, [-1, NAN])
    # Without a count on or before day 0 it is the first one after it, either way.
    for start in ("first", "application"):
        assert pest_days([2, 4, 6], [1, 1, 1], start=start).first_day == 2
        assert pest_days([0, 4, 6], [1, 1, 1], start=start).first_day == 0


@pytest.mark.parametrize(
    ("days", "values"),
    [
        ([0, 0], [1, 2]),
        ([3, 1], [1, 2]),
        ([0, NAN], [1, 2]),
        ([[0, 1]], [1, 2]),
        ([0, 1], [1, 2, 3]),
        ([0, 1], 5),
    ],
)
def test_days_must_rise_and_match(days: list[float], values: list[float]) -> None:
    with pytest.raises(ValueError, match="must"):
        pest_days(days, values)


def test_bad_options() -> None:
    with pytest.raises(ValueError, match="start"):
        pest_days([0, 1], [1, 2], start="zero")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="threshold"):
        above_threshold([0, 1], [1, 2], NAN)


@given(course=courses(), data=st.data())
def test_any_pattern_of_gaps_against_the_sum_by_hand(course, data) -> None:
    days, values = course
    gaps = data.draw(hnp.arrays(bool, values.size))
    holed = np.where(gaps, NAN, values)
    result = pest_days(days, np.stack([holed, values]))
    if (~gaps).sum() >= 2:
        assert result.pest_days[0] == pytest.approx(area_by_hand(days, holed), rel=1e-9)
        inside = np.flatnonzero(~gaps)
        assert result.bridged[0] == gaps[inside[0] : inside[-1]].sum()
    else:
        assert np.isnan(result.pest_days[0])
        assert result.reason[0]
    assert result.pest_days[1] == pytest.approx(area_by_hand(days, values), rel=1e-12)


@given(course=courses(), c=level)
def test_constant_course(course, c: float) -> None:
    days, _ = course
    area = pest_days(days, np.full(days.size, c))
    assert area.pest_days == pytest.approx(c * (days[-1] - days[0]), rel=1e-12)
    assert area.per_day == pytest.approx(c, rel=1e-12)


@given(course=courses(), a=st.floats(0.01, 100), data=st.data())
def test_linear_in_the_values(course, a: float, data) -> None:
    days, y = course
    z = data.draw(hnp.arrays(float, days.size, elements=level))
    both, of_y, of_z = pest_days(days, np.stack([a * y + z, y, z])).pest_days
    assert both == pytest.approx(a * of_y + of_z, rel=1e-9, abs=1e-9)


@given(course=courses(), share=st.floats(0.05, 0.95), data=st.data())
def test_splitting_at_an_interpolated_point(course, share: float, data) -> None:
    days, values = course
    i = data.draw(st.integers(1, days.size - 1))
    day = days[i - 1] + share * (days[i] - days[i - 1])
    value = values[i - 1] + share * (values[i] - values[i - 1])
    split = np.insert(days, i, day), np.insert(values, i, value)
    assert pest_days(*split).pest_days == pytest.approx(
        pest_days(days, values).pest_days, rel=1e-9, abs=1e-9
    )
    plain, more = above_threshold(days, values, 7.5), above_threshold(*split, 7.5)
    # A value that rounds onto the threshold's other side moves a crossing by a rounding only.
    assert more.pest_days_above == pytest.approx(plain.pest_days_above, rel=1e-9, abs=1e-6)


@given(course=courses(), threshold=st.floats(0, 1e4))
def test_above_and_below_a_threshold_make_up_the_whole(course, threshold: float) -> None:
    days, values = course
    span = days[-1] - days[0]
    above = above_threshold(days, values, threshold)
    below = above_threshold(days, -values, -threshold)
    whole = pest_days(days, values).pest_days
    assert above.pest_days_above - below.pest_days_above == pytest.approx(
        whole - threshold * span, rel=1e-7, abs=1e-6
    )
    assert 0 <= above.share_of_days <= 1
    if (values != threshold).all():
        assert above.days_above + below.days_above == pytest.approx(span, rel=1e-9)


def test_threshold_crossings_are_exact() -> None:
    # By hand: up through 15 on day 2, back down to it on day 8; two triangles 10 high.
    result = above_threshold([0, 4, 8, 12], [5, 25, 15, 15], 15)
    assert result.days_above == pytest.approx(2 + 4)
    assert result.pest_days_above == pytest.approx(2 * 10 / 2 + 4 * 10 / 2)
    assert result.share_of_days == pytest.approx(0.5)
    assert result.per_day == pytest.approx(30 / 12)


def test_threshold_touched_or_never_reached_or_always_exceeded() -> None:
    days = [0, 5, 10]
    result = above_threshold(days, [[15, 15, 15], [0, 15, 0], [1, 2, 3], [16, 15, 16]], 15)
    np.testing.assert_allclose(result.days_above, [0, 0, 0, 10])
    np.testing.assert_allclose(result.pest_days_above, [0, 0, 0, 5])


@given(
    values=hnp.arrays(
        float, (2, 3, 5), elements=st.one_of(st.floats(0, 30), st.sampled_from([7.5, NAN]))
    ),
    start=st.sampled_from(["first", "application"]),
)
def test_time_above_alone_is_that_of_the_whole_description(values, start) -> None:
    days = [-3, -1, 2, 6, 11]
    whole = above_threshold(days, values, 7.5, start=start).days_above
    np.testing.assert_allclose(time_above(days, values, 7.5, start=start), whole, rtol=1e-14)


def test_time_above_needs_a_threshold_and_two_days() -> None:
    with pytest.raises(ValueError, match="threshold"):
        time_above([0, 1], [1, 2], NAN)
    assert np.isnan(time_above([], np.zeros((2, 0)), 3)).all()
    assert np.isnan(time_above([3], [[2], [NAN]], 1)).all()


def test_threshold_with_gaps() -> None:
    result = above_threshold([0, 5, 10, 15], [[20, NAN, 10, NAN], [NAN, 20, 20, NAN]], 15)
    np.testing.assert_allclose(result.days_above, [5, 5])
    np.testing.assert_allclose(result.pest_days_above, [12.5, 25])
    np.testing.assert_allclose(result.days, [10, 5])
    assert result.bridged.tolist() == [1, 0]


@given(course=courses(), scale=st.floats(0.01, 100))
def test_reduction_does_not_depend_on_the_unit(course, scale: float) -> None:
    days, values = course
    untreated = values + 1
    plain = pest_days(days, np.stack([values, untreated])).per_day
    scaled = pest_days(days, np.stack([values * scale, untreated * scale])).per_day
    assert reduction(scaled[0], scaled[1]).percent == pytest.approx(
        reduction(plain[0], plain[1]).percent, rel=1e-9, abs=1e-9
    )


def test_reduction_without_pests_in_the_untreated() -> None:
    result = reduction([0.0, 5.0], 0.0)
    assert np.isnan(result.percent).all()
    assert all(reason.startswith("none in the untreated") for reason in result.reason)


@given(values=hnp.arrays(float, (3, 4), elements=st.floats(allow_nan=True, allow_infinity=True)))
def test_never_infinite_and_always_a_reason(values: np.ndarray) -> None:
    days = [-1, 0, 5, 6]
    for area, reason in (
        ((r := pest_days(days, values)).pest_days, r.reason),
        ((t := above_threshold(days, values, 3)).pest_days_above, t.reason),
    ):
        assert not np.isinf(area).any()
        np.testing.assert_array_equal(np.isnan(area), reason != "")
    assert not np.isinf(r.per_day).any()


def test_single_course_and_stacks_of_draws() -> None:
    draws = np.arange(24.0).reshape(2, 3, 4)
    result = pest_days([0, 1, 2, 4], draws)
    assert result.pest_days.shape == (2, 3)
    assert result.pest_days[1, 2] == pest_days([0, 1, 2, 4], draws[1, 2]).pest_days
    assert pest_days([0, 1], [1, 1]).pest_days.shape == ()
