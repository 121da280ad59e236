"""Least squares of the simple layouts: against other software, and properties that must hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.design.layout import (
    FloatArray,
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.normal.linear import LinearFit, fit_layout

SEEDS = st.integers(0, 2**32 - 1)


def _unbalanced_blocks(seed: int) -> tuple[Layout, FloatArray]:
    """Blocks with one to three plots of a treatment, some of them missing."""
    rng = np.random.default_rng(seed)
    t, b = int(rng.integers(2, 7)), int(rng.integers(2, 6))
    treatment, block = (codes.ravel() for codes in np.indices((t, b)))
    times = rng.integers(1, 4, treatment.size)
    treatment, block = np.repeat(treatment, times), np.repeat(block, times)
    y = 10 + rng.normal(size=t)[treatment] + 3 * rng.normal(size=b)[block]
    y = y + rng.normal(size=treatment.size)
    y[rng.random(y.size) < 0.15] = np.nan
    return randomised_blocks(treatment, block, t), y


def _square_with_missing(seed: int) -> tuple[Layout, FloatArray]:
    rng = np.random.default_rng(seed)
    t = int(rng.integers(4, 7))
    row, column = (codes.ravel() for codes in np.indices((t, t)))
    treatment = rng.permutation(t)[(row + column) % t]
    y = rng.normal(size=t * t) + row + 2.0 * column
    y[rng.choice(t * t, 2, replace=False)] = np.nan
    return latin_square(treatment, row, column, t), y


def _statsmodels_anova(layout: Layout, y: FloatArray) -> pd.DataFrame:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    table = pd.DataFrame({"y": y, "treatment": layout.treatment, **dict(layout.blocking)})
    sources = [name for name, _ in layout.blocking] + ["treatment"]
    formula = "y ~ " + " + ".join(f"C({name})" for name in sources)
    return anova_lm(ols(formula, table.dropna()).fit(), typ=1)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("make", [_unbalanced_blocks, _square_with_missing])
def test_sums_of_squares_agree_with_a_general_linear_model(make: object, seed: int) -> None:
    layout, y = make(seed)  # type: ignore[operator]
    (fit,) = fit_layout(layout, y)
    table = _statsmodels_anova(layout, y)
    np.testing.assert_allclose([term.df for term in fit.terms], table["df"])
    np.testing.assert_allclose([term.sum_sq[0] for term in fit.terms], table["sum_sq"], rtol=1e-9)
    np.testing.assert_allclose(
        [term.F[0] for term in fit.terms[:-1]], table["F"].iloc[:-1], rtol=1e-8
    )
    np.testing.assert_allclose(
        [term.p[0] for term in fit.terms[:-1]], table["PR(>F)"].iloc[:-1], rtol=1e-6
    )


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("make", [_unbalanced_blocks, _square_with_missing])
def test_means_are_averages_of_predictions_over_blocks(make: object, seed: int) -> None:
    import statsmodels.api as sm

    layout, y = make(seed)  # type: ignore[operator]
    (fit,) = fit_layout(layout, y)
    used = ~np.isnan(y)
    groups = [codes for _, codes in layout.blocking]
    design = np.column_stack(
        [np.ones(y.size)]
        + [codes == level for codes in groups for level in np.unique(codes)[1:]]
        + [layout.treatment == code for code in range(1, layout.n_treatments)]
    ).astype(float)
    model = sm.OLS(y[used], design[used]).fit()
    rows = np.column_stack(
        [np.ones(layout.n_treatments)]
        + [
            np.full(layout.n_treatments, 1 / np.unique(codes).size)
            for codes in groups
            for _ in np.unique(codes)[1:]
        ]
        + [np.arange(layout.n_treatments) == code for code in range(1, layout.n_treatments)]
    ).astype(float)
    np.testing.assert_allclose(fit.means[:, 0], rows @ model.params, rtol=1e-9)
    covariance = rows @ model.cov_params() @ rows.T
    np.testing.assert_allclose(fit.unit_cov * fit.ms_error[0], covariance, rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(fit.se[:, 0], np.sqrt(np.diagonal(covariance)), rtol=1e-8)
    np.testing.assert_allclose(fit.fitted[:, 0], model.fittedvalues, rtol=1e-9)
    np.testing.assert_allclose(fit.residuals[:, 0], model.resid, atol=1e-9)
    influence = model.get_influence().hat_matrix_diag
    np.testing.assert_allclose(fit.leverage, influence, rtol=1e-8)


def test_two_treatments_are_a_t_test() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.normal(size=7), rng.normal(1.0, size=5)
    layout = completely_randomised(np.repeat([0, 1], [7, 5]), 2)
    (fit,) = fit_layout(layout, np.concatenate([a, b]))
    t = stats.ttest_ind(a, b)
    assert fit.treatment.F[0] == pytest.approx(t.statistic**2, rel=1e-12)
    assert fit.treatment.p[0] == pytest.approx(t.pvalue, rel=1e-12)


def test_two_treatments_in_blocks_are_a_paired_t_test() -> None:
    rng = np.random.default_rng(6)
    pairs = rng.normal(size=(2, 6)) + 5 * rng.normal(size=6)
    treatment, block = (codes.ravel() for codes in np.indices((2, 6)))
    (fit,) = fit_layout(randomised_blocks(treatment, block, 2), pairs.ravel())
    t = stats.ttest_rel(pairs[0], pairs[1])
    assert fit.treatment.F[0] == pytest.approx(t.statistic**2, rel=1e-10)
    assert fit.treatment.p[0] == pytest.approx(t.pvalue, rel=1e-10)


def test_one_way_agrees_with_scipy() -> None:
    rng = np.random.default_rng(7)
    groups = [rng.normal(size=n) for n in (3, 8, 5)]
    layout = completely_randomised(np.repeat(np.arange(3), [3, 8, 5]), 3)
    (fit,) = fit_layout(layout, np.concatenate(groups))
    result = stats.f_oneway(*groups)
    assert fit.treatment.F[0] == pytest.approx(result.statistic, rel=1e-12)
    assert fit.treatment.p[0] == pytest.approx(result.pvalue, rel=1e-12)


def _assert_same_tests(one: LinearFit, other: LinearFit, tolerance: float = 1e-8) -> None:
    for a, b in zip(one.terms, other.terms, strict=True):
        assert (a.source, a.df) == (b.source, b.df)
        np.testing.assert_allclose(a.F, b.F, rtol=tolerance, atol=1e-10)
        np.testing.assert_allclose(a.p, b.p, rtol=tolerance, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_order_of_rows_changes_nothing(seed: int) -> None:
    layout, y = _unbalanced_blocks(seed)
    order = np.random.default_rng(seed).permutation(y.size)
    shuffled = randomised_blocks(
        layout.treatment[order], layout.blocking[0][1][order], layout.n_treatments
    )
    (one,), (other,) = fit_layout(layout, y), fit_layout(shuffled, y[order])
    _assert_same_tests(one, other)
    np.testing.assert_allclose(one.means, other.means, rtol=1e-10)
    np.testing.assert_allclose(one.unit_cov, other.unit_cov, rtol=1e-8, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_names_of_levels_change_nothing(seed: int) -> None:
    layout, y = _unbalanced_blocks(seed)
    rng = np.random.default_rng(seed)
    block = layout.blocking[0][1]
    new_treatment = rng.permutation(layout.n_treatments)
    new_block = 10 * rng.permutation(int(block.max()) + 1) + 3
    renamed = randomised_blocks(
        new_treatment[layout.treatment], new_block[block], layout.n_treatments
    )
    (one,), (other,) = fit_layout(layout, y), fit_layout(renamed, y)
    _assert_same_tests(one, other)
    np.testing.assert_allclose(one.means, other.means[new_treatment], rtol=1e-10)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, scale=st.floats(1e-6, 1e6), offset=st.floats(-1e3, 1e3))
def test_units_change_no_test(seed: int, scale: float, offset: float) -> None:
    layout, y = _unbalanced_blocks(seed)
    (one,), (other,) = fit_layout(layout, y), fit_layout(layout, scale * (y + offset))
    _assert_same_tests(one, other, tolerance=1e-7)
    np.testing.assert_allclose(scale * (one.means + offset), other.means, rtol=1e-7, atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, constant=st.floats(-1e6, 1e6))
def test_a_constant_added_to_a_block_changes_no_treatment_comparison(
    seed: int, constant: float
) -> None:
    layout, y = _unbalanced_blocks(seed)
    block = layout.blocking[0][1]
    moved = y + constant * (block == block[0])
    (one,), (other,) = fit_layout(layout, y), fit_layout(layout, moved)
    np.testing.assert_allclose(one.treatment.F, other.treatment.F, rtol=1e-6)
    known = ~np.isnan(one.means[:, 0])
    differences = [np.diff(fit.means[known, 0]) for fit in (one, other)]
    np.testing.assert_allclose(differences[0], differences[1], rtol=1e-6, atol=1e-7)


def test_a_huge_block_costs_no_digits() -> None:
    # Steps of 1/8 and an offset of 2^40 are exact in doubles: so must the comparison be.
    rng = np.random.default_rng(3)
    grid = rng.integers(0, 64, size=(6, 4)) / 8.0
    treatment, block = (codes.ravel() for codes in np.indices(grid.shape))
    layout = randomised_blocks(treatment, block, 6)
    (plain,) = fit_layout(layout, grid.ravel())
    (moved,) = fit_layout(layout, (grid + 2.0**40 * (np.arange(4) == 2)).ravel())
    # Squares of the block are of the order of 10^23 times those of the treatments.
    np.testing.assert_allclose(moved.treatment.F, plain.treatment.F, rtol=1e-2)
    (near,) = fit_layout(layout, (grid + 2.0**20 * (np.arange(4) == 2)).ravel())
    np.testing.assert_allclose(near.treatment.F, plain.treatment.F, rtol=1e-8)


def test_columns_with_the_same_plots_share_a_fit() -> None:
    rng = np.random.default_rng(8)
    y = rng.normal(size=(12, 6))
    y[3, [1, 4]] = np.nan
    y[:, 5] = np.nan
    treatment, block = (codes.ravel() for codes in np.indices((4, 3)))
    layout = randomised_blocks(treatment, block, 4)
    fits = fit_layout(layout, y)
    assert [fit.columns.tolist() for fit in fits] == [[0, 2, 3], [1, 4], [5]]
    assert [fit.df_error for fit in fits] == [6, 5, 0]
    for fit in fits[:2]:
        for position, column in enumerate(fit.columns):
            (alone,) = fit_layout(layout, y[:, column])
            np.testing.assert_allclose(fit.means[:, position], alone.means[:, 0], rtol=1e-12)
            np.testing.assert_allclose(fit.treatment.F[position], alone.treatment.F[0], rtol=1e-11)
            np.testing.assert_allclose(fit.plots, alone.plots)


@pytest.mark.parametrize("value", [0.0, 0.1, 1e12 / 3, -7.3])
def test_a_constant_response_has_no_test(value: float) -> None:
    treatment, block = (codes.ravel() for codes in np.indices((4, 3)))
    for layout in (
        completely_randomised(treatment, 4),
        randomised_blocks(treatment, block, 4),
    ):
        (fit,) = fit_layout(layout, np.full(12, value))
        assert fit.ms_error[0] == 0.0
        assert fit.treatment.sum_sq[0] == 0.0
        assert np.isnan(fit.treatment.F[0])
        assert np.isnan(fit.treatment.p[0])
        np.testing.assert_allclose(fit.means[:, 0], value, rtol=1e-14)


def test_no_error_variance_leaves_f_undefined_not_infinite() -> None:
    treatment, block = (codes.ravel() for codes in np.indices((4, 3)))
    y = np.array([0.1, 0.7, 1.3, 2.9])[treatment] + np.array([0.3, 10.1, 1 / 3])[block]
    (fit,) = fit_layout(randomised_blocks(treatment, block, 4), y)
    assert fit.ms_error[0] == 0.0
    assert fit.treatment.sum_sq[0] > 0
    assert np.isnan(fit.treatment.F[0])


def test_no_error_degrees_of_freedom() -> None:
    (fit,) = fit_layout(completely_randomised([0, 1, 2], 3), np.array([1.0, 2.0, 4.0]))
    assert fit.df_error == 0
    for values in (fit.ms_error, fit.treatment.F, fit.treatment.p, fit.error.mean_sq, fit.se):
        assert np.isnan(values).all()
    np.testing.assert_allclose(fit.means[:, 0], [1, 2, 4])


def test_a_single_treatment_left() -> None:
    y = np.array([1.0, 2.0, 3.0, np.nan, np.nan, np.nan])
    layout = randomised_blocks([0, 0, 0, 1, 1, 1], [0, 1, 2, 0, 1, 2], 2)
    (fit,) = fit_layout(layout, y)
    assert fit.treatment.df == 0
    assert np.isnan(fit.treatment.F[0])
    assert fit.means[0, 0] == pytest.approx(2.0)
    assert np.isnan(fit.means[1, 0])


def test_a_treatment_without_plots_has_no_mean() -> None:
    rng = np.random.default_rng(4)
    y = rng.normal(size=12)
    treatment, block = (codes.ravel() for codes in np.indices((4, 3)))
    y[treatment == 2] = np.nan
    for layout in (completely_randomised(treatment, 4), randomised_blocks(treatment, block, 4)):
        (fit,) = fit_layout(layout, y)
        assert fit.n.tolist() == [3, 3, 0, 3]
        assert np.isnan(fit.means[2, 0])
        assert np.isnan(fit.raw_means[2, 0])
        assert np.isnan(fit.unit_cov[2]).all()
        assert np.isnan(fit.unit_cov[:, 2]).all()
        assert np.isfinite(np.delete(fit.means, 2, axis=0)).all()
        assert fit.treatment.df == 2


def test_a_treatment_confounded_with_a_block_does_not_spoil_the_others() -> None:
    # Treatment 3 is left in block 3 alone, and block 3 holds nothing else.
    rng = np.random.default_rng(4)
    treatment, block = (codes.ravel() for codes in np.indices((4, 4)))
    y = rng.normal(size=16)
    y[(treatment == 3) != (block == 3)] = np.nan
    (fit,) = fit_layout(randomised_blocks(treatment, block, 4), y)
    assert np.isnan(fit.means[:, 0]).tolist() == [False, False, False, True]
    inside = (treatment < 3) & (block < 3)
    (part,) = fit_layout(randomised_blocks(treatment[inside], block[inside], 3), y[inside])
    np.testing.assert_allclose(fit.means[:3], part.means, rtol=1e-12)
    np.testing.assert_allclose(fit.unit_cov[:3, :3], part.unit_cov, atol=1e-14)
    assert fit.treatment.F[0] == pytest.approx(part.treatment.F[0], rel=1e-11)
    assert fit.df_error == part.df_error


def test_a_single_block_takes_nothing_out() -> None:
    rng = np.random.default_rng(9)
    y = rng.normal(size=9)
    treatment = np.repeat(np.arange(3), 3)
    (blocked,) = fit_layout(randomised_blocks(treatment, np.zeros(9, dtype=int), 3), y)
    (plain,) = fit_layout(completely_randomised(treatment, 3), y)
    assert blocked.terms[0].df == 0
    assert np.isnan(blocked.terms[0].F[0])
    assert blocked.treatment.F[0] == pytest.approx(plain.treatment.F[0], rel=1e-12)
    np.testing.assert_allclose(blocked.means, plain.means, rtol=1e-12)


def test_refusals() -> None:
    layout = completely_randomised([0, 0, 1, 1], 2)
    with pytest.raises(ValueError, match="one row for each plot"):
        fit_layout(layout, np.zeros(3))
    with pytest.raises(ValueError, match="finite"):
        fit_layout(layout, np.array([1.0, np.inf, 2.0, 3.0]))
    assert fit_layout(layout, np.zeros((4, 0))) == ()


def test_level_of_f_under_the_null() -> None:
    """Five percent of null trials are called significant: 20,000 normal responses."""
    rng = np.random.default_rng(11)
    treatment, block = (codes.ravel() for codes in np.indices((6, 4)))
    y = rng.normal(size=(24, 20_000)) + 2 * rng.normal(size=(4, 20_000))[block]
    (fit,) = fit_layout(randomised_blocks(treatment, block, 6), y)
    rate = float((fit.treatment.p <= 0.05).mean())
    assert rate == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 20_000))
