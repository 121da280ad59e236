"""Critical values and worked examples of Dunnett's comparison with a control.

Dunnett CW 1955, JASA 50:1096-1121 (one-sided 5 % table seen in a reprint); 1964, Biometrics
20:482-491 (two-sided, from memory). Six-decimal values were computed by an independent quadrature
(two grids that agree to 6 decimals), in agreement with a general-purpose package, to 2e-6.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.comparisons.distributions import (
    Alternative,
    dunnett_isf,
    dunnett_loadings,
    dunnett_sf,
)
from trialkit.inference.comparisons.family import t_critical
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.layout import completely_randomised
from trialkit.inference.normal.linear import LinearFit, fit_layout

INF = float("inf")
TOLERANCE = 2e-6
COUNTS = (1, 2, 3, 4, 5, 6, 8, 9)

TWO_SIDED_05 = {
    5: (2.570582, 3.030236, 3.293155, 3.475893, 3.615117, 3.727109, 3.900424, 3.970148),
    10: (2.228139, 2.568339, 2.758997, 2.890480, 2.990290, 3.070432, 3.194327, 3.244157),
    12: (2.178813, 2.502367, 2.682870, 2.807083, 2.901255, 2.976808, 3.093522, 3.140438),
    15: (2.131450, 2.439190, 2.610032, 2.727312, 2.816098, 2.887259, 2.997079, 3.041193),
    20: (2.085963, 2.378690, 2.540350, 2.651030, 2.734677, 2.801640, 2.904858, 2.946282),
    30: (2.042272, 2.320752, 2.473694, 2.578099, 2.656854, 2.719815, 2.816726, 2.855573),
    60: (2.000298, 2.265267, 2.409942, 2.508390, 2.582496, 2.641648, 2.732546, 2.768936),
    INF: (1.959964, 2.212128, 2.348971, 2.441771, 2.511463, 2.566997, 2.652176, 2.686223),
}
TWO_SIDED_01 = {
    5: (4.032143, 4.627462, 4.974695, 5.218533, 5.405559, 5.556734, 5.791884, 5.886870),
    10: (3.169273, 3.531301, 3.738678, 3.883441, 3.994236, 4.083738, 4.223008, 4.279318),
    20: (2.845340, 3.126701, 3.285408, 3.395385, 3.479190, 3.546694, 3.651446, 3.693716),
    30: (2.749996, 3.008612, 3.153587, 3.253725, 3.329876, 3.391125, 3.486027, 3.524278),
    INF: (2.575829, 2.794273, 2.914999, 2.997738, 3.060329, 3.110479, 3.187866, 3.218953),
}
ONE_SIDED_05 = {
    5: (2.015048, 2.440379, 2.681424, 2.848445, 2.975554, 3.077769, 3.235995, 3.299686),
    10: (1.812461, 2.150614, 2.337559, 2.465572, 2.562307, 2.639730, 2.759027, 2.806885),
    15: (1.753050, 2.066977, 2.238941, 2.356140, 2.444439, 2.514962, 2.623393, 2.666819),
    20: (1.724718, 2.027318, 2.192283, 2.304428, 2.388779, 2.456070, 2.559404, 2.600748),
    30: (1.697261, 1.989026, 2.147299, 2.254608, 2.335180, 2.399374, 2.497819, 2.537164),
    60: (1.670649, 1.952047, 2.103921, 2.206601, 2.283554, 2.344779, 2.438532, 2.475956),
    INF: (1.644854, 1.916332, 2.062084, 2.160333, 2.233817, 2.292194, 2.381440, 2.417018),
}
ONE_SIDED_01 = {
    10: (2.763769, 3.114761, 3.314242, 3.452907, 3.558743, 3.644070, 3.776570, 3.830057),
    20: (2.527977, 2.812829, 2.972213, 3.082150, 3.165661, 3.232769, 3.336638, 3.378464),
    INF: (2.326348, 2.557816, 2.684853, 2.771565, 2.836976, 2.889273, 2.969784, 3.002062),
}


@pytest.mark.parametrize(
    ("alpha", "alternative", "table"),
    [
        (0.05, "two-sided", TWO_SIDED_05),
        (0.01, "two-sided", TWO_SIDED_01),
        (0.05, "greater", ONE_SIDED_05),
        (0.01, "greater", ONE_SIDED_01),
        (0.05, "less", ONE_SIDED_05),
    ],
)
def test_critical_values_for_equal_numbers(
    alpha: float, alternative: Alternative, table: dict[float, tuple[float, ...]]
) -> None:
    for df, row in table.items():
        for count, value in zip(COUNTS, row, strict=True):
            loadings = dunnett_loadings([4] * count, 4)
            exact = float(dunnett_isf(alpha, loadings, df, alternative=alternative))
            assert exact == pytest.approx(value, abs=TOLERANCE)
            t = -exact if alternative == "less" else exact
            p = float(dunnett_sf(t, loadings, df, alternative=alternative))
            assert p == pytest.approx(alpha, rel=1e-9)


@pytest.mark.parametrize(
    ("df", "printed"),
    [
        (5, (2.44, 2.68, 2.85, 2.98, 3.08, 3.24, 3.30)),
        (10, (2.15, 2.34, 2.47, 2.56, 2.64, 2.76, 2.81)),
        (20, (2.03, 2.19, 2.30, 2.39, 2.46, 2.56, 2.60)),
        (30, (1.99, 2.15, 2.25, 2.33, 2.40, 2.50, 2.54)),
        (INF, (1.92, 2.06, 2.16, 2.23, 2.29, 2.38, 2.42)),
    ],
)
def test_printed_one_sided_values(df: float, printed: tuple[float, ...]) -> None:
    """Dunnett 1955, seen. Rounded down once (df 30, 5 treatments), so 0.01 is allowed there."""
    for count, value in zip(COUNTS[1:], printed, strict=True):
        exact = float(
            dunnett_isf(0.05, dunnett_loadings([1] * count, 1), df, alternative="greater")
        )
        allowed = 0.01 if (df, count) == (30, 5) else 0.005
        assert exact == pytest.approx(value, abs=allowed)


def test_one_treatment_is_students_t() -> None:
    assert float(dunnett_isf(0.05, [0.5], 5)) == pytest.approx(t_critical(0.05, 5), rel=1e-10)


def _blood_counts() -> LinearFit:
    """Dunnett 1955; data recalled, P of 0.620 and 0.006 printed in the documentation of scipy."""
    groups = [
        [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
        [9.76, 8.80, 7.68, 9.36],
        [12.80, 9.68, 12.16, 9.20, 10.55],
    ]
    treatment = np.repeat(np.arange(3), [len(group) for group in groups])
    return fit_layout(completely_randomised(treatment, 3), np.concatenate(groups))[0]


def test_blood_counts_two_sided() -> None:
    fit = _blood_counts()
    assert fit.ms_error[0] == pytest.approx(1.38052333333, rel=1e-10)
    result = compare(fit, "dunnett", control=0)
    np.testing.assert_allclose(result.difference[:, 0], [0.65, 2.628], rtol=1e-12)
    np.testing.assert_allclose(result.se[:, 0], [0.758431312352, 0.711471636040], rtol=1e-10)
    np.testing.assert_allclose(result.t[:, 0], [0.857032125934, 3.69375231124], rtol=1e-10)
    np.testing.assert_allclose(result.p_adjusted[:, 0], [0.620101980, 0.005825361], atol=1e-6)
    np.testing.assert_allclose(result.lower[:, 0], [-1.256304137, 0.839728206], atol=1e-6)
    np.testing.assert_allclose(result.upper[:, 0], [2.556304137, 4.416271794], atol=1e-6)
    np.testing.assert_allclose(
        (result.upper - result.difference)[:, 0] / result.se[:, 0], 2.513482904, atol=1e-6
    )
    assert [round(float(p), 3) for p in result.p_adjusted[:, 0]] == [0.620, 0.006]


def test_blood_counts_one_sided() -> None:
    result = compare(_blood_counts(), "dunnett", control=0, alternative="greater")
    np.testing.assert_allclose(result.p_adjusted[:, 0], [0.324977611, 0.002913883], atol=1e-6)
    np.testing.assert_allclose(result.lower[:, 0], [-0.958691985, 1.118913152], atol=1e-6)
    assert np.isnan(result.upper).all()


def _scab() -> tuple[LinearFit, tuple[str, ...]]:
    """Potato scab, Cochran & Cox 1957, Experimental Designs, 2nd ed. (data in agridat)."""
    groups = {
        "O": [12, 10, 24, 29, 30, 18, 32, 26],
        "F12": [10, 4, 4, 5],
        "F3": [9, 9, 16, 4],
        "F6": [16, 10, 18, 18],
        "S12": [17, 7, 16, 17],
        "S3": [30, 7, 21, 9],
        "S6": [18, 24, 12, 19],
    }
    treatment = np.repeat(np.arange(7), [len(group) for group in groups.values()])
    y = np.concatenate(list(groups.values())).astype(float)
    return fit_layout(completely_randomised(treatment, 7), y)[0], tuple(groups)


def test_scab_against_the_untreated() -> None:
    """Correlation 1/3; recomputed."""
    fit, _ = _scab()
    two = compare(fit, "dunnett", control=0)
    less = compare(fit, "dunnett", control=0, alternative="less")
    np.testing.assert_allclose(two.se[:, 0], 4.10403764603, rtol=1e-10)
    np.testing.assert_allclose(
        two.difference[:, 0], [-16.875, -13.125, -7.125, -8.375, -5.875, -4.375], rtol=1e-12
    )
    # The recorded P belong to t rounded to 5 decimals: 1e-7 at that t, 5e-6 at the t of the data.
    t = np.array([-4.11180, -3.19807, -1.73610, -2.04067, -1.43152, -1.06602])
    np.testing.assert_allclose(two.t[:, 0], t, atol=6e-6)
    p_two = [0.0021109, 0.0201551, 0.3872949, 0.2340446, 0.5852107, 0.8254980]
    p_less = [0.0010556, 0.0100865, 0.1997623, 0.1186873, 0.3129758, 0.4832793]
    loadings = dunnett_loadings([4] * 6, 8)
    np.testing.assert_allclose(dunnett_sf(t, loadings, 25), p_two, atol=1e-7)
    np.testing.assert_allclose(dunnett_sf(t, loadings, 25, alternative="less"), p_less, atol=1e-7)
    np.testing.assert_allclose(two.p_adjusted[:, 0], p_two, atol=5e-6)
    np.testing.assert_allclose(less.p_adjusted[:, 0], p_less, atol=5e-6)
    critical = (two.upper - two.difference)[:, 0] / two.se[:, 0]
    np.testing.assert_allclose(critical, 2.803056353, atol=1e-6)
    critical = (less.upper - less.difference)[:, 0] / less.se[:, 0]
    np.testing.assert_allclose(critical, 2.482880412, atol=1e-6)


def test_scab_by_tukey_and_kramer() -> None:
    """Dunnett finds F3 below the untreated, all pairs just do not; recomputed."""
    fit, names = _scab()
    result = compare(fit, "tukey")
    pairs = {
        (names[a], names[b]): index
        for index, (a, b) in enumerate(zip(result.a, result.b, strict=True))
    }
    first = pairs["O", "F12"]
    assert result.p_adjusted[first, 0] == pytest.approx(0.005964954507, abs=1e-6)
    assert -result.upper[first, 0] == pytest.approx(-30.0087542019, abs=1e-5)
    assert -result.lower[first, 0] == pytest.approx(-3.7412457981, abs=1e-5)
    for pair, p in (
        (("O", "F3"), 0.050233044237),
        (("F12", "F6"), 0.406380062356),
        (("F12", "F3"), 0.983730874638),
    ):
        assert result.p_adjusted[pairs[pair], 0] == pytest.approx(p, abs=1e-6)
    assert not result.different[pairs["O", "F3"], 0]
