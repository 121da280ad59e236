"""Limits of ratios of means: values recomputed with a general-purpose statistics package.

Fieller EC 1954, J. R. Stat. Soc. B 16:175-185 (reference from memory; algebra verified).
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.comparisons.ratio_limits import fieller_limits, log_ratio_limits

# Means, variances, df; g; limits of the ratio; control with Fieller's limits; se of the log
# ratio; control with the limits of the delta method. All recomputed. The third is InsectSprays
# C against A (Beall G 1942, Biometrika 32:243-262, reference from memory).
A_SPRAY = 15.3813131313 / 12
ROWS = [
    (
        (4, 20, 9 / 4, 9 / 4, 12),
        0.0267031425753,
        (0.0364803390364, 0.374493966437),
        (80, 62.5506033563, 96.3519660964),
        0.382426463519,
        (53.9849756864, 91.3071870336),
    ),
    (
        (4, 20, 1, 6.25, 6),
        0.0935527751137,
        (0.0754944201877, 0.365788854798),
        (80, 63.4211145202, 92.4505579812),
        0.279508497187,
        (60.3668881058, 89.9074288926),
    ),
    (
        (25 / 12, 14.5, A_SPRAY, A_SPRAY, 66),
        0.0243020448207,
        (-0.0122246182401, 0.306738222900),
        (85.632183908, 69.3261777100, 101.222461824),
        0.549015163856,
        (57.0028061930, 95.1988927422),
    ),
    (
        (4, 6, 2.25, 2.25, 12),
        0.29670158417,
        (0.118173276523, 1.77765544045),
        (33.3333333, -77.7655440, 88.1826723),
        0.450693909433,
        (-77.9820585, 75.0286940),
    ),
]


@pytest.mark.parametrize(("given", "g", "limits", "control", "se", "delta"), ROWS, ids="abcd")
def test_limits_of_percent_control(given, g, limits, control, se, delta):
    fieller, logs = fieller_limits(*given), log_ratio_limits(*given)
    assert fieller.g == pytest.approx(g, rel=1e-10)
    assert (fieller.lower, fieller.upper) == pytest.approx(limits, rel=1e-9)
    found = [100 * (1 - part) for part in (fieller.ratio, fieller.upper, fieller.lower)]
    assert found == pytest.approx(control, rel=2e-9)
    assert logs.se_log == pytest.approx(se, rel=1e-10)
    assert [100 * (1 - part) for part in (logs.upper, logs.lower)] == pytest.approx(delta, rel=2e-9)


def test_no_limits_where_the_untreated_does_not_differ_from_nothing():
    limits = fieller_limits(2, 4, 9, 9, 6)
    assert limits.g == pytest.approx(3.36789990409, rel=1e-10)
    assert limits.ratio == 0.5
    assert np.isnan([limits.lower, limits.upper]).all()


def test_each_limit_solves_the_equation_it_comes_from():
    given = np.array([row[0] for row in ROWS]).T
    limits = fieller_limits(*given)
    from scipy import special

    t = special.stdtrit(given[4], 0.975)
    for x in (limits.lower, limits.upper):
        solved = (given[0] - x * given[1]) ** 2 / (given[2] + x**2 * given[3])
        assert solved == pytest.approx(t**2, rel=1e-11)


# Henderson and Tilton by block; the mean of log ratios and its limits. Recomputed.
TB, TA = np.array([50.0, 40, 60, 45]), np.array([5.0, 6, 9, 4])
CB, CA = np.array([48.0, 52, 44, 56]), np.array([60.0, 58, 55, 63])


def test_averages_of_control_over_blocks():
    ratio = TA * CB / (TB * CA)
    percent = 100 * (1 - ratio)
    assert percent == pytest.approx([92, 86.5517241379, 88, 92.0987654321], rel=1e-11)
    assert percent.mean() == pytest.approx(89.6626223925, rel=1e-11)
    totals = 100 * (1 - TA.mean() * CB.mean() / (TB.mean() * CA.mean()))
    assert totals == pytest.approx(89.5697522816, rel=1e-11)
    logs = np.log(ratio)
    mean, se = logs.mean(), logs.std(ddof=1) / 2.0
    assert mean == pytest.approx(-2.29761565542, rel=1e-11)
    assert se == pytest.approx(0.137295369276, rel=1e-11)
    # A ratio of the given standard error against a number without error.
    limits = log_ratio_limits(np.exp(mean), 1.0, (se * np.exp(mean)) ** 2, 0.0, 3)
    assert 100 * (1 - limits.ratio) == pytest.approx(89.9501819429, rel=1e-11)
    assert 100 * (1 - limits.upper) == pytest.approx(84.4433271113, rel=1e-10)
    assert 100 * (1 - limits.lower) == pytest.approx(93.5076835707, rel=1e-10)
    assert 100 * (1 - TA.mean() / CA.mean()) == pytest.approx(89.8305084746, rel=1e-11)


def test_undefined_and_broadcast():
    fieller = fieller_limits([4.0, 0.0, 4.0], [0.0, 20.0, 20.0], 1.0, 1.0, [12, 12, np.inf])
    assert np.isnan([fieller.ratio[0], fieller.lower[0]]).all()
    assert fieller.lower[1] < 0 < fieller.upper[1]
    logs = log_ratio_limits([4.0, 0.0, 4.0], [0.0, 20.0, 20.0], 1.0, 1.0, [12, 12, 0])
    assert np.isnan(logs.lower).all()
    with pytest.raises(ValueError, match="negative"):
        fieller_limits(1, 2, -1, 1, 5)
    with pytest.raises(ValueError, match="alpha"):
        log_ratio_limits(1, 2, 1, 1, 5, alpha=0)
