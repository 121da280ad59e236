"""Randomisation tests of split-plots and strip-plots: exact lists, level, invariance."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest

from strata_fits import split_plot, split_plot_randomisation, strip_plot, strip_plot_randomisation

PARTS = ("overall", "main", "sub", "interaction")


def codes(r, a, b):
    return (i.ravel() for i in np.indices((r, a, b)))


def mean_f(fit):
    terms = [fit.term(s) for s in ("main", "sub", "main:sub")]
    return sum(t.df[0] * t.F[0] for t in terms) / sum(t.df[0] for t in terms)


def test_split_plot_lists_all_arrangements():
    """Two blocks, two main and two sub treatments: F of the analysis in every arrangement."""
    block, main, sub = codes(2, 2, 2)
    plot = block * 2 + main
    y = np.random.default_rng(3).normal(size=8) + 2 * main + sub
    whole, mains, subs, crossed = [], [], [], []
    for swaps in product((0, 1), repeat=2):
        new_main = np.where(np.array(swaps)[block] == 1, 1 - main, main)
        fit = split_plot(new_main, sub, y, blocking=[("block", block)], main_plot=plot)
        mains.append(fit.term("main").F[0])
        crossed.append(fit.term("main:sub").sum_sq[0])
        for turns in product((0, 1), repeat=4):
            new_sub = np.where(np.array(turns)[plot] == 1, 1 - sub, sub)
            both = split_plot(new_main, new_sub, y, blocking=[("block", block)], main_plot=plot)
            whole.append(mean_f(both))
            if swaps == (0, 0):
                subs.append(both.term("sub").sum_sq[0])
    found = split_plot_randomisation(main, sub, plot, y, blocking=[("block", block)])
    for part, values in zip(PARTS, (whole, mains, subs, crossed), strict=True):
        reached = np.mean(np.array(values) >= values[0] * (1 - 1e-9))
        assert getattr(found, part)[0] == pytest.approx(reached, rel=1e-12)


def test_strip_plot_lists_all_arrangements():
    block, main, sub = codes(2, 3, 2)
    y = np.random.default_rng(8).normal(size=12) + main
    whole, mains, subs, crossed = [], [], [], []
    orders = [np.array(order) for order in permutations(range(3))]
    for one, two in product(orders, repeat=2):
        new_main = np.where(block == 0, one[main], two[main])
        for swaps in product((0, 1), repeat=2):
            new_sub = np.where(np.array(swaps)[block] == 1, 1 - sub, sub)
            fit = strip_plot(new_main, new_sub, block, y)
            whole.append(mean_f(fit))
            mains.append(fit.term("main").F[0])
            subs.append(fit.term("sub").F[0])
            crossed.append(fit.term("main:sub").F[0])
    found = strip_plot_randomisation(main, sub, block, y)
    for part, values in zip(PARTS, (whole, mains, subs, crossed), strict=True):
        reached = np.mean(np.array(values) >= values[0] * (1 - 1e-9))
        assert getattr(found, part)[0] == pytest.approx(reached, rel=1e-12)


@pytest.mark.parametrize("missing", [0, 4])
@pytest.mark.parametrize("strips", [False, True])
def test_level_where_nothing_acts(strips, missing):
    """Heavy-tailed errors; 400 trials: 5 % is met within about three standard errors."""
    block, main, sub = codes(4, 3, 3)
    rng = np.random.default_rng(1)
    y = rng.standard_t(3, size=(36, 400)) + 2 * rng.normal(size=(12, 400))[block * 3 + main]
    y[rng.choice(36, missing, replace=False)] = np.nan
    if strips:
        found = strip_plot_randomisation(main, sub, block, y, draws=199)
    else:
        found = split_plot_randomisation(
            main, sub, block * 3 + main, y, blocking=[("block", block)], draws=199
        )
    for part in PARTS:
        p = getattr(found, part)
        assert 0.02 < np.mean(p <= 0.05) < 0.085
        assert 0.42 < np.mean(p <= 0.5) < 0.58


def test_interaction_is_tested_beside_strong_factors():
    block, main, sub = codes(4, 3, 3)
    plot = block * 3 + main
    rng = np.random.default_rng(2)
    y = rng.normal(size=(36, 300)) + (20.0 * main + 10.0 * sub)[:, None]
    found = split_plot_randomisation(main, sub, plot, y, blocking=[("block", block)], draws=199)
    assert 0.02 < np.mean(found.interaction <= 0.05) < 0.085
    assert np.mean(found.main <= 0.05) > 0.9
    assert np.mean(found.overall <= 0.05) > 0.9
    both = strip_plot_randomisation(main, sub, block, y, draws=199)
    assert 0.02 < np.mean(both.interaction <= 0.05) < 0.085


def test_what_changes_nothing():
    """All arrangements are listed here, so order, names and block levels leave p alone."""
    block, main, sub = codes(2, 2, 2)
    plot = block * 2 + main
    y = np.random.default_rng(5).normal(size=8) + sub
    base = split_plot_randomisation(main, sub, plot, y, blocking=[("block", block)])
    order = np.random.default_rng(6).permutation(8)
    turned = split_plot_randomisation(
        1 - main[order],
        1 - sub[order],
        plot[order] + 5,
        y[order] + 100.0 * block[order],
        blocking=[("block", 1 - block[order])],
    )
    for part in PARTS:
        assert getattr(turned, part) == pytest.approx(getattr(base, part), rel=1e-12)


def test_main_plots_in_a_square():
    """Rows and columns of main plots change places; subplots within main plots."""
    row, column, sub = codes(4, 4, 2)
    main = (row + column) % 4
    rng = np.random.default_rng(7)
    y = rng.normal(size=(32, 200)) + (5.0 * row + 9.0 * column)[:, None]
    found = split_plot_randomisation(
        main, sub, row * 4 + column, y, blocking=[("row", row), ("column", column)], draws=199
    )
    assert 0.01 < np.mean(found.sub <= 0.05) < 0.1
    # The cyclic square of four has few different arrangements.
    assert np.nanmin(found.main) >= 1 / 18
    y[:2] = np.nan
    holes = split_plot_randomisation(
        main, sub, row * 4 + column, y, blocking=[("row", row), ("column", column)], draws=199
    )
    assert np.isnan(holes.main).all()
    assert np.isfinite(holes.sub).all()


def test_nothing_to_test():
    block, main, sub = codes(2, 2, 2)
    y = np.full((8, 2), 3.0)
    y[:, 1] = np.nan
    found = split_plot_randomisation(main, sub, block * 2 + main, y, blocking=[("block", block)])
    for part in PARTS:
        assert np.isnan(getattr(found, part)).all()
