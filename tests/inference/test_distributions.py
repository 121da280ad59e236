"""Studentized range, Duncan and Dunnett: against definitions, identities and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from duncan import duncan_isf, duncan_sf
from trialkit.inference.comparisons.distributions import (
    Alternative,
    dunnett_isf,
    dunnett_loadings,
    dunnett_sf,
    studentized_range_isf,
    studentized_range_sf,
)
from trialkit.inference.comparisons.dunnett import (
    CommonFactor,
    common_factor,
    expansion,
    lattice_sf,
    maximum_sf,
)
from trialkit.inference.design.layout import FloatArray, randomised_blocks
from trialkit.inference.normal.linear import fit_layout

INF = float("inf")
ALL_DF = (1, 2, 3, 5.5, 10, 21, 60, 250, 1000, INF)


def _legendre(low: float, high: float, panels: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(16)
    edges = np.linspace(low, high, panels + 1)
    half, middle = np.diff(edges)[:, None] / 2, (edges[1:] + edges[:-1])[:, None] / 2
    return (middle + half * x).ravel(), (half * w).ravel()


def _root_mean_square(df: float) -> tuple[FloatArray, FloatArray]:
    if np.isinf(df):
        return np.ones(1), np.ones(1)
    s, weights = _legendre(
        0.0, float(np.sqrt(1 + 40 * np.sqrt(2 / df) + 200 / df)), 60 if df < 20 else 24
    )
    log_density = np.log(2) + df / 2 * np.log(df / 2) - special.gammaln(df / 2)
    return s, weights * np.exp(log_density + (df - 1) * np.log(s) - df * s * s / 2)


def _direct_range_cdf(q: float, means: int, df: float) -> float:
    """The double integral of the definition, with nothing in common with the tables."""
    s, weights = _root_mean_square(df)
    z, weights_z = _legendre(-9.0, 9.0, 24)
    density = np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    inside = (special.ndtr(z) - special.ndtr(z - q * s[:, None])) ** (means - 1)
    return float(weights @ (means * inside @ (weights_z * density)))


def _direct_dunnett_cdf(d: float, loadings: FloatArray, df: float, *, two_sided: bool) -> float:
    s, weights = _root_mean_square(df)
    z, weights_z = _legendre(-9.0, 9.0, 30)
    density = np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    inside = np.ones((s.size, z.size))
    for loading, count in zip(*np.unique(loadings, return_counts=True), strict=True):
        own = np.sqrt(1 - loading**2)
        one = special.ndtr((d * s[:, None] - loading * z) / own) - (
            special.ndtr((-d * s[:, None] - loading * z) / own) if two_sided else 0.0
        )
        inside *= one**count
    return float(weights @ (inside @ (weights_z * density)))


@pytest.mark.parametrize("df", [2, 5, 21, 100, 1000, INF])
@pytest.mark.parametrize("means", [2, 3, 8, 30, 100])
def test_range_is_the_integral_of_its_definition(means: int, df: float) -> None:
    for q in (0.3, 1.5, 3.0, 4.5, 7.0, 12.0):
        found = 1.0 - float(studentized_range_sf(q, means, df))
        assert found == pytest.approx(_direct_range_cdf(q, means, df), abs=2e-11)


@pytest.mark.parametrize(("means", "df"), [(3, 2), (3, 20), (6, 10), (10, 50), (30, 8)])
def test_range_agrees_with_scipy(means: int, df: float) -> None:
    q = np.array([1.0, 3.0, 5.0, 9.0])
    np.testing.assert_allclose(
        studentized_range_sf(q, means, df), stats.studentized_range.sf(q, means, df), rtol=1e-8
    )


@pytest.mark.parametrize("df", ALL_DF)
def test_range_of_two_means_is_students_t(df: float) -> None:
    t = np.array([1e-6, 0.1, 1.0, 2.5, 5.0, 9.0, 15.0, 25.0])
    exact = 2 * (special.ndtr(-t) if np.isinf(df) else special.stdtr(df, -t))
    np.testing.assert_allclose(studentized_range_sf(np.sqrt(2) * t, 2, df), exact, rtol=1e-10)


@pytest.mark.parametrize("df", ALL_DF)
@pytest.mark.parametrize("alternative", ["two-sided", "greater", "less"])
def test_dunnett_with_one_treatment_is_students_t(df: float, alternative: Alternative) -> None:
    t = np.array([-12.0, -3.0, -1.0, -0.2, 0.0, 0.2, 1.0, 2.5, 9.0, 20.0])
    below = special.ndtr(t) if np.isinf(df) else special.stdtr(df, t)
    above = special.ndtr(-t) if np.isinf(df) else special.stdtr(df, -t)
    exact = {"greater": above, "less": below, "two-sided": 2 * np.minimum(above, below)}
    for loading in (0.0, 0.5, 0.95):
        found = dunnett_sf(t, [loading], df, alternative=alternative)
        np.testing.assert_allclose(found, exact[alternative], rtol=1e-9)


def test_far_tails_keep_their_relative_accuracy() -> None:
    # For large q the range of k means is nearly k (k - 1) / 2 times that of two.
    for df in (30, 200, INF):
        q = float(studentized_range_isf(1e-60, 5, df))
        two = float(studentized_range_sf(q, 2, df))
        pairs = float(studentized_range_sf(q, 5, df)) / two
        assert (8.0 if df == 30 else 9.0) < pairs <= 10.0
    # Infinitely many degrees of freedom: Bonferroni is exact far out.
    assert float(studentized_range_sf(30.0, 4, INF)) == pytest.approx(
        6 * 2 * special.ndtr(-30 / np.sqrt(2)), rel=1e-9
    )
    # Two degrees of freedom: the tail falls as the square of q.
    tail = studentized_range_sf(np.array([1e6, 1e8, 1e12]), 7, 2)
    np.testing.assert_allclose(tail[1:] / tail[0], [1e-4, 1e-12], rtol=1e-8)


def test_probabilities_stay_probabilities() -> None:
    q = np.array([-1.0, 0.0, 1e-300, 1e-3, 1.0, 1e3, 1e200, np.inf, np.nan])
    for df in ALL_DF:
        for means in (2, 3, 50):
            sf = studentized_range_sf(q, means, df)
            assert np.isnan(sf[-1])
            assert ((sf[:-1] >= 0) & (sf[:-1] <= 1)).all()
            assert (np.diff(sf[:-1]) <= 1e-13).all()
            assert sf[0] == sf[1] == 1.0
            assert sf[-2] == 0.0
        for alternative in ("two-sided", "greater", "less"):
            p = dunnett_sf(q, dunnett_loadings([4, 4, 6], 5), df, alternative=alternative)
            assert ((p[:-1] >= 0) & (p[:-1] <= 1)).all()


@settings(max_examples=60, deadline=None)
@given(
    alpha=st.floats(1e-12, 0.999),
    means=st.integers(2, 100),
    df=st.sampled_from([2, 7, 21, 24.5, 300, 1000, INF]),
)
def test_quantiles_undo_probabilities(alpha: float, means: int, df: float) -> None:
    q = float(studentized_range_isf(alpha, means, df))
    assert float(studentized_range_sf(q, means, df)) == pytest.approx(alpha, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    alpha=st.floats(1e-12, 0.999),
    count=st.integers(1, 20),
    control=st.integers(2, 12),
    df=st.sampled_from([2, 7, 21, 300, INF]),
    alternative=st.sampled_from(["two-sided", "greater", "less"]),
)
def test_dunnett_quantiles_undo_probabilities(
    alpha: float, count: int, control: int, df: float, alternative: Alternative
) -> None:
    loadings = dunnett_loadings(3 + np.arange(count) % 4, control)
    d = float(dunnett_isf(alpha, loadings, df, alternative=alternative))
    t = -d if alternative == "less" else d
    assert float(dunnett_sf(t, loadings, df, alternative=alternative)) == pytest.approx(
        alpha, rel=1e-9
    )


def test_extreme_quantiles() -> None:
    found = studentized_range_isf(np.array([0.0, 1.0, -0.1, 1.1, np.nan]), 4, 10)
    assert found[0] == np.inf
    assert found[1] == 0.0
    assert np.isnan(found[2:]).all()
    assert float(dunnett_isf(1.0, [0.5, 0.5], 10, alternative="greater")) == -np.inf


@pytest.mark.parametrize("df", [2, 20, INF])
@pytest.mark.parametrize("two_sided", [True, False])
@pytest.mark.parametrize(
    "loadings",
    [
        dunnett_loadings([4] * 7, 4),
        dunnett_loadings([3, 4, 4, 5, 8], 4),
        dunnett_loadings([12, 2], 1),
        dunnett_loadings([4] * 60, 8),
        np.array([0.9, -0.3, 0.0]),
    ],
    ids=["equal", "unequal", "few controls", "sixty", "signs"],
)
def test_dunnett_is_the_integral_of_its_definition(
    loadings: FloatArray, two_sided: bool, df: float
) -> None:
    alternative: Alternative = "two-sided" if two_sided else "greater"
    points = (0.4, 1.5, 3.0) if two_sided else (-2.0, -0.5, 0.0, 2.5)
    for d in points:
        found = float(dunnett_sf(d, loadings, df, alternative=alternative))
        direct = _direct_dunnett_cdf(d, loadings, df, two_sided=two_sided)
        assert found == pytest.approx(1 - direct, abs=1e-10)


def test_dunnett_by_simulation() -> None:
    rng = np.random.default_rng(1)
    n = np.array([5, 4, 3, 6])
    draws = 400_000
    means = rng.normal(size=(4, draws)) / np.sqrt(n)[:, None]
    s = np.sqrt(rng.chisquare(14, draws) / 14)
    t = (means[1:] - means[0]) / np.sqrt(1 / n[1:] + 1 / n[0])[:, None] / s
    loadings = dunnett_loadings(n[1:], n[0])
    for d in (1.0, 2.0, 2.6):
        for alternative, largest in (("two-sided", np.abs(t)), ("greater", t), ("less", -t)):
            p = float((largest.max(axis=0) > d).mean())
            point = -d if alternative == "less" else d
            exact = float(dunnett_sf(point, loadings, 14, alternative=alternative))
            assert p == pytest.approx(exact, abs=4.5 * np.sqrt(exact * (1 - exact) / draws))


def test_a_matrix_of_product_form_is_its_factors() -> None:
    loadings = dunnett_loadings([3, 4, 5, 9], 4)
    matrix = np.outer(loadings, loadings)
    np.fill_diagonal(matrix, 1.0)
    np.testing.assert_allclose(common_factor(matrix).loadings, loadings, rtol=1e-10)
    t = np.linspace(0.1, 6, 7)
    for alternative in ("two-sided", "greater"):
        np.testing.assert_allclose(
            dunnett_sf(t, matrix, 12, alternative=alternative),
            dunnett_sf(t, loadings, 12, alternative=alternative),
            rtol=1e-9,
        )


def _difference_correlation(unit_cov: FloatArray) -> FloatArray:
    t = len(unit_cov)
    contrasts = np.hstack([-np.ones((t - 1, 1)), np.eye(t - 1)])
    covariance = contrasts @ unit_cov @ contrasts.T
    sd = np.sqrt(np.diagonal(covariance))
    return covariance / np.outer(sd, sd)


def _missing_plots(t: int, blocks: int, missing: int, seed: int) -> FloatArray:
    rng = np.random.default_rng(seed)
    treatment, block = (codes.ravel() for codes in np.indices((t, blocks)))
    y = rng.normal(size=t * blocks)
    y[rng.choice(y.size, missing, replace=False)] = np.nan
    fit = fit_layout(randomised_blocks(treatment, block, t), y)[0]
    return _difference_correlation(fit.unit_cov)


def _normal_box(matrix: FloatArray, low: float, high: float) -> float:
    """Chance that all of up to four normal statistics lie between two limits.

    A product rule over all of them but the last, which is taken given the others.
    """
    p = len(matrix)
    x, weights = _legendre(low, high, 3 if low < -5 else 2)
    grid = np.stack([axis.ravel() for axis in np.meshgrid(*[x] * (p - 1), indexing="ij")])
    weight = np.prod(np.meshgrid(*[weights] * (p - 1), indexing="ij"), axis=0).ravel()
    rest, cross = matrix[:-1, :-1], matrix[-1, :-1]
    density = np.exp(-0.5 * np.einsum("in,ij,jn->n", grid, np.linalg.inv(rest), grid))
    density /= np.sqrt((2 * np.pi) ** (p - 1) * np.linalg.det(rest))
    slope = np.linalg.solve(rest, cross)
    own, centre = np.sqrt(1 - cross @ slope), slope @ grid
    last = special.ndtr((high - centre) / own) - special.ndtr((low - centre) / own)
    return float(np.sum(weight * density * last))


@pytest.mark.parametrize(
    ("blocks", "missing", "seed"), [(4, 3, 2), (4, 5, 4), (3, 4, 6), (3, 3, 7)]
)
def test_missing_plots_against_a_general_normal_integral(
    blocks: int, missing: int, seed: int
) -> None:
    matrix = _missing_plots(5, blocks, missing, seed)
    remainder = np.abs(common_factor(matrix).remainder).max()
    assert 1e-4 < remainder < 0.1
    for w in (1.0, 2.0, 2.5, 3.5):
        two = 1 - _normal_box(matrix, -w, w)
        assert float(dunnett_sf(w, matrix, INF)) == pytest.approx(two, abs=2e-5, rel=1e-3)
        one = 1 - _normal_box(matrix, -8.0, w)
        greater = float(dunnett_sf(w, matrix, INF, alternative="greater"))
        assert greater == pytest.approx(one, abs=2e-5, rel=1e-3)


@pytest.mark.parametrize("two_sided", [True, False])
def test_expansion_agrees_with_the_lattice(two_sided: bool) -> None:
    matrix = _missing_plots(8, 4, 6, 3)
    factor = common_factor(matrix)
    w = np.array([0.8, 1.6, 2.4, 3.0])
    product = maximum_sf(w, factor.loadings, two_sided=two_sided)
    expanded = product + expansion(w, factor, two_sided=two_sided)
    lattice = lattice_sf(w, matrix, two_sided=two_sided)
    np.testing.assert_allclose(expanded, lattice, atol=3e-5)
    # The correction is more than the error left.
    assert np.abs(expanded - product).max() > 5 * np.abs(expanded - lattice).max()


def test_correlations_far_from_product_form() -> None:
    # Three statistics of which two pairs agree and one pair disagrees: no single factor fits.
    matrix = np.array([[1.0, 0.6, -0.5], [0.6, 1.0, 0.3], [-0.5, 0.3, 1.0]])
    for w in (0.5, 1.5, 2.3, 2.8, 3.5):
        two = 1 - _normal_box(matrix, -w, w)
        assert float(dunnett_sf(w, matrix, INF)) == pytest.approx(two, abs=5e-4)
        one = 1 - _normal_box(matrix, -8.0, w)
        greater = float(dunnett_sf(w, matrix, INF, alternative="greater"))
        assert greater == pytest.approx(one, abs=5e-4)


def test_signs_of_the_statistics_do_not_matter_two_sided() -> None:
    matrix = _missing_plots(5, 4, 3, 2)
    signs = np.array([1.0, -1.0, -1.0, 1.0])
    t = np.array([0.5, 2.0, 3.0])
    np.testing.assert_allclose(
        dunnett_sf(t, matrix, 9), dunnett_sf(t, matrix * np.outer(signs, signs), 9), rtol=1e-8
    )


def test_correlation_of_minus_and_plus_one_is_survived() -> None:
    for rho in (1.0, -1.0):
        p = float(dunnett_sf(2.0, np.array([[1.0, rho], [rho, 1.0]]), INF))
        # Both statistics are one and the same in size, or very nearly.
        assert p == pytest.approx(2 * special.ndtr(-2.0), rel=1e-2)


def test_duncan_is_the_range_at_its_own_level() -> None:
    for p in (2, 4, 7):
        q = float(studentized_range_isf(1 - 0.95 ** (p - 1), p, 30))
        assert duncan_isf(0.05, p, 30) == pytest.approx(q, rel=1e-12)
        assert float(duncan_sf(q, p, 30)) == pytest.approx(0.05, rel=1e-9)
    values = duncan_sf(np.array([0.0, np.nan, 100.0]), 5, 20)
    assert values[0] == 1.0
    assert np.isnan(values[1])
    assert 0 <= values[2] < 1e-12


def test_duncan_does_not_fall_with_the_number_of_means() -> None:
    for df in (2, 5, 40):
        for alpha in (0.01, 0.05, 0.1):
            ranges = [duncan_isf(alpha, p, df) for p in range(2, 13)]
            assert (np.diff(ranges) >= -1e-12 * ranges[0]).all()


def test_refusals() -> None:
    with pytest.raises(ValueError, match="two means"):
        studentized_range_sf(3.0, 1, 10)
    for df in (0.5, 0.0, -3.0, np.nan):
        with pytest.raises(ValueError, match="degrees of freedom"):
            studentized_range_sf(3.0, 3, df)
    with pytest.raises(ValueError, match="alternative"):
        dunnett_sf(1.0, [0.5], 10, alternative="both")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="between -1 and 1"):
        dunnett_sf(1.0, [0.5, 1.0], 10)
    with pytest.raises(ValueError, match="unit diagonal"):
        dunnett_sf(1.0, np.full((2, 2), 0.5), 10)
    with pytest.raises(ValueError, match="symmetric"):
        dunnett_sf(1.0, np.array([[1.0, 0.2], [0.3, 1.0]]), 10)
    with pytest.raises(ValueError, match="factors or the matrix"):
        dunnett_sf(1.0, np.array([]), 10)
    with pytest.raises(ValueError, match="semidefinite"):
        dunnett_sf(1.0, np.array([[1.0, 0.9, -0.9], [0.9, 1.0, 0.9], [-0.9, 0.9, 1.0]]), 10)


def test_common_factor_of_one_statistic() -> None:
    factor = common_factor(np.ones((1, 1)))
    assert isinstance(factor, CommonFactor)
    assert factor.exact


@pytest.mark.parametrize("two_sided", [True, False])
def test_very_many_loadings_are_summed_as_each_by_itself(two_sided):
    """Interpolated between nodes; the same few at a time are not."""
    draw = np.random.default_rng(5)
    loadings = draw.uniform(0.05, 0.97, 150)
    w = np.linspace(0.3, 12.0, 9)
    z = np.linspace(-11.0, 23.0, 6801)
    own = np.sqrt(1.0 - loadings**2)
    inside = np.zeros((w.size, z.size))
    for loading, rest in zip(loadings, own, strict=True):
        out = special.ndtr((loading * z - w[:, None]) / rest)
        if two_sided:
            out += special.ndtr((-loading * z - w[:, None]) / rest)
        inside += np.log1p(-np.minimum(out, 1.0 - 1e-16))
    tail = -(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) * np.expm1(inside)).sum(axis=1)
    tail *= z[1] - z[0]
    assert maximum_sf(w, loadings, two_sided=two_sided) == pytest.approx(tail, rel=1e-9)
