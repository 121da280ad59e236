"""Split-plot in time: identities, corrections, missing days."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.split_plot_in_time import box_epsilon, repeated_measures

BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 5)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 5)


def response(seed, n=20, d=4):
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n, d)) + rng.normal(size=(n, 1)) + np.linspace(0, 3, d)


def test_level_and_course_share_the_days_error():
    y = response(2)
    fit = repeated_measures(LAYOUT, y)
    level, course = fit.term("treatment"), fit.term("treatment:day")
    assert (level.df, level.df_error, course.df, course.df_error) == (4, 12, 12, 36)
    mean = fit_layout(LAYOUT, y.mean(axis=1))[0]
    assert pytest.approx(float(mean.treatment.F[0])) == level.F
    # Days added up: what they leave is the error of levels and that of courses.
    daily = fit_layout(LAYOUT, y)[0]
    treated, error = (
        float(each.sum_sq.sum() - 4 * whole.sum_sq[0])
        for each, whole in ((daily.treatment, mean.treatment), (daily.error, mean.error))
    )
    assert pytest.approx((treated / 12) / (error / 36)) == course.F


@pytest.mark.parametrize("which", ["completely randomised", "latin"])
def test_degrees_of_freedom(which):
    row, column = (i.ravel() for i in np.indices((4, 4)))
    layout = {
        "completely randomised": completely_randomised(np.arange(16) % 4, 4),
        "latin": latin_square((row + column) % 4, row, column, 4),
    }[which]
    fit = repeated_measures(layout, response(3, n=16))
    own = 12 if which == "completely randomised" else 6
    assert [(t.df, t.df_error) for t in fit.terms] == [(3, own), (9, 3 * own)]


def test_epsilon_lies_between_its_bounds_and_is_one_for_sphericity():
    for seed in range(20):
        fit = repeated_measures(LAYOUT, response(seed))
        course = fit.term("treatment:day")
        assert 1 / 3 <= course.epsilon_gg <= course.epsilon_hf <= 1.0
        if course.F > 1.5:
            assert course.p <= course.p_hf + 1e-12
            assert course.p_hf <= course.p_gg + 1e-12
        assert np.isnan(fit.term("treatment").p_gg)
    assert box_epsilon(np.eye(3) * 5.0, 12, 0.0) == (pytest.approx(1.0), 1.0)
    # One degree of freedom: the bottom of Huynh and Feldt's is 0 but for rounding.
    line = np.array([0.3, 0.7, 1.1])
    assert box_epsilon(np.outer(line, line), 1, 0.0) == (pytest.approx(1 / 3), 1.0)


def test_correlation_that_fades_lowers_epsilon():
    rng = np.random.default_rng(4)
    walk = np.cumsum(rng.normal(size=(60, 6)), axis=1)
    fit = repeated_measures(completely_randomised(np.arange(60) % 3, 3), walk)
    assert fit.term("treatment:day").epsilon_gg < 0.75


def test_two_days_need_no_correction():
    y = response(5, d=2)
    fit = repeated_measures(LAYOUT, y)
    assert fit.term("treatment:day").epsilon_gg == pytest.approx(1.0)
    change = fit_layout(LAYOUT, y[:, 1] - y[:, 0])[0]
    assert pytest.approx(float(change.treatment.F[0])) == fit.term("treatment:day").F
    assert fit.term("treatment:day").p_gg == pytest.approx(float(change.treatment.p[0]))


def test_plots_that_miss_a_day_are_left_out_and_counted():
    y = response(6)
    y[3, 2] = np.nan
    y[10, :] = np.nan
    fit = repeated_measures(LAYOUT, y)
    assert (fit.n_plots, fit.n_left_out) == (18, 2)
    keep = np.ones(20, dtype=bool)
    keep[[3, 10]] = False
    alone = repeated_measures(randomised_blocks(TREATMENT[keep], BLOCK[keep], 5), y[keep])
    for one, two in zip(fit.terms, alone.terms, strict=True):
        assert pytest.approx(two.F) == one.F


def test_invariances():
    y = response(7)
    fit = repeated_measures(LAYOUT, y)
    order = np.random.default_rng(7).permutation(20)
    days = np.array([2, 0, 3, 1])
    moved = y + 100.0 * BLOCK[:, None] + 1e4
    again = repeated_measures(
        randomised_blocks((TREATMENT[order] + 1) % 5, BLOCK[order], 5),
        moved[order][:, days],
    )
    for source in ("treatment", "treatment:day"):
        assert pytest.approx(fit.term(source).F, rel=1e-6) == again.term(source).F
        np.testing.assert_allclose(again.term(source).p_gg, fit.term(source).p_gg, rtol=1e-6)


def test_odd_data_and_bad_input():
    flat = repeated_measures(LAYOUT, np.full((20, 4), 2.0))
    assert all(np.isnan(t.F) for t in flat.terms)
    assert np.isnan(flat.term("treatment:day").epsilon_gg)
    empty = repeated_measures(LAYOUT, np.full((20, 4), np.nan))
    assert empty.n_left_out == 20
    assert all(np.isnan(t.F) for t in empty.terms)
    with pytest.raises(ValueError, match="two days"):
        repeated_measures(LAYOUT, response(1, d=1))
    with pytest.raises(ValueError, match="one row for each plot"):
        repeated_measures(LAYOUT, response(1)[:-1])
