"""Comparisons of means with errors of their own against those with one error."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from strata_fits import compare_mixed, split_plot
from trialkit.inference.comparisons.distributions import studentized_range_sf
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import compare, compare_means, compare_pairs
from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import factor, randomised_blocks
from trialkit.inference.fit import Covariance
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.mixed import mixed_fit

BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 4)))


def split(k=2, seed=1):
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(48, k)) + rng.normal(size=(12, k))[BLOCK * 3 + MAIN] + 1.5 * SUB[:, None]
    return split_plot(MAIN, SUB, y, blocking=[("block", BLOCK)])


@pytest.mark.parametrize("method", [m for m in Method if m is not Method.NONE])
@pytest.mark.parametrize("kind", ["main", "sub"])
def test_means_with_one_error_are_compared_as_elsewhere(kind, method):
    fit = split()
    control = 1 if method is Method.DUNNETT else None
    p = fit.term(kind).p
    got = compare(fit, method, rows=fit.mean_rows(kind)[0], control=control, overall_p=p)
    error, n = ("error_main", 16) if kind == "main" else ("error", 12)
    means = fit.means(kind).mean
    df = int(fit.term(error).df[0])
    wanted = compare_means(
        means,
        Covariance(unit=np.eye(len(means)) / n, ms_error=fit.term(error).mean_sq, df=df),
        method,
        control=control,
        overall_p=fit.term(kind).p,
    )
    for name in ("a", "b", "difference", "se", "t", "p_adjusted", "lower", "upper"):
        np.testing.assert_allclose(
            getattr(got, name), getattr(wanted, name), rtol=1e-7, atol=1e-10, err_msg=name
        )
    assert np.array_equal(got.different, wanted.different)
    assert np.array_equal(got.declared, wanted.declared)


@pytest.mark.parametrize("method", [m for m in Method if m is not Method.NONE])
def test_mixed_model_of_balanced_blocks_is_the_linear_fit(method):
    rng = np.random.default_rng(3)
    t, b = np.tile(np.arange(5), 4), np.repeat(np.arange(4), 5)
    y = rng.normal(size=20) + t
    linear = fit_layout(randomised_blocks(t, b, 5), y)[0]
    model = FixedModel(
        factors={"treatment": factor("treatment", t), "block": factor("block", b)},
        terms=(("block",), ("treatment",)),
    )
    mixed = mixed_fit(y, model)
    control = 0 if method is Method.DUNNETT else None
    got = compare_mixed(
        mixed,
        mixed.means("treatment"),
        method,
        control=control,
        overall_p=float(linear.treatment.p[0]),
    )
    wanted = compare(linear, method, control=control)
    np.testing.assert_allclose(got.p_adjusted, wanted.p_adjusted, rtol=1e-6, atol=1e-10)
    np.testing.assert_allclose(got.lower, wanted.lower, rtol=1e-6)
    assert got.declared.tolist() == wanted.declared.tolist()


def test_each_pair_has_its_own_error_and_df():
    fit = split()
    got = compare(fit, Method.BONFERRONI)
    d = fit.differences("all")
    np.testing.assert_allclose(got.se, d.se)
    np.testing.assert_allclose(got.p_adjusted, np.minimum(66 * d.p, 1.0))
    assert np.ptp(d.df[:, 0]) > 1.0
    half = -special.stdtrit(d.df, 0.05 / (2 * 66)) * d.se
    np.testing.assert_allclose(got.upper - got.difference, half)
    assert len(got.letters(fit.means("main:sub").mean)[0]) == 12


def test_tukey_with_a_df_for_each_pair_is_exact():
    rng = np.random.default_rng(5)
    means = rng.normal(size=(5, 1)) * 2
    se, df = rng.uniform(0.8, 1.2, (10, 1)), rng.uniform(4.0, 40.0, (10, 1))
    got = compare_pairs(means, (se, df), Method.TUKEY)
    for i in range(10):
        exact = studentized_range_sf(abs(got.t[i, 0]) * np.sqrt(2), 5, float(df[i, 0]))
        assert got.p_adjusted[i, 0] == pytest.approx(float(exact), abs=1e-7)
        # Interval and p-value agree.
        assert (got.lower[i, 0] > 0 or got.upper[i, 0] < 0) == bool(got.different[i, 0])


def test_unknown_means_stay_unknown():
    means = np.array([[1.0], [np.nan], [3.0]])
    se, df = np.array([[np.nan], [0.5], [np.nan]]), np.array([[np.nan], [8.0], [np.nan]])
    for method in Method:
        control = 0 if method is Method.DUNNETT else None
        got = compare_pairs(means, (se, df), method, control=control, overall_p=np.array([0.01]))
        known = ~np.isnan(got.p_adjusted[:, 0])
        assert known.sum() == (0 if method is Method.NONE else 1)
        if known.any():
            single = 2 * special.stdtr(8.0, -2.0 / 0.5)
            assert got.p_adjusted[known, 0] == pytest.approx(single, rel=1e-6)


def test_a_pair_with_less_than_one_degree_of_freedom_says_nothing():
    means = np.array([[1.0], [2.0], [9.0]])
    se, df = np.ones((3, 1)), np.array([[0.3], [8.0], [8.0]])
    for method in (Method.LSD, Method.BONFERRONI, Method.SIDAK, Method.TUKEY, Method.SCHEFFE):
        got = compare_pairs(means, (se, df), method, overall_p=np.array([0.01]))
        parts = (got.t, got.p_adjusted, got.lower, got.upper)
        assert [np.isnan(part[:, 0]).tolist() for part in parts] == [[True, False, False]] * 4


def test_arguments_are_checked():
    with pytest.raises(ValueError, match="all pairs"):
        compare_pairs(np.zeros((3, 1)), (np.ones((2, 1)), np.ones((2, 1))), Method.TUKEY)
    with pytest.raises(ValueError, match="LSD"):
        compare_pairs(np.zeros((3, 1)), (np.ones((3, 1)), np.ones((3, 1))), Method.LSD)
