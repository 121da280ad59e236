"""Percent control against worked examples, each with its source."""

import numpy as np
import pytest

from trialkit.measures.control import abbott, henderson_tilton

# Four blocks; recomputed for this project, no printed result seen.
BEFORE_T = [50, 40, 60, 45]
AFTER_T = [5, 6, 9, 4]
BEFORE_C = [48, 52, 44, 56]
AFTER_C = [60, 58, 55, 63]


def test_abbott_own_illustration() -> None:
    # Abbott WS 1925, J. Econ. Entomol. 18:265-267: 50 % dead in the check, 98 % in the treated;
    # the inputs and the 48 of plain subtraction are in the text, the 96 follows from the formula.
    assert 98 - 50 == 48
    assert abbott(100 - 98, 100 - 50).percent == 96.0


def test_abbott_of_counts() -> None:
    # Recomputed from the formula: (60 - 9) / 60.
    assert abbott(9, 60).percent == 85.0


def test_schneider_orelli_of_the_dead_is_abbott_of_the_living() -> None:
    # Recomputed: (90 - 20) / (100 - 20). Schneider-Orelli O 1947 (reference from memory).
    assert 100 * (90 - 20) / (100 - 20) == 87.5
    assert abbott(100 - 90, 100 - 20).percent == 87.5


def test_henderson_tilton() -> None:
    # Recomputed: 1 - 50*480 / (500*600). Henderson CF & Tilton EW 1955, J. Econ. Entomol.
    # 48:157-161 (formula seen in secondary texts).
    assert henderson_tilton(50, 500, 600, 480).percent == 92.0


def test_sun_shepard_where_the_untreated_rose() -> None:
    # Recomputed: m = 90, p = +25, (90 + 25) / 125. Sun YP & Shepard HH 1947, J. Econ. Entomol.
    # 40:710-715 (reference from memory).
    assert 100 * (90 + 25) / 125 == 92.0
    assert henderson_tilton(50, 500, 600, 480).percent == pytest.approx(92.0, rel=1e-12)


def test_sun_shepard_where_the_untreated_fell() -> None:
    # Recomputed: m = 90, p = -25, (90 - 25) / 75; Henderson-Tilton gives the same.
    assert henderson_tilton(50, 500, 360, 480).percent == pytest.approx(65 / 75 * 100, rel=1e-12)


def test_more_than_the_untreated_is_negative() -> None:
    # Recomputed: (20 - 26) / 20.
    assert abbott(26, 20).percent == -30.0


def test_by_block() -> None:
    # Recomputed.
    by_block = henderson_tilton(AFTER_T, BEFORE_T, AFTER_C, BEFORE_C)
    np.testing.assert_allclose(by_block.percent, [92, 86.5517241379, 88, 92.0987654321], rtol=1e-11)


def test_which_average() -> None:
    # Recomputed: the averages of one set of blocks differ.
    by_block = henderson_tilton(AFTER_T, BEFORE_T, AFTER_C, BEFORE_C).percent
    means = [np.mean(x) for x in (AFTER_T, BEFORE_T, AFTER_C, BEFORE_C)]
    totals = [np.sum(x) for x in (AFTER_T, BEFORE_T, AFTER_C, BEFORE_C)]
    assert np.mean(by_block) == pytest.approx(89.6626223925, rel=1e-11)
    assert henderson_tilton(*means).percent == pytest.approx(89.5697522816, rel=1e-11)
    assert henderson_tilton(*totals).percent == pytest.approx(89.5697522816, rel=1e-11)
    assert abbott(means[0], means[2]).percent == pytest.approx(89.8305084746, rel=1e-11)
