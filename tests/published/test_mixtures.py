"""Expected control of mixtures against worked examples.

Colby SR 1967, Weeds 15:20-22 (reference seen). All values recomputed for this project; the paper
was not checked for negative values.
"""

import pytest

from trialkit.measures.mixtures import colby_expected


def test_two_parts() -> None:
    # 60 + 50 - 30; surviving 40 * 50 / 100 = 20.
    assert colby_expected([60, 50]).percent == 80.0


def test_three_parts() -> None:
    # Surviving 40 * 50 * 80 / 10000 = 16.
    assert colby_expected([60, 50, 20]).percent == pytest.approx(84, rel=1e-14)


def test_a_part_that_stimulated_the_pest() -> None:
    # 30 - 10 + 3; surviving 70 * 110 / 100 = 77.
    assert colby_expected([30, -10]).percent == pytest.approx(23, rel=1e-14)
