"""Covariance adjustment in split-plots: laws, level, undefined cases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from strata_fits import split_plot, split_plot_layout
from trialkit.inference.normal.mixed_covariate import mixed_covariate

BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 3)))
PLOT = BLOCK * 3 + MAIN


def fit(y, x, **changes):
    given = {"main": MAIN, "sub": SUB, "blocking": [("block", BLOCK)], "main_plot": PLOT} | changes
    return mixed_covariate(split_plot_layout(**given), y, x)


def draw(seed):
    rng = np.random.default_rng(seed)
    x = rng.normal(10, 2, 36) + rng.normal(0, 2, 12)[PLOT]
    return x, 0.7 * x + rng.normal(size=36) + rng.normal(0, 1, 12)[PLOT]


def test_order_names_and_block_levels_change_nothing():
    x, y = draw(1)
    base = fit(y, x)
    order = np.random.default_rng(2).permutation(36)
    main, sub = 2 - MAIN[order], (SUB[order] + 1) % 3
    turned = fit(
        y[order] + 50.0 * BLOCK[order],
        x[order],
        main=main,
        sub=sub,
        blocking=[("block", 3 - BLOCK[order])],
        main_plot=PLOT[order],
    )
    assert turned.slope == pytest.approx(base.slope, rel=1e-7)
    assert pytest.approx(base.treatments.F, rel=1e-6) == turned.treatments.F
    assert pytest.approx(base.slopes.F, rel=1e-6) == turned.slopes.F
    for source in ("main", "sub", "main:sub"):
        assert turned.term(source).p == pytest.approx(base.term(source).p, rel=1e-5)
    cell = main * 3 + sub
    own = MAIN[order] * 3 + SUB[order]
    difference = turned.means[cell] - base.means[own]
    assert np.ptp(difference) < 1e-6


def test_a_covariate_of_no_use_leaves_the_means_near():
    rng = np.random.default_rng(5)
    y, x = rng.normal(size=36) + MAIN, rng.normal(size=36)
    adjusted = fit(y, x)
    plain = split_plot(MAIN, SUB, y, blocking=[("block", BLOCK)]).means("main:sub")
    np.testing.assert_allclose(
        adjusted.means, plain.mean[:, 0], atol=4 * abs(adjusted.slope) * x.std()
    )
    assert adjusted.term("main").p < 0.5


def test_level_of_treatments_and_slopes():
    """120 null trials with a covariate that matters: 5 % within about three standard errors."""
    p = np.array(
        [
            (found.treatments.p, found.term("main").p, found.slopes.p)
            for found in (fit(*draw(seed)[::-1]) for seed in range(120))
        ]
    )
    rate = np.nanmean(p < 0.05, axis=0)
    assert (rate > 0.0).all()
    assert (rate < 0.11).all()
    assert np.isfinite(p[:, :2]).all()


def test_undefined():
    x, y = draw(3)
    constant = fit(y, np.full(36, 4.0))
    assert np.isnan(constant.slope)
    assert "does not vary" in constant.note
    assert np.isnan(constant.means).all()
    few = y.copy()
    few[8:] = np.nan
    assert fit(few, x).note
    with pytest.raises(ValueError, match="one value for each plot"):
        fit(y[:5], x)
    holes = x.copy()
    holes[:3] = np.nan
    assert fit(y, holes).n == 33


def test_unseen_group_has_no_mean():
    x, y = draw(4)
    layout = split_plot_layout(MAIN, SUB, blocking=[("block", BLOCK)])
    treatment = np.where(layout.treatment > 2, layout.treatment - 1, layout.treatment)
    found = mixed_covariate(replace(layout, treatment=treatment, n_treatments=9), y, x)
    assert np.isnan(found.means[8])
    assert found.treatments.df == 7
