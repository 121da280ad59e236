"""Repeated measures by REML: agreement with the split-plot in time, missing days, structures."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import compare_mixed
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance_structures import (
    Autoregressive,
    CompoundSymmetry,
    Unstructured,
)
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.repeated_reml import STRUCTURES, repeated_reml
from trialkit.inference.normal.split_plot_in_time import repeated_measures

BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 4)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 4)
DAYS = [1.0, 3.0, 7.0, 14.0]


def response(seed, *, plots=2.0, n=16):
    rng = np.random.default_rng(seed)
    lag = np.abs(np.subtract.outer(DAYS, DAYS))
    root = np.linalg.cholesky(0.8**lag)
    return 10 + plots * rng.normal(size=(n, 1)) + rng.normal(size=(n, 4)) @ root.T


def test_compound_symmetry_is_the_split_plot_in_time():
    y = response(1)
    reml = repeated_reml(LAYOUT, y, DAYS, structure="compound-symmetry")
    for exact in repeated_measures(LAYOUT, y).terms:
        found = reml.term(exact.source)
        assert pytest.approx(exact.F, rel=1e-7) == found.F
        assert found.df_error == pytest.approx(exact.df_error, rel=1e-6)


def test_compound_symmetry_allows_a_negative_covariance():
    """Plots that repel: the split-plot in time stays exact, no variance is cut at zero."""
    y = response(2, plots=0.0)
    y = y - 0.9 * y.mean(axis=1, keepdims=True)
    reml = repeated_reml(LAYOUT, y, DAYS, structure="compound-symmetry")
    assert CompoundSymmetry(4).matrix(reml.fit.theta)[0, 1] < 0
    exact = repeated_measures(LAYOUT, y)
    assert pytest.approx(exact.term("treatment").F, rel=1e-6) == reml.term("treatment").F


def test_unstructured_estimates_the_pooled_covariance():
    y = response(3)
    reml = repeated_reml(LAYOUT, y, DAYS, structure="unstructured")
    daily = fit_layout(LAYOUT, y)[0]
    covariance = Unstructured(4).matrix(reml.fit.theta)
    pooled = daily.residuals.T @ daily.residuals / daily.df_error
    np.testing.assert_allclose(covariance, pooled, rtol=1e-6, atol=1e-9)
    # Treatments over all days: the analysis of plot means, exactly.
    level = fit_layout(LAYOUT, y.mean(axis=1))[0].treatment
    assert pytest.approx(float(level.F[0]), rel=1e-6) == reml.term("treatment").F
    assert reml.term("treatment").df_error == pytest.approx(9, rel=1e-6)


def test_unit_of_time_does_not_matter():
    y = response(4)
    y[2, 1] = np.nan
    days = repeated_reml(LAYOUT, y, DAYS)
    weeks = repeated_reml(LAYOUT, y, np.array(DAYS) / 7.0)
    course, again = days.term("treatment:day"), weeks.term("treatment:day")
    assert pytest.approx(course.F, rel=1e-7) == again.F
    assert again.df_error == pytest.approx(course.df_error, rel=1e-7)
    np.testing.assert_allclose(weeks.fit.theta, days.fit.theta, rtol=1e-6)


def test_autoregression_recovers_its_parameters():
    rng = np.random.default_rng(5)
    layout = randomised_blocks(np.tile(np.arange(4), 50), np.repeat(np.arange(50), 4), 4)
    lag = np.abs(np.subtract.outer(DAYS, DAYS))
    y = 3.0 * rng.normal(size=(200, 4)) @ np.linalg.cholesky(0.85**lag).T
    y[rng.random(y.shape) < 0.1] = np.nan
    fit = repeated_reml(layout, y, DAYS).fit
    variance, correlation = fit.theta
    assert variance == pytest.approx(9.0, rel=0.15)
    assert correlation ** (1.0 / Autoregressive(tuple(DAYS)).unit) == pytest.approx(0.85, abs=0.03)


@pytest.mark.parametrize("structure", STRUCTURES)
def test_missing_days_keep_the_plot(structure):
    y = response(6)
    y[3, 2] = y[8, 0] = y[13, 3] = np.nan
    fit = repeated_reml(LAYOUT, y, DAYS, structure=structure)
    assert fit.fit.converged
    assert fit.fit.rows.size == 61
    course = fit.term("treatment:day")
    assert course.df == 9
    assert 0 <= course.p <= 1
    assert course.df_error < 27
    means = fit.fit.means("treatment", "day")
    assert means.estimate.shape == (16,)
    assert np.isfinite(means.se).all()
    letters = compare_mixed(fit.fit, fit.fit.means("treatment"), "tukey").letters(
        fit.fit.means("treatment").estimate[:, None]
    )
    assert len(letters[0]) == 4


@pytest.mark.parametrize("structure", STRUCTURES[:3])
def test_contrasts_free_of_fixed_effects_have_the_top_of_the_plots(structure, monkeypatch):
    y = response(12)
    y[2] = np.nan
    y[5, 1] = y[9, 0] = y[9, 3] = np.nan
    y[TREATMENT == 1, 2] = np.nan
    short = repeated_reml(LAYOUT, y, DAYS, structure=structure)
    monkeypatch.setattr(
        "trialkit.inference.normal.repeated_reml.error_contrasts", lambda *_, **__: None
    )
    long = repeated_reml(LAYOUT, y, DAYS, structure=structure)
    assert short.fit.log_likelihood == pytest.approx(long.fit.log_likelihood, rel=1e-12)
    np.testing.assert_allclose(short.fit.theta, long.fit.theta, rtol=1e-7)
    for one, two in zip(short.terms, long.terms, strict=True):
        assert (one.F, one.df_error) == pytest.approx((two.F, two.df_error), rel=1e-7)


def test_treatments_that_differ_in_course_only_are_found():
    y = response(8, plots=0.5)
    y += np.outer(TREATMENT == 2, [6.0, 2.0, -2.0, -6.0])
    course = repeated_measures(LAYOUT, y).term("treatment:day")
    assert max(course.p, course.p_gg, course.p_hf) < 0.01
    for structure in STRUCTURES:
        found = repeated_reml(LAYOUT, y, DAYS, structure=structure)
        assert found.term("treatment:day").p < 0.01, structure


def test_a_covariance_that_cannot_be_made_says_why():
    days = np.arange(10.0)
    y = np.random.default_rng(9).normal(size=(16, 10))
    assert np.isfinite(repeated_reml(LAYOUT, y, days).term("treatment:day").p)
    with pytest.raises(NotEstimable, match="more plots"):
        repeated_reml(LAYOUT, y, days, structure="unstructured")


def test_a_treatment_without_a_day_is_tested_and_said():
    y = response(10)
    y[TREATMENT == 1, 3] = np.nan
    fit = repeated_reml(LAYOUT, y, DAYS)
    course = fit.term("treatment:day")
    assert course.df == 8
    assert "missing" in fit.term("treatment").note
    means = fit.fit.means("treatment", "day")
    lost = np.isnan(means.estimate)
    assert means.levels[lost].tolist() == [[1, 3]]


def test_bad_input_is_refused_and_constants_do_not_crash():
    y = response(11)
    with pytest.raises(ValueError, match="ascending"):
        repeated_reml(LAYOUT, y, DAYS[::-1])
    with pytest.raises(ValueError, match="one row for each plot"):
        repeated_reml(LAYOUT, y[:-1], DAYS)
    with pytest.raises(ValueError, match="structure is one of"):
        repeated_reml(LAYOUT, y, DAYS, structure="spherical")
    flat = np.full((16, 4), 5.0)
    assert np.isnan(repeated_measures(LAYOUT, flat).term("treatment:day").p)
    assert np.isnan(repeated_reml(LAYOUT, flat, DAYS).term("treatment:day").p)


@pytest.mark.parametrize("seed", range(8))
def test_sparse_counts_settle_or_are_refused(seed):
    """Counts with many zeros, a treatment of zeros, missing days: an answer or a reason."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.choice(40, 5, replace=False)).astype(float)
    y = np.sqrt(rng.negative_binomial(0.4, 0.3, size=(16, 5)) + 0.5)
    y[TREATMENT == 1] = np.sqrt(0.5)
    y[rng.random(y.shape) < 0.05] = np.nan
    for structure in STRUCTURES:
        try:
            fit = repeated_reml(LAYOUT, y, days, structure=structure)
        except NotEstimable:
            continue
        assert fit.fit.converged
        test = fit.term("treatment:day")
        if np.isnan(test.p):
            assert test.note
        else:
            assert test.F >= 0
            assert 0 <= test.p <= 1
            assert test.df_error > 0


@pytest.mark.parametrize("structure", STRUCTURES)
def test_plots_that_leave_nothing_beyond_treatments_are_refused(structure):
    layout = randomised_blocks(np.repeat(np.arange(4), 2), np.tile(np.arange(2), 4), 4)
    values = np.full((8, 3), np.nan)
    values[[0, 2, 4, 6]] = np.arange(12.0).reshape(4, 3)
    with pytest.raises(NotEstimable):
        repeated_reml(layout, values, np.array([1.0, 3.0, 7.0]), structure=structure)
