"""Comparisons of means: against other software, step by step by hand, and properties."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from duncan import duncan_isf
from trialkit.inference.comparisons.distributions import studentized_range_isf
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import Comparisons, compare, compare_means
from trialkit.inference.design.layout import (
    FloatArray,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.fit import Covariance
from trialkit.inference.normal.linear import LinearFit, fit_layout

SEEDS = st.integers(0, 2**32 - 1)
PAIRWISE = tuple(method for method in Method if method is not Method.DUNNETT)
WITH_LIMITS = ("tukey", "bonferroni", "sidak", "scheffe")


def _random_fit(seed: int, *, spread: float = 1.0, missing: float = 0.1) -> LinearFit:
    """Blocks with plots missing, two responses."""
    rng = np.random.default_rng(seed)
    t, b = int(rng.integers(3, 8)), int(rng.integers(3, 6))
    treatment, block = (codes.ravel() for codes in np.indices((t, b)))
    y = rng.normal(size=(t * b, 2)) + spread * rng.normal(size=(t, 2))[treatment]
    y[rng.random(t * b) < missing] = np.nan
    return fit_layout(randomised_blocks(treatment, block, t), y)[0]


def _unequal_fit(seed: int, *, spread: float = 1.5) -> LinearFit:
    rng = np.random.default_rng(seed)
    t = int(rng.integers(3, 8))
    n = rng.integers(2, 7, t)
    treatment = np.repeat(np.arange(t), n)
    y = rng.normal(size=(treatment.size, 2)) + spread * rng.normal(size=(t, 2))[treatment]
    return fit_layout(completely_randomised(treatment, t), y)[0]


@pytest.mark.parametrize("seed", range(5))
def test_tukey_kramer_agrees_with_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    groups = [rng.normal(loc, size=n) for loc, n in ((0, 4), (1, 7), (2, 5), (0.5, 3))]
    layout = completely_randomised(np.repeat(np.arange(4), [4, 7, 5, 3]), 4)
    result = compare(fit_layout(layout, np.concatenate(groups))[0], "tukey")
    expected = stats.tukey_hsd(*groups)
    interval = expected.confidence_interval(0.95)
    for index, (a, b) in enumerate(zip(result.a, result.b, strict=True)):
        assert result.p_adjusted[index, 0] == pytest.approx(expected.pvalue[a, b], rel=1e-6)
        assert result.difference[index, 0] == pytest.approx(expected.statistic[a, b], rel=1e-10)
        assert result.lower[index, 0] == pytest.approx(interval.low[a, b], abs=1e-6)
        assert result.upper[index, 0] == pytest.approx(interval.high[a, b], abs=1e-6)


@pytest.mark.parametrize("alternative", ["two-sided", "greater", "less"])
def test_dunnett_agrees_with_scipy(alternative: str) -> None:
    rng = np.random.default_rng(3)
    control, *treated = (rng.normal(loc, size=n) for loc, n in ((0, 6), (1, 4), (2, 5), (-1, 3)))
    layout = completely_randomised(np.repeat(np.arange(4), [6, 4, 5, 3]), 4)
    fit = fit_layout(layout, np.concatenate([control, *treated]))[0]
    result = compare(fit, "dunnett", control=0, alternative=alternative)  # type: ignore[arg-type]
    expected = stats.dunnett(*treated, control=control, alternative=alternative, rng=1)
    np.testing.assert_allclose(result.t[:, 0], expected.statistic, rtol=1e-10)
    # scipy's is a Monte Carlo integral
    np.testing.assert_allclose(result.p_adjusted[:, 0], expected.pvalue, atol=1e-3)


def test_false_discovery_rate_and_holm_agree_with_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    fit = _random_fit(12)
    raw = compare(fit, "lsd").p_adjusted
    names = {"holm": "holm", "fdr": "fdr_bh", "bonferroni": "bonferroni", "sidak": "sidak"}
    for method, name in names.items():
        result = compare(fit, method)
        for column in range(2):
            expected = multipletests(raw[:, column], method=name)[1]
            np.testing.assert_allclose(result.p_adjusted[:, column], expected, rtol=1e-10)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, method=st.sampled_from(PAIRWISE))
def test_two_means_are_a_t_test_by_every_method(seed: int, method: Method) -> None:
    rng = np.random.default_rng(seed)
    one, other = rng.normal(size=4), rng.normal(0.8, size=6)
    layout = completely_randomised(np.repeat([0, 1], [4, 6]), 2)
    result = compare(fit_layout(layout, np.concatenate([one, other]))[0], method)
    t = stats.ttest_ind(one, other)
    assert result.t[0, 0] == pytest.approx(t.statistic, rel=1e-9)
    if method is Method.NONE:
        assert np.isnan(result.p_adjusted[0, 0])
        assert not result.different[0, 0]
        return
    assert result.p_adjusted[0, 0] == pytest.approx(t.pvalue, rel=1e-9)
    assert result.different[0, 0] == (t.pvalue <= 0.05)
    if method in WITH_LIMITS:
        interval = t.confidence_interval(0.95)
        assert result.lower[0, 0] == pytest.approx(interval.low, rel=1e-8)
        assert result.upper[0, 0] == pytest.approx(interval.high, rel=1e-8)


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, method=st.sampled_from(PAIRWISE), alpha=st.sampled_from([0.01, 0.05, 0.2]))
def test_letters_agree_with_the_comparisons(seed: int, method: Method, alpha: float) -> None:
    fit = _random_fit(seed, spread=2.0)
    result = compare(fit, method, alpha=alpha)
    for column, found in enumerate(result.letters(fit.means)):
        if not result.declared[column]:
            assert set(found) == {""}
            assert not result.different[:, column].any()
            continue
        for index, (a, b) in enumerate(zip(result.a, result.b, strict=True)):
            if np.isnan(fit.means[[a, b], column]).any():
                continue
            apart = not set(found[a]) & set(found[b])
            assert apart == result.different[index, column]
            assert apart == (result.p_adjusted[index, column] <= alpha)


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, method=st.sampled_from(WITH_LIMITS))
def test_intervals_agree_with_the_decisions(seed: int, method: str) -> None:
    result = compare(_unequal_fit(seed), method)
    outside = (result.lower > 0) | (result.upper < 0)
    np.testing.assert_array_equal(outside, result.different)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, control=st.integers(0, 2))
def test_dunnett_intervals_agree_with_the_decisions(seed: int, control: int) -> None:
    for fit in (_unequal_fit(seed), _random_fit(seed)):
        two = compare(fit, "dunnett", control=control)
        assert (two.b == control).all()
        np.testing.assert_array_equal((two.lower > 0) | (two.upper < 0), two.different)
        greater = compare(fit, "dunnett", control=control, alternative="greater")
        np.testing.assert_array_equal(greater.lower > 0, greater.different)
        less = compare(fit, "dunnett", control=control, alternative="less")
        np.testing.assert_array_equal(less.upper < 0, less.different)
        assert np.isnan(less.lower).all()
        assert np.isnan(greater.upper).all()


def _stepwise_by_hand(
    means: FloatArray, se: FloatArray, df: float, alpha: float, *, duncan: bool
) -> set[frozenset[int]]:
    """Ranges of ordered means, the widest first; none inside one that is not significant."""
    order = np.argsort(-means)
    different: set[frozenset[int]] = set()
    closed: list[tuple[int, int]] = []
    for size in range(len(order), 1, -1):
        critical = (
            duncan_isf(alpha, size, df) if duncan else float(studentized_range_isf(alpha, size, df))
        )
        for i in range(len(order) - size + 1):
            j = i + size - 1
            if any(low <= i and j <= high for low, high in closed):
                continue
            a, b = int(order[i]), int(order[j])
            if means[a] - means[b] >= critical * se[a, b] / np.sqrt(2):
                different.add(frozenset((a, b)))
            else:
                closed.append((i, j))
    return different


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS, duncan=st.booleans(), alpha=st.sampled_from([0.01, 0.05, 0.2]))
def test_stepwise_procedures_step_by_step(seed: int, duncan: bool, alpha: float) -> None:
    for fit in (_unequal_fit(seed), _random_fit(seed)):
        known = np.flatnonzero(~np.isnan(fit.means[:, 0]))
        result = compare(fit, "duncan" if duncan else "snk", alpha=alpha)
        variance = np.diagonal(fit.unit_cov)[known]
        unit = variance[:, None] + variance - 2 * fit.unit_cov[np.ix_(known, known)]
        for column in range(2):
            by_hand = _stepwise_by_hand(
                fit.means[known, column],
                np.sqrt(unit * fit.ms_error[column]),
                fit.df_error,
                alpha,
                duncan=duncan,
            )
            found = {
                frozenset((int(a), int(b)))
                for a, b, d in zip(result.a, result.b, result.different[:, column], strict=True)
                if d
            }
            assert found == {frozenset(int(known[i]) for i in pair) for pair in by_hand}


def one_error(unit: FloatArray, df: float) -> Covariance:
    return Covariance(unit=unit, ms_error=np.array([1.0]), df=df)


def test_equal_means_do_not_depend_on_their_order() -> None:
    means = np.array([[5.0], [5.0], [3.0], [3.0], [1.0]])
    cov = np.diag([0.25, 0.5, 0.25, 0.2, 0.25])
    for method in ("snk", "duncan"):
        base = compare_means(means, one_error(cov, 12), method)
        table = _matrix(base, 5)
        for order in ([1, 0, 2, 3, 4], [1, 0, 3, 2, 4], [4, 3, 2, 1, 0]):
            other = compare_means(means[order], one_error(cov[np.ix_(order, order)], 12), method)
            np.testing.assert_allclose(_matrix(other, 5), table[np.ix_(order, order)], rtol=1e-10)
        assert table[0, 1] == table[2, 3] == 1.0


def _matrix(result: Comparisons, t: int, column: int = 0) -> FloatArray:
    table = np.ones((t, t))
    table[result.a, result.b] = result.p_adjusted[:, column]
    return np.minimum(table, table.T)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, method=st.sampled_from([m for m in PAIRWISE if m is not Method.NONE]))
def test_names_of_treatments_change_nothing(seed: int, method: Method) -> None:
    fit = _unequal_fit(seed)
    t = len(fit.means)
    order = np.random.default_rng(seed).permutation(t)
    one = compare(fit, method)
    other = compare_means(
        fit.means[order],
        Covariance(unit=fit.unit_cov[np.ix_(order, order)], ms_error=fit.ms_error, df=fit.df_error),
        method,
        overall_p=fit.treatment.p,
    )
    for column in range(2):
        np.testing.assert_allclose(
            _matrix(other, t, column),
            _matrix(one, t, column)[np.ix_(order, order)],
            rtol=1e-8,
        )


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_procedures_stand_in_their_order(seed: int) -> None:
    """From liberal to strict, for means with equal standard errors."""
    fit = _random_fit(seed, missing=0.0)
    p = {method: compare(fit, method).p_adjusted for method in ("lsd", "tukey", "scheffe")}
    p |= {m: compare(fit, m).p_adjusted for m in ("snk", "duncan", "holm", "bonferroni", "sidak")}
    p["fdr"] = compare(fit, "fdr").p_adjusted
    slack = 1e-9
    for low, high in (
        ("lsd", "duncan"),
        ("lsd", "fdr"),
        ("duncan", "snk"),
        ("snk", "tukey"),
        ("tukey", "scheffe"),
        ("fdr", "holm"),
        ("holm", "bonferroni"),
        ("sidak", "bonferroni"),
        ("tukey", "sidak"),
    ):
        known = ~np.isnan(p[low])
        assert (p[low] <= p[high] + slack)[known].all(), (low, high)


def test_lsd_is_protected() -> None:
    # One pair differs by itself, F does not say so.
    means = np.array([[0.0], [0.1], [0.2], [2.2]])
    cov = np.eye(4) / 2
    unprotected = compare_means(means, one_error(cov, 20), "lsd", overall_p=np.array([0.01]))
    protected = compare_means(means, one_error(cov, 20), "lsd", overall_p=np.array([0.06]))
    assert unprotected.different.any()
    assert not protected.different.any()
    assert unprotected.declared.tolist() == [True]
    assert protected.declared.tolist() == [False]
    np.testing.assert_allclose(unprotected.p_adjusted, protected.p_adjusted)
    assert protected.letters(means) == (("", "", "", ""),)
    undefined = compare_means(means, one_error(cov, 20), "lsd", overall_p=np.array([np.nan]))
    assert not undefined.different.any()
    with pytest.raises(ValueError, match="protected LSD"):
        compare_means(means, one_error(cov, 20), "lsd")


@pytest.mark.parametrize("method", list(Method))
def test_treatments_without_a_mean_are_not_compared(method: Method) -> None:
    rng = np.random.default_rng(2)
    treatment, block = (codes.ravel() for codes in np.indices((5, 4)))
    y = rng.normal(size=20) + 3 * treatment
    y[treatment == 2] = np.nan
    fit = fit_layout(randomised_blocks(treatment, block, 5), y)[0]
    result = compare(fit, method, control=0)
    touched = (result.a == 2) | (result.b == 2)
    assert touched.any()
    for values in (result.p_adjusted, result.difference, result.lower, result.upper):
        assert np.isnan(values[touched]).all()
    assert not result.different[touched].any()
    kept = treatment != 2
    codes = np.searchsorted([0, 1, 3, 4], treatment[kept])
    part = fit_layout(randomised_blocks(codes, block[kept], 4), y[kept])[0]
    alone = compare(part, method, control=0)
    np.testing.assert_allclose(result.p_adjusted[~touched], alone.p_adjusted, rtol=1e-8)
    np.testing.assert_allclose(result.upper[~touched], alone.upper, rtol=1e-8)
    np.testing.assert_array_equal(result.different[~touched], alone.different)


def test_a_difference_that_does_not_vary_leaves_nothing_to_test_all_by() -> None:
    cov = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    found = compare_means(np.array([[1.0], [2.0], [5.0]]), one_error(cov, 10), "dunnett", control=0)
    assert np.isnan(found.p_adjusted).all()
    assert not found.different.any()


def test_a_control_without_a_mean() -> None:
    y = np.array([np.nan, np.nan, 1.0, 2.0, 4.0, 3.0])
    fit = fit_layout(completely_randomised([0, 0, 1, 1, 2, 2], 3), y)[0]
    result = compare(fit, "dunnett", control=0)
    assert np.isnan(result.p_adjusted).all()
    assert not result.different.any()
    assert not result.declared.any()


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize(
    "y",
    [[3.0, 3.0, 3.0, 3.0, 3.0, 3.0], [1.0, 1.0, 2.0, 2.0, 3.0, 3.0]],
    ids=["constant", "no error"],
)
def test_no_error_variance_declares_nothing(method: Method, y: list[float]) -> None:
    layout = completely_randomised([0, 0, 1, 1, 2, 2], 3)
    both = np.column_stack([y, [1.0, 1.5, 2.0, 2.5, 9.0, 9.5]])
    (fit,) = fit_layout(layout, both)
    result = compare(fit, method, control=0)
    assert np.isnan(result.p_adjusted[:, 0]).all()
    assert not result.different[:, 0].any()
    assert not result.declared[0]
    assert np.isnan(result.lower[:, 0]).all()
    if method is not Method.NONE:
        # The response beside it is not spoilt.
        assert np.isfinite(result.p_adjusted[:, 1]).all()
        assert result.declared[1]


@pytest.mark.parametrize("method", list(Method))
def test_no_degrees_of_freedom_declare_nothing(method: Method) -> None:
    (fit,) = fit_layout(completely_randomised([0, 1, 2], 3), np.array([1.0, 2.0, 4.0]))
    result = compare(fit, method, control=0)
    assert np.isnan(result.p_adjusted).all()
    assert not result.different.any()
    np.testing.assert_allclose(result.difference[0, 0], 1.0 if method == "dunnett" else -1.0)


@pytest.mark.parametrize("method", list(Method))
def test_a_single_treatment(method: Method) -> None:
    (fit,) = fit_layout(completely_randomised([0, 0, 0], 1), np.array([1.0, 2.0, 4.0]))
    result = compare(fit, method, control=0)
    assert result.p_adjusted.shape == (0, 1)
    if method is not Method.DUNNETT:
        assert result.letters(fit.means) == (("",),)


def test_dunnett_uses_the_correlation_of_least_squares_means() -> None:
    """A block with most plots missing: simulated errors are family-wise at the level."""
    rng = np.random.default_rng(5)
    treatment, block = (codes.ravel() for codes in np.indices((5, 4)))
    y = rng.normal(size=(20, 60_000)) + 2 * rng.normal(size=(4, 60_000))[block]
    for plot in ((0, 1), (1, 3), (2, 3), (3, 0)):
        y[(treatment == plot[0]) & (block == plot[1])] = np.nan
    (fit,) = fit_layout(randomised_blocks(treatment, block, 5), y)
    for alternative in ("two-sided", "greater", "less"):
        result = compare(fit, "dunnett", control=0, alternative=alternative)
        rate = float(result.different.any(axis=0).mean())
        assert rate == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 60_000))


def test_family_wise_errors_of_tukey_and_stepwise_procedures() -> None:
    rng = np.random.default_rng(6)
    treatment, block = (codes.ravel() for codes in np.indices((6, 4)))
    y = rng.normal(size=(24, 40_000))
    (fit,) = fit_layout(randomised_blocks(treatment, block, 6), y)
    error = 4 * np.sqrt(0.05 * 0.95 / 40_000)
    for method in ("tukey", "snk"):
        rate = float(compare(fit, method).different.any(axis=0).mean())
        assert rate == pytest.approx(0.05, abs=error)
    for method in ("bonferroni", "sidak", "holm", "scheffe", "fdr", "lsd"):
        assert float(compare(fit, method).different.any(axis=0).mean()) <= 0.05 + error
    # Duncan's level for six means is 1 - 0.95^5.
    rate = float(compare(fit, "duncan").different.any(axis=0).mean())
    assert rate == pytest.approx(1 - 0.95**5, abs=4 * np.sqrt(0.226 * 0.774 / 40_000))


def test_latin_square_with_missing_plots() -> None:
    rng = np.random.default_rng(7)
    row, column = (codes.ravel() for codes in np.indices((5, 5)))
    treatment = (row + 2 * column) % 5
    y = rng.normal(size=25) + treatment
    y[[3, 11]] = np.nan
    (fit,) = fit_layout(latin_square(treatment, row, column, 5), y)
    for method in Method:
        result = compare(fit, method, control=1)
        if method is not Method.NONE:
            assert np.isfinite(result.p_adjusted).all()


def test_infinite_degrees_of_freedom() -> None:
    means = np.array([[0.0], [1.0], [2.5]])
    for method in Method:
        result = compare_means(
            means,
            one_error(np.eye(3), np.inf),
            method,
            control=0,
            overall_p=np.array([0.01]),
        )
        near = compare_means(
            means,
            one_error(np.eye(3), 1e7),
            method,
            control=0,
            overall_p=np.array([0.01]),
        )
        np.testing.assert_allclose(result.p_adjusted, near.p_adjusted, rtol=1e-5)
        np.testing.assert_allclose(result.lower, near.lower, rtol=1e-5)


def test_pairs_stand_in_treatment_order() -> None:
    fit = _unequal_fit(3)
    result = compare(fit, "tukey")
    pairs = list(zip(result.a.tolist(), result.b.tolist(), strict=True))
    assert pairs == list(combinations(range(len(fit.means)), 2))
    np.testing.assert_allclose(result.difference, fit.means[result.a] - fit.means[result.b])
    control = compare(fit, "dunnett", control=1)
    assert control.a.tolist() == [i for i in range(len(fit.means)) if i != 1]


def test_refusals() -> None:
    fit = _unequal_fit(1)
    with pytest.raises(ValueError, match="alpha"):
        compare(fit, "tukey", alpha=0.0)
    with pytest.raises(ValueError, match="control"):
        compare(fit, "dunnett")
    with pytest.raises(ValueError, match="control"):
        compare(fit, "dunnett", control=99)
    with pytest.raises(ValueError, match="alternative"):
        compare(fit, "dunnett", control=0, alternative="both")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="newman"):
        compare(fit, "newman")
    with pytest.raises(ValueError, match="no letters"):
        compare(fit, "dunnett", control=0).letters(fit.means)
