"""Area under the curve against worked examples, each with its source."""

import numpy as np
import pytest

from trialkit.measures.pest_days import pest_days, progress_stairs, reduction, relative

# Days, values, trapezoid area, area per day, relative area, stairs, standardised stairs.
# All recomputed for this project from the formulas; trapezoid: Ruppel RF 1983, J. Econ. Entomol.
# 76:375-377, and Shaner G & Finney RE 1977, Phytopathology 67:1051-1056 (references from
# memory); stairs: Simko I & Piepho HP 2012, Phytopathology 102:381-389 (formula from memory).
ROWS = {
    "a": ([0, 7, 14, 21, 28], [1, 5, 20, 45, 60], 703.5, 25.125, 0.25125, 917, 26.2),
    "b": (
        [0, 3, 7, 14, 21],
        [10, 25, 40, 30, 12],
        574.5,
        27.3571428571,
        0.273571428571,
        632.25,
        24.0857142857,
    ),
    "c": ([0, 3, 7, 14, 21], [10, 2, 4, 8, 12], 142, 6.7619047619, None, 199.75, 7.60952380952),
    # Inputs from a teaching text (seen); its result is not printed there.
    "d": ([0, 2, 5, 6], [1, 2, 7, 7.5], 23.75, 3.95833333333, 0.0395833333333, 32.25, 4.03125),
    "e": ([7, 14, 21, 28], [5, 10, 30, 60], 507.5, 24.1666666667, 0.241666666667, 735, 26.25),
}


@pytest.mark.parametrize("row", ROWS)
def test_worked_rows(row: str) -> None:
    days, values, area, per_day, share, stairs, stairs_per_day = ROWS[row]
    trapezoid = pest_days(days, values)
    assert trapezoid.pest_days == area
    assert trapezoid.per_day == pytest.approx(per_day, rel=1e-11)
    if share is not None:
        assert relative(trapezoid.per_day) == pytest.approx(share, rel=1e-11)
    steps = progress_stairs(days, values)
    assert steps.audps == pytest.approx(stairs, rel=1e-14)
    assert steps.per_day == pytest.approx(stairs_per_day, rel=1e-11)


def test_standardised_stairs_with_equal_steps_are_the_mean() -> None:
    # Recomputed: 131 / 5.
    days, values, *_ = ROWS["a"]
    assert progress_stairs(days, values).per_day == pytest.approx(np.mean(values), rel=1e-15)


def test_reduction_of_row_c_against_row_b() -> None:
    # Recomputed: 100 (1 - 142 / 574.5).
    areas = pest_days(ROWS["b"][0], [ROWS["b"][1], ROWS["c"][1]]).pest_days
    assert reduction(areas[1], areas[0]).percent == pytest.approx(75.2828546562, rel=1e-11)
