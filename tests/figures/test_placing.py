from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from trialkit.figures.placing import dodge, spread

VALUES = st.lists(st.floats(-5, 105, allow_nan=False), min_size=1, max_size=25)


@given(VALUES, st.floats(0.1, 20))
def test_places_are_apart_inside_and_in_order(values: list[float], gap: float) -> None:
    places = spread(values, gap, 0.0, 100.0)
    ordered = sorted(places)
    room = min(gap, 100.0 / max(len(values) - 1, 1))
    assert all(b - a >= room - 1e-6 for a, b in itertools.pairwise(ordered))
    assert ordered[0] >= -1e-6
    assert ordered[-1] <= 100.0 + 1e-6
    for i, first in enumerate(values):
        for j, second in enumerate(values):
            if first < second:
                assert places[i] < places[j] + 1e-9


def test_values_already_apart_stay() -> None:
    assert spread([10.0, 50.0, 30.0], 5.0, 0.0, 100.0) == [10.0, 50.0, 30.0]


def test_two_equal_values_move_half_a_gap_each() -> None:
    assert spread([50.0, 50.0], 4.0, 0.0, 100.0) == [48.0, 52.0]


def test_pressed_against_the_edge() -> None:
    assert spread([0.0, 0.0, 1.0], 2.0, 0.0, 100.0) == [0.0, 2.0, 4.0]


def test_nothing_to_place() -> None:
    assert spread([], 1.0, 0.0, 1.0) == []


def test_dodge_is_centred() -> None:
    assert dodge(3, 2.0) == [-1.0, 0.0, 1.0]
    assert dodge(1, 2.0) == [0.0]
