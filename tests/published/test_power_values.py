"""Power of F and t in planned trials against figures of R, scipy and simulation."""

from __future__ import annotations

import pytest

from trialkit.inference.comparisons.power import f_test_power, t_test_power
from trialkit.inference.comparisons.power_plans import design_noncentrality, design_power

# Four treatments with true means 0, 0, 0 and 20, standard deviation 12, level 0.05. Recomputed: R's
# noncentral F, scipy's and a Poisson mixture of incomplete beta functions agree to 9 digits.
MEANS = (0.0, 0.0, 0.0, 20.0)


@pytest.mark.parametrize(
    ("blocks", "noncentrality", "power"),
    [
        (3, 6.25, 0.308209008),
        (4, 8.33333333333, 0.476631163),
        (5, 10.4166666667, 0.625031986),
        (6, 12.5, 0.742983165),
        (7, 14.5833333333, 0.830212951),
        (8, 16.6666666667, 0.891300122),
    ],
)
def test_f_test_of_randomised_blocks(blocks: int, noncentrality: float, power: float) -> None:
    assert float(design_noncentrality(MEANS, 12, blocks)) == pytest.approx(noncentrality, rel=1e-10)
    assert design_power(MEANS, 12, blocks) == pytest.approx(power, abs=1e-8)


def test_one_comparison() -> None:
    # Difference 20, standard deviation 12, four blocks, 9 df; recomputed.
    assert t_test_power(20 / (12 * 0.5**0.5), 9) == pytest.approx(0.556832215, abs=1e-7)


def test_one_way_as_in_the_help_of_r() -> None:
    # R's power.anova.test of 4 groups of 5, variances 1 between and 3 within, prints 0.3535594
    # [from memory].
    assert float(f_test_power(3, 16, 3 * 5 * 1 / 3)) == pytest.approx(0.3535594238, abs=1e-8)


def test_flax_in_blocks() -> None:
    # Oil of flax seed, six times of inoculation in four blocks: Steel RGD & Torrie JH, Principles
    # and Procedures of Statistics, p. 207 and 241, as a course handout works it (handout seen,
    # book not): mean square of error 1.326, about 90 % by Pearson and Hartley's charts, and a
    # general statistics package prints 0.904.
    means = (35.100, 34.300, 34.000, 36.700, 36.075, 37.025)
    assert design_power(means, 1.151472, 4) == pytest.approx(0.904, abs=5e-4)
