"""The Box-Cox profile against the figures of Box and Cox and of R."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.checks.box_cox import box_cox
from trialkit.inference.checks.residual_space import basis

# Box GEP and Cox DR 1964, J. R. Stat. Soc. B 26:211-252: survival times, three poisons (down)
# and four treatments (blocks of twelve), four animals each; shipped with R's boot package.
SURVIVAL = np.array(
    [
        *(0.31, 0.45, 0.46, 0.43, 0.36, 0.29, 0.40, 0.23, 0.22, 0.21, 0.18, 0.23),
        *(0.82, 1.10, 0.88, 0.72, 0.92, 0.61, 0.49, 1.24, 0.30, 0.37, 0.38, 0.29),
        *(0.43, 0.45, 0.63, 0.76, 0.44, 0.35, 0.31, 0.40, 0.23, 0.25, 0.24, 0.22),
        *(0.45, 0.71, 0.66, 0.62, 0.56, 1.02, 0.71, 0.38, 0.30, 0.36, 0.31, 0.33),
    ]
)
POISON = np.tile(np.repeat(np.arange(3), 4), 4)
TREATMENT = np.repeat(np.arange(4), 12)

SPRAYS = np.array(
    [
        *(10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13),
        *(11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13),
        *(0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4),
        *(3, 5, 12, 6, 4, 3, 5, 5, 5, 5, 2, 4),
        *(3, 5, 3, 5, 3, 6, 1, 1, 3, 2, 6, 4),
        *(11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13),
    ],
    dtype=float,
)


def test_survival_times_additive() -> None:
    # The paper has -0.75 and about -1.13 to -0.37 [from memory]; R on a grid of 0.0001 gives
    # -0.7502, -1.1380 to -0.3561.
    found = box_cox(SURVIVAL, basis(48, [POISON, TREATMENT]), weight="plots")
    assert found.power[0] == pytest.approx(-0.75, abs=0.005)
    assert found.power[0] == pytest.approx(-0.7502, abs=2e-4)
    assert found.lower[0] == pytest.approx(-1.1380, abs=2e-4)
    assert found.upper[0] == pytest.approx(-0.3561, abs=2e-4)
    # The authors went on with the reciprocal, the rate of dying.
    assert found.named[0] == -1.0


def test_survival_times_with_interaction() -> None:
    found = box_cox(SURVIVAL, basis(48, [POISON * 4 + TREATMENT]), weight="plots")
    assert found.power[0] == pytest.approx(-0.8157, abs=2e-4)
    assert found.lower[0] == pytest.approx(-1.2941, abs=2e-4)
    assert found.upper[0] == pytest.approx(-0.3412, abs=2e-4)


def test_sprays_plus_one() -> None:
    # R's InsectSprays, count + 1, one-way; recomputed.
    space = basis(72, [np.repeat(np.arange(6), 12)])
    found = box_cox(SPRAYS, space, shift=1.0, weight="plots")
    assert found.power[0] == pytest.approx(0.2840, abs=2e-4)
    assert found.lower[0] == pytest.approx(0.0828, abs=2e-4)
    assert found.upper[0] == pytest.approx(0.4950, abs=2e-4)
    # No named power lies inside the limits; the square root is the nearest of all.
    assert found.named[0] == 0.5
