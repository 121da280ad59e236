"""Words beside a level stand where no line crosses them, if there is such a place."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from trialkit.figures.placing import Curve, Spot, free_spot

BOX, ACROSS, UPWARD = (8.0, 2.0), (0.0, 20.0), (0.0, 10.0)


def line(*places: float) -> Curve:
    return np.linspace(*ACROSS, len(places)), np.array(places, float)


def test_words_go_below_a_level_that_a_line_crosses_from_above() -> None:
    panels = [[line(9.0, 9.0, 5.5)]]
    assert free_spot(panels, 5.0, BOX, ACROSS, UPWARD) == Spot(0, right=True, above=False)


def test_words_go_to_another_panel_where_the_first_is_full() -> None:
    crowded = [line(5.5, 5.5), line(4.5, 4.5)]
    panels = [crowded, [line(9.0, 9.0)]]
    assert free_spot(panels, 5.0, BOX, ACROSS, UPWARD) == Spot(1, right=True, above=True)


def test_words_stay_inside_the_panel() -> None:
    assert not free_spot([[line(0.0, 0.0)]], 9.5, BOX, ACROSS, UPWARD).above
    assert free_spot([[line(9.0, 9.0)]], 0.5, BOX, ACROSS, UPWARD).above


@given(st.lists(st.lists(st.floats(0, 10), min_size=2, max_size=6), min_size=1, max_size=4))
def test_a_free_place_is_taken_where_there_is_one(places: list[list[float]]) -> None:
    taken = [line(*row) for row in places]
    free = [line(0.0, 0.0)]
    spot = free_spot([taken, free], 5.0, BOX, ACROSS, UPWARD)
    if spot.panel == 1:
        return
    start = 12.0 if spot.right else 0.0
    low = 5.0 if spot.above else 3.0
    looks = np.linspace(start, start + 8.0, 24)
    for days, values in taken:
        drawn = np.interp(looks, days, values)
        assert not np.any((drawn >= low) & (drawn <= low + 2.0))
