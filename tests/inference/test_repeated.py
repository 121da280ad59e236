"""Split-plot in time: identities, corrections, missing days."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot
from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.split_plot_in_time import mauchly, repeated_measures

BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 5)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 5)
DAYS = [1, 3, 7, 14]


def response(seed, n=20, d=4):
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n, d)) + rng.normal(size=(n, 1)) + np.linspace(0, 3, d)


def test_blocks_without_course_is_the_split_plot():
    y = response(1)
    fit = repeated_measures(LAYOUT, y, DAYS, blocks_by_day=False)
    other = split_plot(
        np.repeat(TREATMENT, 4),
        np.tile(np.arange(4), 20),
        y.ravel(),
        blocking=[("block", np.repeat(BLOCK, 4))],
    )
    names = {
        "block": "block",
        "treatment": "main",
        "error_plot": "error_main",
        "day": "sub",
        "treatment:day": "main:sub",
        "error": "error",
    }
    assert [t.source for t in fit.terms] == list(names)
    for term in fit.terms:
        twin = other.term(names[term.source])
        assert term.sum_sq == pytest.approx(twin.sum_sq[0])
        assert term.df == twin.df[0]
        np.testing.assert_allclose(term.p, twin.p[0])


def test_blocks_by_day_take_their_part_from_the_error():
    y = response(2)
    one = repeated_measures(LAYOUT, y, DAYS)
    two = repeated_measures(LAYOUT, y, DAYS, blocks_by_day=False)
    assert one.term("block:day").df == 9
    assert one.term("error").df == two.term("error").df - 9 == 36
    total = one.term("block:day").sum_sq + one.term("error").sum_sq
    assert total == pytest.approx(two.term("error").sum_sq)
    # Days added up: the error is the sum of the days' errors, less that of plots.
    daily = sum(float(f.error.sum_sq.sum()) for f in fit_layout(LAYOUT, y))
    assert one.term("error").sum_sq + one.term("error_plot").sum_sq == pytest.approx(daily)


@pytest.mark.parametrize("which", ["completely randomised", "latin"])
def test_total_sum_of_squares(which):
    row, column = (i.ravel() for i in np.indices((4, 4)))
    layout = {
        "completely randomised": completely_randomised(np.arange(16) % 4, 4),
        "latin": latin_square((row + column) % 4, row, column, 4),
    }[which]
    y = response(3, n=16)
    fit = repeated_measures(layout, y, DAYS)
    total = sum(t.sum_sq for t in fit.terms)
    assert total == pytest.approx(float(((y - y.mean()) ** 2).sum()))
    assert sum(t.df for t in fit.terms) == 63


def test_epsilon_lies_between_its_bounds_and_is_one_for_sphericity():
    for seed in range(20):
        fit = repeated_measures(LAYOUT, response(seed), DAYS)
        assert fit.epsilon_lower <= fit.epsilon_gg <= fit.epsilon_hf <= 1.0
        course = fit.term("treatment:day")
        if course.F > 1.5:
            assert course.p <= course.p_hf + 1e-12
            assert course.p_hf <= course.p_gg + 1e-12
            assert course.p_gg <= course.p_lower + 1e-12
        assert np.isnan(fit.term("treatment").p_gg)
    w, p = mauchly(np.eye(3) * 5.0, 12)
    assert (w, p) == (pytest.approx(1.0), pytest.approx(1.0))


def test_correlation_that_fades_lowers_epsilon():
    rng = np.random.default_rng(4)
    walk = np.cumsum(rng.normal(size=(60, 6)), axis=1)
    fit = repeated_measures(completely_randomised(np.arange(60) % 3, 3), walk, np.arange(6))
    assert fit.epsilon_gg < 0.75
    assert fit.mauchly_p < 0.001


def test_two_days_need_no_correction():
    y = response(5, d=2)
    fit = repeated_measures(LAYOUT, y, [0, 7])
    assert fit.epsilon_gg == pytest.approx(1.0)
    assert np.isnan(fit.mauchly_p)
    change = fit_layout(LAYOUT, y[:, 1] - y[:, 0])[0]
    assert pytest.approx(float(change.treatment.F[0])) == fit.term("treatment:day").F
    assert fit.term("treatment:day").p_gg == pytest.approx(float(change.treatment.p[0]))


def test_plots_that_miss_a_day_are_left_out_and_counted():
    y = response(6)
    y[3, 2] = np.nan
    y[10, :] = np.nan
    fit = repeated_measures(LAYOUT, y, DAYS)
    assert fit.n_left_out == 2
    assert 3 not in fit.plots
    keep = np.ones(20, dtype=bool)
    keep[[3, 10]] = False
    alone = repeated_measures(randomised_blocks(TREATMENT[keep], BLOCK[keep], 5), y[keep], DAYS)
    for one, two in zip(fit.terms, alone.terms, strict=True):
        assert one.sum_sq == pytest.approx(two.sum_sq)


def test_invariances():
    y = response(7)
    fit = repeated_measures(LAYOUT, y, DAYS)
    order = np.random.default_rng(7).permutation(20)
    days = np.array([2, 0, 3, 1])
    moved = y + 100.0 * BLOCK[:, None] + 1e4
    again = repeated_measures(
        randomised_blocks((TREATMENT[order] + 1) % 5, BLOCK[order], 5),
        moved[order][:, days],
        np.array(DAYS)[days],
    )
    for source in ("treatment", "day", "treatment:day"):
        assert pytest.approx(fit.term(source).F, rel=1e-6) == again.term(source).F
        np.testing.assert_allclose(again.term(source).p_gg, fit.term(source).p_gg, rtol=1e-6)


def test_odd_data_and_bad_input():
    flat = repeated_measures(LAYOUT, np.full((20, 4), 2.0), DAYS)
    assert all(np.isnan(t.F) for t in flat.terms)
    assert np.isnan(flat.epsilon_gg)
    empty = repeated_measures(LAYOUT, np.full((20, 4), np.nan), DAYS)
    assert empty.n_left_out == 20
    assert all(np.isnan(t.F) for t in empty.terms)
    with pytest.raises(ValueError, match="two days"):
        repeated_measures(LAYOUT, response(1, d=1), [1])
    with pytest.raises(ValueError, match="one row for each plot"):
        repeated_measures(LAYOUT, response(1), [1, 2])
