"""Studentized residuals against statsmodels, their invariances and their level."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.inference.checks.outliers import Outliers, studentized_residuals
from trialkit.inference.design.layout import Layout, completely_randomised, randomised_blocks
from trialkit.inference.normal.linear import LinearFit, fit_layout


def blocks(t: int, b: int) -> Layout:
    return randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)


def look(fit: LinearFit, alpha: float = 0.05) -> Outliers:
    return studentized_residuals(fit.residuals, fit.leverage, fit.df_error, alpha=alpha)


def test_agrees_with_statsmodels_also_with_missing_plots() -> None:
    layout = blocks(5, 4)
    y = np.random.default_rng(1).normal(size=20)
    y[[0, 7]] = np.nan
    (fit,) = fit_layout(layout, y)
    kept = fit.plots
    dummies = [np.eye(4)[layout.blocking[0][1][kept]], np.eye(5)[layout.treatment[kept]][:, 1:]]
    known = sm.OLS(y[kept], np.hstack(dummies)).fit().get_influence()
    found = look(fit)
    assert found.studentized[:, 0] == pytest.approx(known.resid_studentized_external, rel=1e-8)
    assert found.df == fit.df_error - 1
    worst = np.argmax(np.abs(known.resid_studentized_external))
    assert found.worst[0] == worst
    p = 18 * 2 * stats.t.sf(abs(known.resid_studentized_external[worst]), found.df)
    assert found.p[0] == pytest.approx(min(p, 1.0), rel=1e-8)
    assert found.limit == pytest.approx(stats.t.isf(0.05 / 36, found.df))


def test_a_wrong_plot_is_found_and_named() -> None:
    y = np.random.default_rng(2).normal(size=(24, 3))
    y[13, 1] += 12
    (fit,) = fit_layout(blocks(6, 4), y)
    found = look(fit)
    assert found.worst[1] == 13
    assert found.p[1] < 0.001
    assert found.flagged[13, 1]
    assert found.flagged.sum() == found.flagged[:, 1].sum() == 1


@given(seed=st.integers(0, 10_000), scale=st.floats(1e-3, 1e3), shift=st.floats(-1e3, 1e3))
@settings(max_examples=40, deadline=None)
def test_units_and_order_change_nothing(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    layout = blocks(4, 3)
    y = rng.normal(size=12)
    base = look(fit_layout(layout, y)[0])
    moved = look(fit_layout(layout, shift + scale * y)[0])
    assert moved.studentized == pytest.approx(base.studentized, rel=1e-4, abs=1e-4)
    order = rng.permutation(12)
    mixed = randomised_blocks(layout.treatment[order], layout.blocking[0][1][order], 4)
    again = look(fit_layout(mixed, y[order])[0])
    assert again.studentized == pytest.approx(base.studentized[order], rel=1e-7)


def test_level_over_all_plots_of_a_trial() -> None:
    y = np.random.default_rng(3).normal(size=(32, 4000))
    (fit,) = fit_layout(blocks(8, 4), y)
    assert 0.035 < look(fit).flagged.any(axis=0).mean() < 0.055


def test_plot_that_alone_makes_its_mean_has_no_residual() -> None:
    layout = completely_randomised([0, 0, 0, 1, 1, 1, 2], 3)
    (fit,) = fit_layout(layout, np.array([1.0, 2.0, 4.0, 3.0, 5.0, 6.0, 80.0]))
    found = look(fit)
    assert np.isnan(found.studentized[6, 0])
    assert found.worst[0] != 6


def test_undefined_where_nothing_is_left_over() -> None:
    (tiny,) = fit_layout(blocks(2, 2), np.arange(4.0) ** 2)
    found = look(tiny)
    assert found.worst[0] == -1
    assert np.isnan([found.limit, found.p[0]]).all()
    still = studentized_residuals(np.zeros((12, 1)), np.full(12, 0.5), 6)
    assert still.worst[0] == -1
    assert np.isnan(still.p[0])
    assert not still.flagged.any()
