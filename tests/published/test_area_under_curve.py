"""Area under the curve against worked examples, each with its source."""

import pytest

from trialkit.measures.pest_days import pest_days, reduction

# Days, values, trapezoid area, area per day. All recomputed for this project from the formula:
# Ruppel RF 1983, J. Econ. Entomol. 76:375-377, and Shaner G & Finney RE 1977, Phytopathology
# 67:1051-1056 (references from memory).
ROWS = {
    "a": ([0, 7, 14, 21, 28], [1, 5, 20, 45, 60], 703.5, 25.125),
    "b": ([0, 3, 7, 14, 21], [10, 25, 40, 30, 12], 574.5, 27.3571428571),
    "c": ([0, 3, 7, 14, 21], [10, 2, 4, 8, 12], 142, 6.7619047619),
    # Inputs from a teaching text (seen); its result is not printed there.
    "d": ([0, 2, 5, 6], [1, 2, 7, 7.5], 23.75, 3.95833333333),
    "e": ([7, 14, 21, 28], [5, 10, 30, 60], 507.5, 24.1666666667),
}


@pytest.mark.parametrize("row", ROWS)
def test_worked_rows(row: str) -> None:
    days, values, area, per_day = ROWS[row]
    trapezoid = pest_days(days, values)
    assert trapezoid.pest_days == area
    assert trapezoid.per_day == pytest.approx(per_day, rel=1e-11)


def test_reduction_of_row_c_against_row_b() -> None:
    # Recomputed: 100 (1 - 142 / 574.5).
    areas = pest_days(ROWS["b"][0], [ROWS["b"][1], ROWS["c"][1]]).pest_days
    assert reduction(areas[1], areas[0]).percent == pytest.approx(75.2828546562, rel=1e-11)
