"""Natural enemies: reduction, pest per enemy, and the flag for resurgence."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import natural_enemies
from trialkit.measures.natural_enemies import field_class, pest_per_enemy, reduction, resurgence

NAN = np.nan
DAYS = [-1, 3, 7, 14]


def test_reduction_is_signed_and_undefined_without_enemies_in_the_untreated() -> None:
    result = reduction([2, 12, 3], [10, 10, 0])
    np.testing.assert_array_equal(result.percent, [80, -20, NAN])
    assert result.reason[2].startswith("none in the untreated")


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


def test_resurgence_needs_enemies_down_first_and_pest_above_later() -> None:
    enemies = [
        [0, 70, 60, 10],  # down on day 3
        [0, 70, 60, 10],
        [0, 10, 10, 80],  # down only on the last day
        [90, 0, 0, 0],  # down only before the application
        [0, 10, 25, 0],  # just down on day 7
    ]
    pest = [
        [0, 90, 40, -30],  # above on day 14
        [0, -30, 40, 20],  # above on day 3, the same day, not later
        [0, 90, -10, -30],
        [0, 90, -10, -30],
        [0, 90, -10, -30],
    ]
    result = resurgence(DAYS, enemies, DAYS, pest)
    assert result.flag.tolist() == [True, False, False, False, True]
    np.testing.assert_array_equal(result.enemies_down_day, [3, 3, 14, NAN, 7])
    np.testing.assert_array_equal(result.pest_above_day, [14, NAN, NAN, NAN, 14])
    assert result.reason.tolist() == [""] * 5


def test_resurgence_margins() -> None:
    enemies, pest = [0, 40, 0, 0], [0, 90, 50, -15]
    assert resurgence(DAYS, enemies, DAYS, pest).flag
    assert not resurgence(DAYS, enemies, DAYS, pest, enemies_down=50).flag
    assert not resurgence(DAYS, enemies, DAYS, pest, pest_above=15).flag
    assert not resurgence(DAYS, enemies, DAYS, pest, applied=3).flag
    assert not resurgence(DAYS, enemies, DAYS, [0, 90, 50, 0]).flag  # as many is not more
    with pytest.raises(ValueError, match="pest_above"):
        resurgence(DAYS, enemies, DAYS, pest, pest_above=-1)


def test_resurgence_on_different_days() -> None:
    result = resurgence([2, 9], [60, 0], [1, 2, 5], [-50, -50, -50])
    assert result.flag
    assert result.pest_above_day == 5
    with pytest.raises(ValueError, match="natural enemies do not match"):
        resurgence([2, 9], [60], [1], [0])
    with pytest.raises(ValueError, match="the pest do not match"):
        resurgence([2], [60], [1], [0, 1])


def test_resurgence_that_cannot_be_judged() -> None:
    late = resurgence([14], [60], [3, 14], [90, -20])
    assert not late.flag
    assert late.reason.item() == natural_enemies.NOT_JUDGED
    undefined = resurgence([3, 7], [NAN, NAN], [3, 7], [-1, -1])
    assert undefined.reason.item() == natural_enemies.NOT_JUDGED
    nothing = resurgence([], np.empty((2, 0)), [3], [[1], [1]])
    assert nothing.reason.tolist() == [natural_enemies.NOT_JUDGED] * 2
    assert not nothing.flag.any()
    # Defined numbers that do not raise the flag are a verdict and need no reason.
    assert resurgence([3], [0], [7], [50]).reason.item() == ""


def test_resurgence_for_many_draws() -> None:
    rng = np.random.default_rng(5)
    enemies, pest = rng.uniform(-50, 100, (2, 500, 4, len(DAYS)))
    result = resurgence(DAYS, enemies, DAYS, pest)
    assert result.flag.shape == (500, 4)
    for i, j in [(0, 0), (17, 3), (499, 2)]:
        expected = any(
            enemies[i, j, a] >= 25 and pest[i, j, b] < 0
            for a in range(1, 4)
            for b in range(a + 1, 4)
        )
        assert result.flag[i, j] == expected
