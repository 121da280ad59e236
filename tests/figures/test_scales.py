from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.figures.scales import course_scale
from trialkit.trial import Kind

NAN = math.nan


def test_even_counts_keep_a_plain_scale_from_zero() -> None:
    scale = course_scale([20, 30, 25, 40], [25, 35, 30, 45], Kind.COUNT)
    assert (scale.low, scale.root, scale.cut) == (0.0, False, False)
    assert scale.top == pytest.approx(45 * 1.04)
    assert scale.place(30.0) == 30.0
    assert scale.note() == ""


def test_low_counts_beside_high_ones_get_square_roots() -> None:
    scale = course_scale([1, 2, 3, 130], [4, 5, 6, 150], Kind.COUNT)
    assert scale.root
    assert scale.place(100.0) == 10.0
    assert "square roots" in scale.note()
    assert scale.breaks()[0] == 0.0
    assert 100.0 in scale.breaks()


def test_percentages_and_measurements_stay_plain() -> None:
    assert not course_scale([1, 1, 1, 90], [2, 2, 2, 130], Kind.PERCENT).root
    assert course_scale([1, 90], [2, 130], Kind.PERCENT).top == 104.0
    assert not course_scale([1, 1, 1, 90], [2, 2, 2, 95], Kind.MEASUREMENT).root


def test_far_intervals_are_cut_and_it_is_said() -> None:
    scale = course_scale([50, 40], [400, NAN], Kind.COUNT)
    assert scale.top == pytest.approx(80.0)
    assert scale.cut
    assert scale.place(400.0) == scale.top
    assert "cut off" in scale.note()


def test_below_zero_is_shown() -> None:
    assert course_scale([-3, 5], [NAN, NAN], Kind.MEASUREMENT).low == -3.0


@given(st.lists(st.floats(0, 1e9), min_size=1, max_size=40))
def test_breaks_are_apart_and_inside(means: list[float]) -> None:
    scale = course_scale(means, [NAN] * len(means), Kind.COUNT)
    assert scale.top > 0
    if scale.root:
        places = [scale.place(value) for value in scale.breaks()]
        gaps = [b - a for a, b in itertools.pairwise(places)]
        assert len(places) >= 3
        assert min(gaps) >= 0.08 * scale.place(scale.top)
        assert places[-1] <= scale.place(scale.top)
