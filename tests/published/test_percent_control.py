"""Percent control against worked examples, each with its source."""

import numpy as np
import pytest
from scipy import special

from trialkit.measures.control import (
    abbott,
    henderson_tilton,
    mean_of_blocks,
    mean_of_log_ratios,
    schneider_orelli,
    sun_shepard,
)

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
    assert schneider_orelli(98, 50).percent == 96.0


def test_abbott_of_counts() -> None:
    # Recomputed from the formula: (60 - 9) / 60.
    assert abbott(9, 60).percent == 85.0


def test_schneider_orelli_and_its_identity_with_abbott() -> None:
    # Recomputed: (90 - 20) / (100 - 20). Schneider-Orelli O 1947 (reference from memory).
    assert schneider_orelli(90, 20).percent == 87.5
    assert abbott(100 - 90, 100 - 20).percent == 87.5


def test_henderson_tilton() -> None:
    # Recomputed: 1 - 50*480 / (500*600). Henderson CF & Tilton EW 1955, J. Econ. Entomol.
    # 48:157-161 (formula seen in secondary texts).
    assert henderson_tilton(50, 500, 600, 480).percent == 92.0


def test_sun_shepard_where_the_untreated_rose() -> None:
    # Recomputed: m = 90, p = +25, (90 + 25) / 125. Sun YP & Shepard HH 1947, J. Econ. Entomol.
    # 40:710-715 (reference from memory).
    assert sun_shepard(50, 500, 600, 480).percent == pytest.approx(92.0, rel=1e-12)


def test_sun_shepard_where_the_untreated_fell() -> None:
    # Recomputed: m = 90, p = -25, (90 - 25) / 75; Henderson-Tilton gives the same.
    assert sun_shepard(50, 500, 360, 480).percent == pytest.approx(65 / 75 * 100, rel=1e-12)
    assert henderson_tilton(50, 500, 360, 480).percent == pytest.approx(86.6666667, abs=5e-8)


def test_more_than_the_untreated_is_negative() -> None:
    # Recomputed: (20 - 26) / 20.
    assert abbott(26, 20).percent == -30.0


def test_by_block() -> None:
    # Recomputed.
    by_block = henderson_tilton(AFTER_T, BEFORE_T, AFTER_C, BEFORE_C)
    np.testing.assert_allclose(by_block.percent, [92, 86.5517241379, 88, 92.0987654321], rtol=1e-11)


def test_which_average() -> None:
    # Recomputed: the four averages of one set of blocks differ.
    by_block = henderson_tilton(AFTER_T, BEFORE_T, AFTER_C, BEFORE_C).percent
    of_blocks = mean_of_blocks(by_block).percent
    means = [np.mean(x) for x in (AFTER_T, BEFORE_T, AFTER_C, BEFORE_C)]
    totals = [np.sum(x) for x in (AFTER_T, BEFORE_T, AFTER_C, BEFORE_C)]
    assert of_blocks == pytest.approx(89.6626223925, rel=1e-11)
    assert henderson_tilton(*means).percent == pytest.approx(89.5697522816, rel=1e-11)
    assert henderson_tilton(*totals).percent == pytest.approx(89.5697522816, rel=1e-11)
    assert abbott(means[0], means[2]).percent == pytest.approx(89.8305084746, rel=1e-11)


def test_mean_of_log_ratios_with_its_limits() -> None:
    # Recomputed: mean log ratio, its standard error, and t-limits with 3 degrees of freedom.
    result = mean_of_log_ratios(AFTER_T, AFTER_C, BEFORE_T, BEFORE_C)
    assert result.n == 4
    assert result.mean_log_ratio == pytest.approx(-2.29761565542, rel=1e-11)
    assert result.se_log_ratio == pytest.approx(0.137295369276, rel=1e-11)
    assert result.percent == pytest.approx(89.9501819429, rel=1e-11)
    reach = special.stdtrit(3, 0.975) * result.se_log_ratio
    limits = 100 * (1 - np.exp(result.mean_log_ratio + np.array([reach, -reach])))
    np.testing.assert_allclose(limits, [84.4433271113, 93.5076835707], rtol=1e-10)
