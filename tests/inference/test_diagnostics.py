"""Diagnostics of whole fits: agreement with the single tests, calibration, edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.inference.checks.diagnose import Diagnostics, diagnose
from trialkit.inference.checks.equal_variances import levene
from trialkit.inference.checks.normality import shapiro_wilk
from trialkit.inference.checks.reference import (
    drawn_p,
    layout_reference,
    spread_trend,
    spread_trend_p,
)
from trialkit.inference.checks.residual_space import (
    basis,
    beyond_covariate,
    beyond_factor,
    layout_basis,
    residual,
)
from trialkit.inference.checks.verdict import Verdict
from trialkit.inference.design.layout import Layout, completely_randomised, randomised_blocks
from trialkit.inference.normal.linear import fit_layout


def blocks(t: int, b: int) -> Layout:
    return randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)


def look(layout: Layout, y: np.ndarray, **options: object) -> Diagnostics:
    (fit,) = fit_layout(layout, y)
    return diagnose(fit, layout, **options)  # type: ignore[arg-type]


def counts(rng: np.random.Generator, layout: Layout, k: int) -> np.ndarray:
    """Overdispersed counts whose means span 2 to 60 over the treatments."""
    t = layout.n_treatments
    mean = np.geomspace(2, 60, t)[layout.treatment][:, None]
    return rng.poisson(mean * rng.gamma(2, 0.5, (layout.n_plots, k))).astype(float)


def test_brings_the_single_tests_together() -> None:
    layout = blocks(6, 4)
    y = np.random.default_rng(1).normal(10, 2, (24, 3))
    (fit,) = fit_layout(layout, y)
    found = diagnose(fit, layout, draws=99)
    assert found.normality_w == pytest.approx(shapiro_wilk(fit.residuals).statistic)
    forsythe = levene(fit.residuals, layout.treatment)
    assert found.brown_forsythe.statistic == pytest.approx(forsythe.statistic)
    row = found.rows()[2]
    assert row.shapiro_w == found.normality_w[2]
    assert row.brown_forsythe_p == pytest.approx(forsythe.p[2])
    assert row.cv_percent == pytest.approx(100 * np.sqrt(fit.ms_error[2]) / y[:, 2].mean())
    assert row.suggested_power == found.additivity.power[2]
    assert (row.n, row.df_error, row.column) == (24, 15, 2)
    studentized = found.outliers.studentized[:, 2]
    assert row.outlier_plot == np.argmax(np.abs(studentized))
    assert abs(row.outlier) == pytest.approx(np.abs(studentized).max())


@pytest.mark.parametrize(("t", "b"), [(8, 3), (8, 4), (5, 5)])
def test_p_values_drawn_from_the_layout_hold_their_level(t: int, b: int) -> None:
    y = np.random.default_rng(2).normal(size=(t * b, 3000))
    found = look(blocks(t, b), y)
    for p in (
        found.normality_p,
        found.brown_forsythe_p,
        found.spread_trend_p,
        found.variance_p,
        found.additivity.p,
        found.outliers.p,
    ):
        assert 0.035 < (p < 0.05).mean() < 0.065
        assert (p < 0.01).mean() < 0.02


def test_tabulated_brown_forsythe_never_rejects_with_three_plots_a_treatment() -> None:
    # Why the draws are there: even counts of the worst sort pass the table.
    layout = blocks(8, 3)
    y = counts(np.random.default_rng(3), layout, 500)
    found = look(layout, y)
    assert (found.brown_forsythe.p < 0.05).mean() < 0.02
    assert (found.brown_forsythe_p < 0.05).mean() > 0.2


def test_spread_that_follows_the_mean_is_found_and_the_logarithm_removes_it() -> None:
    layout = blocks(8, 4)
    y = counts(np.random.default_rng(4), layout, 400)
    raw, logged = look(layout, y), look(layout, np.log10(y + 1))
    assert (raw.spread_trend > 0).mean() > 0.95
    assert (raw.spread_trend_p < 0.05).mean() > 0.8
    assert (raw.variance_p < 0.05).mean() > 0.8
    assert (logged.variance_p < 0.05).mean() < 0.12
    # The comparison of treatment variances alone would miss most of them.
    assert (raw.brown_forsythe_p < 0.05).mean() < 0.6


def test_same_seed_same_numbers_and_more_draws_little_change() -> None:
    layout = blocks(6, 4)
    y = np.random.default_rng(5).normal(size=(24, 10))
    first, second = look(layout, y, seed=3), look(layout, y, seed=3)
    assert first.normality_p.tolist() == second.normality_p.tolist()
    assert first.variance_p.tolist() == second.variance_p.tolist()
    other = look(layout, y, seed=4, draws=4999)
    assert other.normality_p == pytest.approx(first.normality_p, abs=0.06)


@given(seed=st.integers(0, 10_000), scale=st.floats(0.01, 100), shift=st.floats(-100, 100))
@settings(max_examples=25, deadline=None)
def test_units_and_block_differences_change_nothing(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    layout = blocks(5, 4)
    y = rng.normal(50, 5, 20)
    base = look(layout, y, draws=199)
    moved = look(layout, shift + scale * y, draws=199)
    for name in ("normality_p", "brown_forsythe_p", "spread_trend_p"):
        assert getattr(moved, name) == pytest.approx(getattr(base, name), abs=0.011), name
    # Residuals don't see what was added to a block; fitted values do.
    lifted = look(layout, y + 20.0 * layout.blocking[0][1], draws=199)
    assert lifted.normality_p == pytest.approx(base.normality_p, abs=0.011)
    assert lifted.brown_forsythe_p == pytest.approx(base.brown_forsythe_p, abs=0.011)


def test_missing_plots_keep_the_numbers_of_the_layout() -> None:
    layout = blocks(6, 4)
    y = np.random.default_rng(6).normal(size=24)
    y[[0, 1, 5]] = np.nan
    y[20] += 15
    row = look(layout, y).rows()[0]
    assert row.n == 21
    assert row.outlier_plot == 20
    assert row.verdicts.outliers is Verdict.FAILED


def test_without_draws_the_tables_decide() -> None:
    layout = blocks(6, 4)
    found = look(layout, np.random.default_rng(7).normal(size=(24, 4)), draws=0)
    assert found.draws == 0
    assert found.normality_p.tolist() == found.normality_table_p.tolist()
    assert found.variance_p.tolist() == found.brown_forsythe.p.tolist()
    assert np.isnan(found.spread_trend_p).all()


def test_what_cannot_be_tested_is_not_available_and_never_crashes() -> None:
    rng = np.random.default_rng(8)
    flat = look(blocks(6, 4), np.full((24, 1), 3.0)).rows()[0]
    assert {flat.verdicts.variance, flat.verdicts.normality, flat.verdicts.additivity} == {
        Verdict.NOT_AVAILABLE
    }
    assert flat.outlier_plot == -1
    one_way = look(completely_randomised(np.repeat(np.arange(4), 5), 4), rng.normal(size=20))
    row = one_way.rows()[0]
    assert row.verdicts.additivity is Verdict.NOT_AVAILABLE
    assert row.verdicts.normality is not Verdict.NOT_AVAILABLE
    tiny = look(blocks(2, 2), rng.normal(size=4)).rows()[0]
    assert tiny.verdicts.normality is Verdict.NOT_AVAILABLE
    nothing = look(blocks(3, 3), np.full((9, 1), np.nan)).rows()[0]
    assert nothing.n == 0
    assert np.isnan(nothing.shapiro_w)
    one_plot = look(blocks(3, 3), np.where(np.arange(9) == 4, 1.0, np.nan)).rows()[0]
    assert one_plot.verdicts.outliers is Verdict.NOT_AVAILABLE
    # Two plots a treatment: distances from a median are alike, so only the trend can be tested.
    pairs = look(completely_randomised(np.repeat(np.arange(5), 2), 5), rng.normal(size=10)).rows()[
        0
    ]
    assert np.isnan(pairs.brown_forsythe_f)
    assert pairs.variance_p == pairs.spread_trend_p


def test_a_treatment_of_nothing_but_zeros_among_counts() -> None:
    layout = blocks(5, 4)
    y = np.random.default_rng(9).poisson(20.0, 20).astype(float)
    y[layout.treatment == 2] = 0.0
    row = look(layout, y).rows()[0]
    assert 0 < row.variance_p <= 1
    assert 0 < row.normality_p <= 1
    assert np.isfinite(row.outlier)


def test_drawn_p_counts_the_trial_itself() -> None:
    reference = np.arange(1.0, 100.0)
    assert drawn_p(np.array([1000.0, 0.0, 50.0, np.nan]), reference) == pytest.approx(
        [0.01, 1.0, 0.51, np.nan], nan_ok=True
    )
    assert np.isnan(drawn_p(np.array([1.0]), np.array([]))).all()


def test_spread_trend_is_a_correlation() -> None:
    rng = np.random.default_rng(10)
    layout = blocks(4, 4)
    y = rng.normal(size=(16, 2))
    (fit,) = fit_layout(layout, y)
    known = [np.corrcoef(fit.fitted[:, j], np.abs(fit.residuals[:, j]))[0, 1] for j in range(2)]
    found = spread_trend(fit.fitted, fit.residuals)
    assert found == pytest.approx(known)
    reference = layout_reference(layout_basis(layout), layout.treatment, 99, rng)
    p = spread_trend_p(fit.fitted, np.array([1.0, np.nan]), reference)
    assert p[0] == pytest.approx(0.01)
    assert np.isnan(p[1])


def test_space_of_a_layout() -> None:
    layout = blocks(4, 3)
    space = layout_basis(layout)
    assert space.shape == (12, 6)
    assert space.T @ space == pytest.approx(np.eye(6), abs=1e-12)
    (fit,) = fit_layout(layout, np.random.default_rng(11).normal(size=12))
    assert residual(space, fit.residuals) == pytest.approx(fit.residuals)
    assert np.einsum("ij,ij->i", space, space) == pytest.approx(fit.leverage)
    assert layout_basis(layout, treatment=False).shape == (12, 3)
    # A factor or covariate that is already inside adds nothing.
    assert beyond_factor(space, layout.treatment).shape == (12, 0)
    assert beyond_covariate(space, layout.treatment.astype(float)).shape == (12, 0)
    assert beyond_covariate(space, np.full(12, 1e9)).shape == (12, 0)
    assert beyond_covariate(space, 1e-9 * np.arange(12.0) ** 2).shape == (12, 1)
    assert basis(12, [layout.treatment], [np.arange(12.0) ** 2]).shape == (12, 5)
