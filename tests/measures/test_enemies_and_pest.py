"""Natural enemies: reduction, pest per enemy, and the flag for resurgence."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import natural_enemies
from trialkit.measures.natural_enemies import field_class, pest_per_enemy

NAN = np.nan
DAYS = [-1, 3, 7, 14]


def test_undefined_reduction_has_no_class() -> None:
    result = field_class([[NAN, 30], [np.inf, 80]])
    assert result.number.tolist() == [[0, 2], [0, 4]]
    assert result.label.tolist() == [["", "slightly harmful"], ["", "harmful"]]


@given(x=st.floats(-500, 100), y=st.floats(-500, 100))
def test_more_reduction_is_never_a_milder_class(x: float, y: float) -> None:
    low, high = sorted((x, y))
    assert field_class(low).number <= field_class(high).number


def test_pest_per_enemy() -> None:
    result = pest_per_enemy([60, 0, 60, 0, NAN, -1], [4, 4, 0, 0, 3, 3])
    np.testing.assert_array_equal(result.value, [15, 0, NAN, NAN, NAN, NAN])
    assert result.reason.tolist() == [
        "",
        "",
        natural_enemies.NO_ENEMIES,
        natural_enemies.NO_ENEMIES,
        "not counted",
        "a count is below zero",
    ]
