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


# Quantitative Ecotoxicology, CRC Press (author Newman MC from memory), example 4.6, page 159: dead
# of 26 animals in tanks, six of them untreated; the counts of these and every corrected mortality
# as printed in the public worked solution by E. Szoecs (2013), which sets Abbott's values below
# zero to zero only afterwards. The book itself was not seen.
UNTREATED_DEAD = [1, 0, 0, 0, 1, 0]
CORRECTED_UNTREATED = [0.025974, -0.012987, -0.012987, -0.012987, 0.025974, -0.012987]
#: Of treated tanks; each is that of a whole number of dead among 26.
CORRECTED_TREATED = [0.064935, 0.181818, 0.259740, 0.454545, 0.610390, 0.649351, 0.688312]
CORRECTED_TREATED += [0.766234, 0.805195, 0.922078, 0.961039, 1.0]


def test_corrected_mortality_of_a_textbook() -> None:
    alive = 26 - np.array(UNTREATED_DEAD)
    untreated = float(alive.mean())
    assert 1 - untreated / 26 == pytest.approx(0.012821, abs=5e-7)
    found = abbott(alive, untreated).percent / 100
    np.testing.assert_allclose(found, CORRECTED_UNTREATED, atol=5e-7)
    possible = abbott(np.arange(27), untreated).percent / 100
    for printed in CORRECTED_TREATED:
        assert np.abs(possible - printed).min() < 6e-7


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
