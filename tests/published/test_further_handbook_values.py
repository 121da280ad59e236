"""Further handbook examples: two transformed or uneven blocks, a Latin square, counted borers."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.design.scales import forward
from trialkit.inference.glm.count_limits import count_limits
from trialkit.inference.glm.count_model import fit_counts
from trialkit.inference.normal.linear import LinearFit, fit_layout

REL = 1e-9

# Percent white heads of rice, 14 varieties (down) in 3 blocks: Gomez KA & Gomez AA 1984,
# Statistical Procedures for Agricultural Research (reference from memory), printed as table 7.21
# on the help page of gomez.nonnormal2 in agridat (MIT licence), where the data were seen.
WHITE_HEADS = """
1.39 0.92 2.63
8.43 4.38 6.94
7.58 3.79 1.91
8.95 12.81 3.22
4.16 17.39 8.06
4.68 1.32 2.09
2.37 5.32 4.86
0.95 0.7 0.98
26.09 25.36 15.69
26.39 22.29 1.98
21.99 12.88 5.15
3.58 2.62 2.91
0.19 0 0.61
0 3.64 4.44
"""

# Yield of rice, 35 varieties (down) in 3 blocks: the same book, printed as table 7.28 on the help
# page of a data set of agridat, with 7.58 for the 5.58 that the data have for variety 17, block 2.
RICE = """
8.171 7.951 8.074
7.049 7.792 7.626
8.067 8.597 6.772
7.855 7.601 7.273
8.815 8.259 7.621
7.211 8.115 8.488
6.557 8.388 6.895
7.999 8.701 8.253
9.31 8.31 9.194
7.372 8.198 8.246
7.142 6.98 8.653
8.265 9.097 8.514
7.413 8.807 10.128
7.13 7.99 8.088
7.089 8.543 7.893
5.832 5.671 6.042
7.619 7.58 8.488
8.427 8.327 7.065
7.311 6.984 7.24
6.01 7.124 6.536
6.514 7.366 7.24
7.832 7.251 7.116
7.914 7.994 7.519
7.448 7.808 7.327
7.014 8.799 7.301
6.375 7.716 6.59
7.042 6.531 6.699
5.998 6.888 6.926
7.175 7.756 7.528
7.425 7.531 7.091
7.453 7.568 7.607
7.073 8.244 6.839
7.235 7.362 7.445
6.984 7.723 7.735
7.185 6.958 7.417
"""

# Differences of measured shoot heights from the true one, operators a to f: Cochran WG & Cox GM
# 1957, Experimental Designs, 2nd ed. (cochran.latin in agridat; the sums below are recomputed).
SHOOTS = """
f3.5 b4.2 a6.7 d6.6 c4.1 e3.8
b8.9 f1.9 d5.8 a4.5 e2.4 c5.8
c9.6 e3.7 f-2.7 b3.7 d6 a7
d10.5 c10.2 b4.6 e3.7 a5.1 f3.8
e3.1 a7.2 c4 f-3.3 b3.5 d5
a5.9 d7.6 e-0.7 c3 f4 b8.6
"""

# Corn borers on 120 hills of each of four treatments, hills by number of borers from 0 on: Bliss CI
# & Fisher RA 1953, Biometrics 9:176-200 (bliss.borers in agridat; means and the common k are
# printed on its help page, the k of single treatments are recomputed and differ from those said to
# be printed).
BORERS = (
    {0: 19, 1: 12, 2: 18, 3: 18, 4: 11, 5: 12, 6: 7, 7: 8, 8: 4, 9: 4, 10: 1, 12: 1, 13: 1}
    | {15: 1, 17: 1, 19: 1, 26: 1},
    {0: 24, 1: 16, 2: 16, 3: 18, 4: 15, 5: 9, 6: 6, 7: 5, 8: 3, 9: 4, 10: 3, 12: 1},
    {0: 43, 1: 35, 2: 17, 3: 11, 4: 5, 5: 4, 6: 1, 7: 2, 8: 2},
    {0: 47, 1: 23, 2: 27, 3: 9, 4: 7, 5: 3, 6: 1, 7: 1, 10: 1, 11: 1},
)


def _blocks(text: str, scale: str) -> LinearFit:
    grid = np.array([line.split() for line in text.split("\n") if line], dtype=float)
    t, b = grid.shape
    layout = randomised_blocks(np.repeat(np.arange(t), b), np.tile(np.arange(b), t), t)
    (fit,) = fit_layout(layout, forward(scale, grid.ravel())[:, None])
    return fit


def _borers() -> tuple[np.ndarray, np.ndarray]:
    counts = [np.repeat(list(hills), list(hills.values())).astype(float) for hills in BORERS]
    assert [part.size for part in counts] == [120] * 4
    return np.repeat(np.arange(4), 120), np.concatenate(counts)


def test_square_root_of_white_heads() -> None:
    fit = _blocks(WHITE_HEADS, "sqrt")
    block, treatment, error = fit.terms
    assert (block.df, treatment.df, error.df) == (2, 13, 26)
    assert block.sum_sq[0] == pytest.approx(2.40075587505, rel=REL)
    assert treatment.sum_sq[0] == pytest.approx(48.0106285196, rel=REL)
    assert error.sum_sq[0] == pytest.approx(16.3088886256, rel=REL)
    assert block.F[0] == pytest.approx(1.91366972282, rel=REL)
    assert treatment.F[0] == pytest.approx(5.88766403668, rel=REL)
    assert fit.cv_percent[0] == pytest.approx(32.7305626214, rel=REL)
    assert [round(float(term.sum_sq[0]), 3) for term in fit.terms] == [2.401, 48.011, 16.309]
    assert [round(float(term.F[0]), 4) for term in fit.terms[:2]] == [1.9137, 5.8877]


def test_yields_of_many_varieties() -> None:
    fit = _blocks(RICE, "none")
    block, treatment, error = fit.terms
    assert (block.df, treatment.df, error.df) == (2, 34, 68)
    assert block.sum_sq[0] == pytest.approx(3.30607853333, rel=REL)
    assert treatment.sum_sq[0] == pytest.approx(40.0198695238, rel=REL)
    assert error.sum_sq[0] == pytest.approx(20.0140581333, rel=REL)
    assert treatment.F[0] == pytest.approx(3.99917590498, rel=REL)
    assert [round(float(term.sum_sq[0]), 3) for term in fit.terms] == [3.306, 40.020, 20.014]
    assert round(float(treatment.F[0]), 4) == 3.9992


def test_latin_square_of_operators() -> None:
    cells = [line.split() for line in SHOOTS.split("\n") if line]
    row, column = np.divmod(np.arange(36), 6)
    operator = np.array(["abcdef".index(cell[0]) for line in cells for cell in line])
    values = np.array([float(cell[1:]) for line in cells for cell in line])
    (fit,) = fit_layout(latin_square(operator, row, column, 6), values[:, None])
    expected = {
        "row": 28.5991666667,
        "column": 78.8691666667,
        "treatment": 155.595833333,
        "error": 66.5633333333,
    }
    assert {term.source: float(term.sum_sq[0]) for term in fit.terms} == pytest.approx(
        expected, rel=REL
    )
    assert fit.df_error == 20
    assert fit.treatment.F[0] == pytest.approx(9.35024287646, rel=REL)


def test_common_and_single_aggregation_of_corn_borers() -> None:
    treatment, counts = _borers()
    layout = completely_randomised(treatment, 4)
    fit = fit_counts(layout, counts, rule="likelihood")
    means = [4.03333333, 3.16666667, 1.48333333, 1.50833333]
    assert fit.means[:, 0] == pytest.approx(means, abs=5e-9)
    assert fit.k[0] == pytest.approx(1.47144974, abs=2e-7)
    assert count_limits(layout, fit, 3).mean[:, 0] == pytest.approx(means, abs=5e-9)
    alone = np.full((480, 4), np.nan)
    for code in range(4):
        alone[treatment == code, code] = counts[treatment == code]
    single = fit_counts(layout, alone, rule="likelihood")
    assert single.k == pytest.approx([1.50288922, 1.76048784, 1.33313086, 1.15352153], abs=5e-7)


def test_limits_of_corn_borers_agree_with_the_large_sample() -> None:
    """With 120 hills a treatment the limits are those of the normal distribution on logarithms."""
    treatment, counts = _borers()
    layout = completely_randomised(treatment, 4)
    fit = fit_counts(layout, counts)
    limits = count_limits(layout, fit, 0)
    mean = limits.mean[:, 0]
    se = np.sqrt((1.0 / mean + fit.dispersion[0]) / 120.0)
    assert np.log(limits.upper[:, 0] / mean) == pytest.approx(1.96 * se, rel=0.06)
    assert np.log(mean / limits.lower[:, 0]) == pytest.approx(1.96 * se, rel=0.06)
