"""Missing plots: least squares without them against Yates's estimates of them.

Yates F 1933, Empire Journal of Experimental Agriculture 1:129-142. Figures recomputed; what is
printed in Gomez & Gomez 1984 is from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.layout import FloatArray, latin_square, randomised_blocks
from trialkit.inference.normal.linear import LinearFit, fit_layout

RATES = """
5113 5398 5307 4678
5346 5952 4719 4264
5272 5713 5483 4749
5164 * 4986 4410
4804 4848 4432 4748
5254 4542 4919 4098
"""
ROT = """
3.55 2.29 * 2 3.34 3.83 3.86 3.5 2.23 2.91
3.96 3.62 3.46 2.5 2.94 3.7 3.82 2.54 3.18 3.69
2.16 2.34 1.96 2.6 3.77 * 3.2 3.47 2.67 3.33
2.3 4.03 2.54 2.82 3.29 2.93 * 2.55 2.2 2.3
* 3.07 3.49 1.07 3.99 3.48 3.8 3.68 3.24 2.7
3.16 2.52 2.39 3.68 * * 3.85 3.36 2.5 4.13
2.36 3.47 2.64 3.17 3.26 3.28 * * 3.07 3.12
2.99 3.99 2.9 3.97 4.49 4.7 3.86 * 3.5 3.59
"""


def _grid(text: str) -> FloatArray:
    return np.array(
        [
            [np.nan if v == "*" else float(v) for v in line.split()]
            for line in text.split("\n")
            if line
        ]
    )


def _fit_blocks(grid: FloatArray) -> LinearFit:
    treatment, block = np.indices(grid.shape)
    layout = randomised_blocks(treatment.ravel(), block.ravel(), grid.shape[0])
    return fit_layout(layout, grid.ravel())[0]


def _predictions(fit: LinearFit, grid: FloatArray) -> dict[tuple[int, int], float]:
    """What the fit says of the missing plots: least-squares mean plus block effect."""
    full = np.full(grid.size, np.nan)
    full[fit.plots] = fit.fitted[:, 0]
    full = full.reshape(grid.shape)
    effects = np.nanmean(full - fit.means, axis=0)
    return {
        (int(i), int(j)): float(fit.means[i, 0] + effects[j])
        for i, j in np.argwhere(np.isnan(grid))
    }


def test_one_missing_plot_of_rice_rates() -> None:
    """Gomez & Gomez 1984, Table 2.5, block 2 at rate 100 taken out (printed 5,265, from memory)."""
    grid = _grid(RATES)
    fit = _fit_blocks(grid)
    # X = (t T + r B - G) / ((t - 1)(r - 1))
    x = (6 * np.nansum(grid[3]) + 4 * np.nansum(grid[:, 1]) - np.nansum(grid)) / 15
    assert x == pytest.approx(5264.86666667, rel=1e-11)
    assert _predictions(fit, grid)[3, 1] == pytest.approx(x, rel=1e-12)

    treatment, error = fit.terms[-2:]
    assert (treatment.df, error.df) == (5, 14)
    assert error.sum_sq[0] == pytest.approx(1540725.98889, rel=1e-8)
    assert fit.ms_error[0] == pytest.approx(110051.856349, rel=1e-8)
    assert treatment.sum_sq[0] == pytest.approx(1139954.21111, rel=1e-8)
    assert treatment.F[0] == pytest.approx(2.07166739195, rel=1e-8)
    assert treatment.p[0] == pytest.approx(0.130058124, rel=1e-6)
    # The completed table gives too much to treatments, by [B - (t - 1) X]^2 / (t (t - 1)).
    complete = np.where(np.isnan(grid), x, grid)
    filled = _fit_blocks(complete)
    assert filled.terms[0].sum_sq[0] == pytest.approx(2188656.69111, rel=1e-8)
    assert filled.terms[1].sum_sq[0] == pytest.approx(1140506.04815, rel=1e-8)
    bias = (np.nansum(grid[:, 1]) - 5 * x) ** 2 / 30
    assert bias == pytest.approx(551.837037037, rel=1e-8)
    assert filled.terms[1].sum_sq[0] - bias == pytest.approx(float(treatment.sum_sq[0]), rel=1e-10)

    result = compare(fit, "lsd")
    with_missing = (result.a == 3) | (result.b == 3)
    np.testing.assert_allclose(result.se[with_missing, 0], 256.965199608, rtol=1e-10)
    np.testing.assert_allclose(result.se[~with_missing, 0], 234.576060532, rtol=1e-10)
    # The mean of the treatment counts the block in which it is missing.
    assert fit.means[3, 0] == pytest.approx((5164 + x + 4986 + 4410) / 4, rel=1e-12)


def test_nine_missing_plots_of_potato_rot() -> None:
    """Yates's example of potato rot, 8 treatments x 10 blocks (data in agridat)."""
    grid = _grid(ROT)
    fit = _fit_blocks(grid)
    block, treatment, error = fit.terms
    assert (block.df, treatment.df, error.df) == (9, 7, 54)
    assert error.sum_sq[0] == pytest.approx(17.6898575167, rel=1e-8)
    assert fit.ms_error[0] == pytest.approx(0.327589954012, rel=1e-8)
    assert treatment.sum_sq[0] == pytest.approx(5.84234248333, rel=1e-8)
    assert treatment.F[0] == pytest.approx(2.54775930867, rel=1e-8)
    assert treatment.p[0] == pytest.approx(0.0242408285, rel=1e-6)
    estimates = {
        (0, 2): 2.57617506676,
        (4, 0): 2.88391700224,
        (5, 4): 3.73259260993,
        (2, 5): 3.33250344733,
        (5, 5): 3.75723595954,
        (3, 6): 3.31428525676,
        (6, 6): 3.60628317800,
        (7, 7): 3.88617204921,
        (6, 7): 3.21798129121,
    }
    found = _predictions(fit, grid)
    assert found.keys() == estimates.keys()
    for cell, value in estimates.items():
        assert found[cell] == pytest.approx(value, rel=1e-9)


def test_block_adjusted_for_treatment_of_potato_rot() -> None:
    """The other order, 8.14659637222, by exchanging what is called block and treatment."""
    grid = _grid(ROT)
    fit = _fit_blocks(grid.T)
    assert fit.treatment.df == 9
    assert fit.treatment.sum_sq[0] == pytest.approx(8.14659637222, rel=1e-8)


def test_missing_plot_of_a_latin_square() -> None:
    """X = [t (R + C + T) - 2 G] / ((t - 1)(t - 2)) is what least squares says of the plot.

    Maize, Gomez & Gomez 1984, Table 2.7 (from memory), the plot of row 2 and column 3 taken out.
    """
    y = np.array(
        [
            [1.640, 1.210, 1.425, 1.345],
            [1.475, 1.185, 1.400, 1.290],
            [1.670, 0.710, 1.665, 1.180],
            [1.565, 1.290, 1.655, 0.660],
        ]
    )
    letters = np.array([list("BDCA"), list("CADB"), list("ACBD"), list("DBAC")])
    treatment = np.searchsorted(list("ABCD"), letters)
    y[1, 2] = np.nan
    same = treatment == treatment[1, 2]
    x = (4 * (np.nansum(y[1]) + np.nansum(y[:, 2]) + np.nansum(y[same])) - 2 * np.nansum(y)) / 6
    row, column = np.indices(y.shape)
    layout = latin_square(treatment.ravel(), row.ravel(), column.ravel(), 4)
    fit = fit_layout(layout, y.ravel())[0]
    filled = fit_layout(layout, np.where(np.isnan(y), x, y).ravel())[0]
    assert fit.df_error == 5
    assert fit.error.sum_sq[0] == pytest.approx(float(filled.error.sum_sq[0]), rel=1e-10)
    np.testing.assert_allclose(fit.means, filled.means, rtol=1e-12)
    # Variance of a difference with the missing treatment: MSE [2/t + 1/((t - 1)(t - 2))].
    result = compare(fit, "lsd")
    code = int(treatment[1, 2])
    touched = (result.a == code) | (result.b == code)
    np.testing.assert_allclose(
        result.se[touched, 0] ** 2 / fit.ms_error[0], 2 / 4 + 1 / 6, rtol=1e-10
    )
    np.testing.assert_allclose(result.se[~touched, 0] ** 2 / fit.ms_error[0], 2 / 4, rtol=1e-10)


# Answers of R 4.2.2 (emmeans, mvtnorm with absolute error 1e-6) kept with the script that made
# them in reference_scripts/comparisons_missing_plots.
ROT_MEANS = [
    (3.00861750668, 0.192166605593),
    (3.34100000000, 0.180994462350),
    (2.88325034473, 0.192392643463),
    (2.82742852568, 0.192391208468),
    (3.14039170022, 0.192166605593),
    (3.30798285695, 0.205537575568),
    (3.11942644692, 0.205733539028),
    (3.78761720492, 0.192391208468),
]
ROT_TUKEY = """
0.90960971627 0.99977735936 0.99756020253 0.99968844488 0.96187897016 0.99992343980 0.10116701430
0.66624818036 0.52778284774 0.99445028727 0.99999997799 0.99192026183 0.69295887503 0.99999911772
0.97997883183 0.79298692885 0.99011595464 0.03229300055 0.94226846572 0.68521965944 0.96508196194
0.01834307622 0.99881317669 0.99999999925 0.27293872810 0.99799539823 0.68727580990 0.26672940854
"""
ROT_DUNNETT = """
0.688207424 0.997395819 0.978394870 0.996459618 0.821214769 0.999033816 0.033460518
"""
ROT_GREATER = """
0.360821336 0.957291190 0.975519527 0.715277283 0.450701837 0.751773173 0.016729797
"""


def test_comparisons_of_potato_rot() -> None:
    fit = _fit_blocks(_grid(ROT))
    means, ses = zip(*ROT_MEANS, strict=True)
    np.testing.assert_allclose(fit.means[:, 0], means, rtol=1e-10)
    np.testing.assert_allclose(fit.se[:, 0], ses, rtol=1e-10)
    tukey = compare(fit, "tukey").p_adjusted[:, 0]
    np.testing.assert_allclose(tukey, np.array(ROT_TUKEY.split(), dtype=float), atol=1e-8)
    two = compare(fit, "dunnett", control=0).p_adjusted[:, 0]
    np.testing.assert_allclose(two, np.array(ROT_DUNNETT.split(), dtype=float), atol=3e-6)
    greater = compare(fit, "dunnett", control=0, alternative="greater").p_adjusted[:, 0]
    np.testing.assert_allclose(greater, np.array(ROT_GREATER.split(), dtype=float), atol=3e-6)


def test_comparisons_of_maize_in_a_latin_square_with_two_missing_plots() -> None:
    y = np.array(
        [
            [1.640, 1.210, 1.425, 1.345],
            [1.475, 1.185, np.nan, 1.290],
            [1.670, 0.710, 1.665, 1.180],
            [1.565, 1.290, np.nan, 0.660],
        ]
    )
    letters = np.array([list("BDCA"), list("CADB"), list("ACBD"), list("DBAC")])
    row, column = np.indices(y.shape)
    treatment = np.searchsorted(list("ABCD"), letters)
    layout = latin_square(treatment.ravel(), row.ravel(), column.ravel(), 4)
    fit = fit_layout(layout, y.ravel())[0]
    np.testing.assert_allclose(fit.means[:, 0], [1.474375, 1.471250, 1.067500, 1.436875], rtol=1e-9)
    np.testing.assert_allclose(
        fit.se[:, 0],
        [0.0907558322850, 0.0686049606443, 0.0686049606443, 0.0907558322850],
        rtol=1e-9,
    )
    tukey = [
        0.99999125810,
        0.07491016013,
        0.98756041545,
        0.04657606130,
        0.98902491207,
        0.09966889228,
    ]
    # ptukey of R with 4 degrees of freedom has errors of some 1e-8
    np.testing.assert_allclose(compare(fit, "tukey").p_adjusted[:, 0], tukey, atol=1e-7)
    two = compare(fit, "dunnett", control=0).p_adjusted[:, 0]
    np.testing.assert_allclose(two, [0.999980223, 0.050143582, 0.974135711], atol=3e-6)
    greater = compare(fit, "dunnett", control=0, alternative="greater").p_adjusted[:, 0]
    np.testing.assert_allclose(greater, [0.74210632, 0.99798934, 0.82839559], atol=3e-6)
