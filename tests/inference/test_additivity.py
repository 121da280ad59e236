"""Tukey's test against the classical product form, with missing plots and in Latin squares."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.inference.checks.additivity import AdditivityTest, tukey_additivity
from trialkit.inference.checks.residual_space import layout_basis
from trialkit.inference.design.layout import (
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.normal.linear import fit_layout


def blocks(t: int, b: int) -> Layout:
    return randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)


def square(t: int) -> Layout:
    row, column = np.repeat(np.arange(t), t), np.tile(np.arange(t), t)
    return latin_square((row + column) % t, row, column, t)


def tukey(layout: Layout, y: np.ndarray) -> AdditivityTest:
    (fit,) = fit_layout(layout, y)
    return tukey_additivity(fit.fitted, fit.residuals, layout_basis(layout, fit.plots))


def test_is_the_product_of_block_and_treatment_effects_in_complete_blocks() -> None:
    t, b = 5, 4
    y = np.random.default_rng(1).normal(50, 10, (b, t))
    a = y.mean(axis=1) - y.mean()
    c = y.mean(axis=0) - y.mean()
    top = (y * np.outer(a, c)).sum()
    bottom = (a @ a) * (c @ c)
    found = tukey(blocks(t, b), y.ravel())
    assert found.sum_sq[0] == pytest.approx(top**2 / bottom)
    assert found.coefficient[0] == pytest.approx(top / bottom)
    assert found.power[0] == pytest.approx(1 - top / bottom * y.mean())


@pytest.mark.parametrize("layout", [blocks(5, 4), square(5)], ids=["blocks", "square"])
def test_is_one_more_column_of_squared_fits_also_with_missing_plots(layout: Layout) -> None:
    rng = np.random.default_rng(3)
    y = rng.normal(20, 3, layout.n_plots)
    y[[2, 11]] = np.nan
    (fit,) = fit_layout(layout, y)
    kept = fit.plots
    factors = [codes[kept] for _, codes in layout.blocking] + [layout.treatment[kept]]
    dummies = [np.eye(int(codes.max()) + 1)[codes][:, 1:] for codes in factors]
    base = sm.add_constant(np.hstack(dummies))
    small = sm.OLS(y[kept], base).fit()
    full = sm.OLS(y[kept], np.column_stack([base, small.fittedvalues**2])).fit()
    F, p, _ = full.compare_f_test(small)
    found = tukey(layout, y)
    assert found.F[0] == pytest.approx(F, rel=1e-6)
    assert found.p[0] == pytest.approx(p, rel=1e-6)
    assert found.df == int(full.df_resid)
    assert found.remainder[0] == pytest.approx(full.ssr, rel=1e-8)


@given(seed=st.integers(0, 10_000), scale=st.floats(1e-3, 1e3), shift=st.floats(-100, 100))
@settings(max_examples=40, deadline=None)
def test_units_and_order_change_nothing(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    layout = blocks(4, 4)
    y = rng.normal(30, 5, 16)
    base = tukey(layout, y)
    assert pytest.approx(base.F, rel=1e-6) == tukey(layout, scale * y).F
    assert tukey(layout, scale * y).power == pytest.approx(base.power, rel=1e-6)
    assert pytest.approx(base.F, rel=1e-5) == tukey(layout, y + shift).F
    order = rng.permutation(16)
    mixed = randomised_blocks(layout.treatment[order], layout.blocking[0][1][order], 4)
    assert pytest.approx(base.F, rel=1e-6) == tukey(mixed, y[order]).F


@pytest.mark.parametrize("layout", [blocks(6, 4), square(5)], ids=["blocks", "square"])
def test_level_with_real_effects_that_add_up(layout: Layout) -> None:
    rng = np.random.default_rng(5)
    effects = 3.0 * layout.treatment + sum(2.0 * codes for _, codes in layout.blocking)
    y = 50 + effects[:, None] + rng.normal(size=(layout.n_plots, 4000))
    assert 0.04 < (tukey(layout, y).p < 0.05).mean() < 0.06


def test_multiplying_effects_are_found_and_their_power_is_near_a_logarithm() -> None:
    rng = np.random.default_rng(6)
    layout = blocks(6, 4)
    block = layout.blocking[0][1]
    log = 2 + 0.4 * layout.treatment + 0.4 * block + 0.05 * rng.normal(size=(500, 24))
    found = tukey(layout, np.exp(log).T)
    assert (found.p < 0.05).mean() > 0.95
    assert np.median(found.power) == pytest.approx(0.0, abs=0.25)
    logged = tukey(layout, log.T)
    assert (logged.p < 0.05).mean() < 0.08


def test_undefined_without_blocks_effects_or_spare_degrees_of_freedom() -> None:
    rng = np.random.default_rng(7)
    one_way = tukey(completely_randomised(np.repeat(np.arange(3), 4), 3), rng.normal(size=12))
    assert np.isnan([one_way.F[0], one_way.p[0], one_way.power[0]]).all()
    tiny = tukey(blocks(2, 2), rng.normal(size=4))
    assert tiny.df == 0
    assert np.isnan(tiny.F).all()
    flat = tukey(blocks(3, 3), np.full(9, 4.2))
    assert np.isnan(flat.F).all()
    exact = tukey(blocks(3, 3), (np.arange(3)[:, None] + 10.0 * np.arange(3)).ravel())
    assert np.isnan(exact.F).all()
