"""Strip-plot analysis of rice against the published table.

Source: Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., Wiley,
tables 3.12 and 3.15, p. 110 (book not seen; data and printed results seen in an open collection).
"""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import strip_plot

TEXT = """
2373 3958 4384 4076 6431 4889 7254 6808 8582 4007 5795 5001 5630 7334 7177 7053 8284 6297
2620 4508 5621 4676 6672 7019 7666 7328 8611 2726 5630 3821 4838 7007 4816 6881 7735 6667
4447 3276 4582 5549 5340 6011 6880 5080 6076 2572 3724 3326 3896 2822 4425 1556 2706 3214
"""
RICE = np.array(TEXT.split(), dtype=float)
VARIETY, NITROGEN, REP = (i.ravel() for i in np.indices((6, 3, 3)))


def rice():
    return strip_plot(VARIETY, NITROGEN, REP, RICE)


@pytest.mark.parametrize(
    ("source", "df", "sum_sq", "f", "p", "printed"),
    [
        ("block", 2, 9220962.33333333, None, None, 9220962),
        ("sub", 2, 50676061.4444444, 34.0689953015, 0.0030746232, 50676061),
        ("error_sub", 4, 2974907.88888889, None, None, 2974908),
        ("main", 5, 57100201.2777778, 7.65283901270, 0.00337222636, 57100201),
        ("error_main", 10, 14922619.2222222, None, None, 14922619),
        ("main:sub", 10, 23877979.4444444, 5.80061205522, 0.000427072583, 23877979),
        ("error", 20, 8232917.22222222, None, None, 8232917),
    ],
)
def test_table(source, df, sum_sq, f, p, printed):
    term = rice().term(source)
    assert term.df[0] == df
    assert term.sum_sq[0] == pytest.approx(sum_sq, rel=1e-12)
    assert round(float(term.sum_sq[0])) == printed
    if f is not None:
        assert term.F[0] == pytest.approx(f, rel=1e-10)
        assert term.p[0] == pytest.approx(p, rel=1e-7)
    else:
        assert np.isnan(term.F[0])


def test_each_term_has_its_own_error():
    fit = rice()
    assert fit.term("main").error == "error_main"
    assert fit.term("sub").error == "error_sub"
    assert fit.term("main:sub").error == "error"
    cv = {t.source: 100.0 * np.sqrt(t.mean_sq) / fit.grand_mean for t in fit.terms}
    got = [float(cv[s][0]) for s in ("error_sub", "error_main", "error")]
    assert got == pytest.approx([16.3025542829, 23.0925247417, 12.1286025756], rel=1e-10)
    assert fit.grand_mean[0] == pytest.approx(5289.94444444, rel=1e-11)


def test_standard_errors_of_a_difference():
    """Formulas: 2Ea/rb, 2Eb/ra, 2[(a-1)Ec+Eb]/ra, 2[(b-1)Ec+Ea]/rb (common textbook form)."""
    fit = rice()
    a, b, r = 6, 3, 3
    ea, eb, ec = (fit.term(s).mean_sq[0] for s in ("error_main", "error_sub", "error"))
    se = fit.standard_errors()
    assert se["main"][0][0] == pytest.approx(np.sqrt(2 * ea / (r * b)), rel=1e-12)
    assert se["sub"][0][0] == pytest.approx(np.sqrt(2 * eb / (r * a)), rel=1e-12)
    within = np.sqrt(2 * ((a - 1) * ec + eb) / (r * a))
    assert se["sub in main"][0][0] == pytest.approx(within, rel=1e-12)
    across = np.sqrt(2 * ((b - 1) * ec + ea) / (r * b))
    assert se["main in sub"][0][0] == pytest.approx(across, rel=1e-12)
    assert (se["main"][1][0], se["sub"][1][0]) == pytest.approx((10, 4), rel=1e-9)
    df = ((a - 1) * ec + eb) ** 2 / (((a - 1) * ec) ** 2 / 20 + eb**2 / 4)
    assert se["sub in main"][1][0] == pytest.approx(df, rel=1e-9)
