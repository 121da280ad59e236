"""Harm to natural enemies: the IOBC field classes.

As several public pages give them for semi-field and field use (seen): 1 harmless below 25 %, 2
slightly harmful 25 to 50 %, 3 moderately harmful 50 to 75 % (51 to 75 in the usual text), 4 harmful
above 75 %. The sources leave exactly 25, 50 and 75 open; this project's rule puts 25 and 50 in
class 2 and 75 in class 3.
"""

import numpy as np
import pytest

from trialkit.measures.natural_enemies import field_class


@pytest.mark.parametrize(
    ("reduction", "number", "label"),
    [
        (-20, 1, "harmless"),
        (0, 1, "harmless"),
        (24.9, 1, "harmless"),
        (25.1, 2, "slightly harmful"),
        (49.9, 2, "slightly harmful"),
        (51, 3, "moderately harmful"),
        (74.9, 3, "moderately harmful"),
        (75.1, 4, "harmful"),
        (100, 4, "harmful"),
    ],
)
def test_classes(reduction: float, number: int, label: str) -> None:
    result = field_class(reduction)
    assert result.number == number
    assert result.label.item() == label


def test_edges_by_the_rule_of_this_project() -> None:
    assert field_class([25, 50, 75]).number.tolist() == [2, 2, 3]
    assert field_class(np.nextafter([25, 50, 75], 0)).number.tolist() == [1, 2, 3]
    assert field_class(np.nextafter([25, 50, 75], 100)).number.tolist() == [2, 3, 4]
