"""Courses in split-plots and strip-plots: strata against REML, laws, level, undefined cases."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot, split_plot_layout, strip_plot_layout
from trialkit.inference.normal.repeated_reml import repeated_reml
from trialkit.inference.normal.split_plot_in_time import repeated_measures

BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 3)))
PLOT = BLOCK * 3 + MAIN
DAYS = (3.0, 7.0, 14.0)
SPLIT = split_plot_layout(MAIN, SUB, blocking=[("block", BLOCK)])


def draw(seed, k=1, crossed=True):
    """Effects of main plots, strips and plots, lasting and by day; days are alike."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(k):
        y = rng.normal(size=(36, 3)) + rng.normal(size=36)[:, None]
        for code in (PLOT, BLOCK * 3 + SUB)[: 1 + crossed]:
            y += rng.normal(size=12)[code][:, None] + 0.7 * rng.normal(size=(12, 3))[code]
        y[:, 2] += 0.6 * y[:, 1]
        out.append(y)
    return out[0] if k == 1 else out


def by_strata(y, main=MAIN, sub=SUB, block=BLOCK, plot=PLOT, strips=False):
    if strips:
        return repeated_measures(strip_plot_layout(main, sub, block), y)
    layout = split_plot_layout(main, sub, blocking=[("block", block)], main_plot=plot)
    return repeated_measures(layout, y)


@pytest.mark.parametrize("strips", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_strata_and_reml_agree_on_complete_plots(seed, strips):
    y = draw(seed)
    layout = SPLIT
    if strips:
        layout = strip_plot_layout(MAIN, SUB, BLOCK)
    reml = repeated_reml(layout, y, DAYS, structure="compound-symmetry")
    assert reml.fit.converged
    assert reml.fit.signed
    for term in by_strata(y, strips=strips).terms:
        other = reml.term(term.source)
        assert pytest.approx(term.F, rel=1e-5) == other.F
        assert (other.df, other.df_error) == pytest.approx((term.df, term.df_error), rel=1e-5)


@pytest.mark.parametrize("strips", [False, True])
def test_what_changes_nothing(strips):
    y = draw(4)
    base = by_strata(y, strips=strips)
    order = np.random.default_rng(5).permutation(36)
    levels = np.random.default_rng(6).normal(0, 30, size=(4, 3))
    turned = by_strata(
        (y + levels[BLOCK])[order],
        main=(MAIN[order] + 1) % 3,
        sub=2 - SUB[order],
        block=3 - BLOCK[order],
        plot=PLOT[order],
        strips=strips,
    )
    for one, two in zip(base.terms, turned.terms, strict=True):
        assert pytest.approx(one.F, rel=1e-8) == two.F
        if ":day" in one.source:
            assert two.p_gg == pytest.approx(one.p_gg, rel=1e-7)


def test_two_days_are_the_analysis_of_their_difference():
    y = draw(7)[:, :2]
    found = by_strata(y)
    difference = split_plot(MAIN, SUB, y[:, 1] - y[:, 0], blocking=[("block", BLOCK)])
    for source in ("main", "sub", "main:sub"):
        course = found.term(f"{source}:day")
        assert pytest.approx(difference.term(source).F[0], rel=1e-9) == course.F
        assert course.epsilon_gg == pytest.approx(1.0)


def test_level_of_courses():
    """300 null trials: 5 % or somewhat less are met within three standard errors."""
    p = np.array(
        [
            [t.p_gg for t in by_strata(y).terms if ":day" in t.source]
            for y in draw(8, k=300, crossed=False)
        ]
    )
    rate = (p < 0.05).mean(axis=0)
    assert (rate > 0.01).all()
    assert (rate < 0.09).all()


def test_main_plots_that_miss_a_day_are_left_out_whole():
    y = draw(9)
    y[4, 1] = np.nan
    found = by_strata(y)
    assert found.n_left_out == 3
    assert found.term("main").df_error == 5
    assert by_strata(y, strips=True).n_left_out == 9
    lost = np.full((36, 3), np.nan)
    assert np.isnan([term.F for term in by_strata(lost).terms]).all()
    flat = by_strata(np.ones((36, 3)))
    assert np.isnan([term.p for term in flat.terms]).all()


def test_missing_days_change_reml_little():
    y = draw(10)
    whole = repeated_reml(SPLIT, y, DAYS, structure="plot-autoregressive")
    y[5, 2] = y[20, 0] = np.nan
    holes = repeated_reml(SPLIT, y, DAYS, structure="plot-autoregressive")
    for source in ("main", "sub", "main:sub", "main:day", "sub:day", "main:sub:day"):
        assert abs(whole.term(source).p - holes.term(source).p) < 0.25


def test_wrong_input():
    with pytest.raises(ValueError, match="two days"):
        by_strata(np.ones((36, 1)))
    with pytest.raises(ValueError, match="one row"):
        by_strata(np.ones((35, 2)))
    with pytest.raises(ValueError, match="ascending"):
        repeated_reml(SPLIT, np.ones((36, 2)), (7.0, 3.0))
