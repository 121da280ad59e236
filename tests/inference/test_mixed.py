"""Mixed models: agreement with exact analyses, odd data, invariances."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from trialkit.inference.design.fixed_model import FixedModel, independent_columns, null_space
from trialkit.inference.design.layout import factor
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.mixed import mixed_fit
from trialkit.inference.normal.mixed_differences import differences


def split(seed, a=3, b=4, r=4, sd_main=1.5):
    """Balanced split-plot: codes, response, model with blocks fixed, main plots."""
    rng = np.random.default_rng(seed)
    block, main, sub = (i.ravel() for i in np.indices((r, a, b)))
    plot = block * a + main
    y = 20 + rng.normal(size=r)[block] + sd_main * rng.normal(size=r * a)[plot]
    y += rng.normal(size=y.size)
    factors = {
        "block": factor("block", block),
        "main": factor("main", main),
        "sub": factor("sub", sub),
    }
    terms = (("block",), ("main",), ("sub",), ("main", "sub"))
    return y, FixedModel(factors=factors, terms=terms), plot


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
@pytest.mark.parametrize("random_blocks", [False, True])
def test_balanced_split_plot_is_exact(method, random_blocks):
    y, model, plot = split(1)
    random = {"main_plot": plot}
    if random_blocks:
        model = model.without([("block",)])
        random["block"] = plot // 3
    fit = mixed_fit(y, model, random=random, method=method)
    assert not fit.at_limit.any()
    cells = y.reshape(4, 3, 4)
    ms = {}
    main = cells.mean(axis=2)
    rest = main - main.mean(axis=1, keepdims=True) - main.mean(axis=0) + main.mean()
    ms["error_main"] = 4 * (rest**2).sum() / 6
    ms["main"] = 16 * ((main.mean(axis=0) - main.mean()) ** 2).sum() / 2
    tests = {t.source: t for t in fit.anova()}
    assert pytest.approx(ms["main"] / ms["error_main"], rel=1e-8) == tests["main"].F
    assert tests["main"].df_error == pytest.approx(6, rel=1e-7)
    assert tests["sub"].df_error == pytest.approx(27, rel=1e-7)
    assert tests["main:sub"].df_error == pytest.approx(27, rel=1e-7)


def test_main_plot_errors_of_one_and_two_df():
    """Closed formulas have poles at 2 df; F and df stay those of the strata."""
    for a, r, expected in ((2, 3, 2), (3, 2, 2), (2, 2, 1)):
        for seed in range(8):
            y, model, plot = split(seed, a=a, b=3, r=r, sd_main=4.0)
            fit = mixed_fit(y, model, random={"main_plot": plot})
            if fit.at_limit.any():
                continue
            main = next(t for t in fit.anova() if t.source == "main")
            means = y.reshape(r, a, 3).mean(axis=2)
            rest = means - means.mean(axis=1, keepdims=True) - means.mean(axis=0) + means.mean()
            f = r * ((means.mean(axis=0) - means.mean()) ** 2).sum() / (a - 1)
            f /= (rest**2).sum() / ((a - 1) * (r - 1))
            assert main.df_error == pytest.approx(expected, rel=1e-5)
            assert pytest.approx(f, rel=1e-5) == main.F


def test_order_of_rows_and_names_of_levels_change_nothing():
    y, model, plot = split(2)
    y[[3, 17, 30]] = np.nan
    fit = mixed_fit(y, model, random={"main_plot": plot})
    rng = np.random.default_rng(0)
    order = rng.permutation(y.size)
    swapped = np.array([2, 0, 1])
    factors = dict(model.factors)
    factors["main"] = factor("main", swapped[model.factors["main"].codes])
    other = FixedModel(factors=factors, terms=model.terms).take(order)
    again = mixed_fit(y[order], other, random={"main_plot": 100 - plot[order]})
    np.testing.assert_allclose(again.theta, fit.theta, rtol=1e-7)
    for one, two in zip(fit.anova(), again.anova(), strict=True):
        assert pytest.approx(one.F, rel=1e-7) == two.F
        assert two.df_error == pytest.approx(one.df_error, rel=1e-7)
    np.testing.assert_allclose(again.means("main").estimate[swapped], fit.means("main").estimate)


@pytest.mark.parametrize(("shift", "scale"), [(1e7, 1.0), (0.0, 1e-6), (-3e4, 1e5)])
def test_units_and_offsets_change_nothing(shift, scale):
    y, model, plot = split(3)
    y[5] = np.nan
    fit = mixed_fit(y, model, random={"main_plot": plot})
    again = mixed_fit(shift + scale * y, model, random={"main_plot": plot})
    np.testing.assert_allclose(again.theta, scale**2 * fit.theta, rtol=1e-6)
    for one, two in zip(fit.anova(), again.anova(), strict=True):
        assert pytest.approx(one.F, rel=1e-6) == two.F
    np.testing.assert_allclose(again.means("sub").se, scale * fit.means("sub").se, rtol=1e-6)


def test_constant_added_to_a_block_changes_no_comparison():
    y, model, plot = split(4)
    y[[1, 20]] = np.nan
    fit = mixed_fit(y, model, random={"main_plot": plot})
    moved = y + np.where(model.factors["block"].codes == 2, 1000.0, 0.0)
    again = mixed_fit(moved, model, random={"main_plot": plot})
    one, two = fit.means("main", "sub"), again.means("main", "sub")
    a, b = [0, 3, 7], [5, 8, 11]
    np.testing.assert_allclose(
        differences(again, two, a, b).estimate, differences(fit, one, a, b).estimate, rtol=1e-8
    )
    np.testing.assert_allclose(again.theta, fit.theta, rtol=1e-6)


def test_missing_combination_is_named_and_not_estimated():
    y, model, plot = split(5)
    main, sub = model.factors["main"].codes, model.factors["sub"].codes
    y[(main == 1) & (sub == 2)] = np.nan
    fit = mixed_fit(y, model, random={"main_plot": plot})
    tests = {t.source: t for t in fit.anova()}
    assert tests["main:sub"].df == 5
    assert "missing" in tests["main"].note
    assert tests["main"].df == 2
    additive = mixed_fit(y, model.without([("main", "sub")]), random={"main_plot": plot})
    assert next(t for t in additive.anova() if t.source == "main").F == tests["main"].F
    cells = fit.means("main", "sub")
    lost = np.isnan(cells.estimate)
    assert lost.sum() == 1
    assert cells.levels[lost].tolist() == [[1, 2]]
    assert np.isnan(fit.means("main").estimate).tolist() == [False, True, False]


@pytest.mark.parametrize("value", [0.0, 12.5, 1e9])
def test_constant_response_has_no_tests_and_does_not_crash(value):
    y, model, plot = split(6)
    fit = mixed_fit(np.full_like(y, value), model, random={"main_plot": plot})
    assert fit.theta.tolist() == [0.0, 0.0]
    assert all(np.isnan(t.F) and np.isnan(t.p) for t in fit.anova())
    means = fit.means("main")
    np.testing.assert_allclose(means.estimate, value)
    assert np.isnan(means.se).all()


def test_impossible_input_is_refused():
    y, model, plot = split(7)
    with pytest.raises(ValueError, match="finite"):
        mixed_fit(np.where(y > 21, np.inf, y), model, random={"main_plot": plot})
    with pytest.raises(ValueError, match="one value"):
        mixed_fit(y[:-1], model, random={"main_plot": plot})
    with pytest.raises(NotEstimable, match="beyond the fixed effects"):
        mixed_fit(np.where(np.arange(y.size) < 4, y, np.nan), model, random={"main_plot": plot})
    with pytest.raises(ValueError, match="kenward-roger or satterthwaite"):
        mixed_fit(y, model, random={"main_plot": plot}, method="exact")
    with pytest.raises(ValueError, match="no such factor"):
        FixedModel(factors=model.factors, terms=(("rate",),))
    with pytest.raises(ValueError, match="codes of main"):
        factor("main", [0, 1, 3], 3)


def test_covariate_in_a_mixed_model_is_centred():
    y, model, plot = split(8)
    x = np.random.default_rng(8).normal(5.0, 2.0, y.size)
    with_x = FixedModel(factors=model.factors, terms=(*model.terms, ("x",)), covariates={"x": x})
    fit = mixed_fit(y + 0.7 * x, with_x, random={"main_plot": plot})
    shifted = FixedModel(
        factors=model.factors, terms=(*model.terms, ("x",)), covariates={"x": x + 100.0}
    )
    again = mixed_fit(y + 0.7 * x, shifted, random={"main_plot": plot})
    np.testing.assert_allclose(again.means("main").estimate, fit.means("main").estimate)
    assert fit.anova()[-1].df == 1


def test_independent_columns_and_null_space():
    x = np.array([[1.0, 1, 0, 2], [1, 0, 1, 2], [1, 1, 0, 5], [1, 0, 1, 7]])
    assert independent_columns(x).tolist() == [True, True, False, True]
    hidden = null_space(x)
    assert hidden.shape == (4, 1)
    np.testing.assert_allclose(x @ hidden, 0.0, atol=1e-12)


def test_kenward_roger_holds_its_level_with_missing_plots():
    """Null split-plots with 4 of 24 subplots missing: the 5 % tests reject about 5 %."""
    rng = np.random.default_rng(11)
    block, main, sub = (i.ravel() for i in np.indices((4, 2, 3)))
    plot = block * 2 + main
    factors = {
        "block": factor("block", block),
        "main": factor("main", main),
        "sub": factor("sub", sub),
    }
    terms = (("block",), ("main",), ("sub",), ("main", "sub"))
    model = FixedModel(factors=factors, terms=terms)
    n, rejected = 150, np.zeros(2)
    for _ in range(n):
        y = 1.5 * rng.normal(size=8)[plot] + rng.normal(size=24)
        y[rng.choice(24, 4, replace=False)] = np.nan
        tests = {t.source: t.p for t in mixed_fit(y, model, random={"p": plot}).anova()}
        rejected += [tests["main"] < 0.05, tests["sub"] < 0.05]
    # Bounds that a true 5 % passes with a chance of about 0.999.
    low, high = special.bdtrik(0.0005, n, 0.05), special.bdtrik(0.9995, n, 0.05)
    assert np.all(rejected >= low)
    assert np.all(rejected <= high)


def test_too_little_data_for_the_variances_is_refused():
    """One observation more than fixed effects can't carry two variances."""
    block, main, sub = (i.ravel() for i in np.indices((2, 2, 2)))
    y = np.array([0.0, 0.9, np.nan, 0.7, 0.0, 1.04, 1.15, np.nan])
    factors = {
        "block": factor("block", block),
        "main": factor("main", main),
        "sub": factor("sub", sub),
    }
    model = FixedModel(factors=factors, terms=(("block",), ("main",), ("sub",), ("main", "sub")))
    with pytest.raises(NotEstimable, match="apart"):
        mixed_fit(y, model, random={"main_plot": block * 2 + main})


def test_no_error_beside_the_random_effects_is_refused():
    rng = np.random.default_rng(12)
    plot, sub = np.repeat(np.arange(8), 3), np.tile(np.arange(3), 8)
    y = rng.normal(size=8)[plot] + sub
    model = FixedModel(factors={"sub": factor("sub", sub)}, terms=(("sub",),))
    with pytest.raises(NotEstimable, match="no error is left"):
        mixed_fit(y, model, random={"plot": plot})
