"""Efficiency of split-plots against plain blocks."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot, strip_plot
from trialkit.inference.comparisons.splitting_efficiency import (
    GROUPED,
    NO_SOURCE,
    UNEQUAL,
    splitting_efficiency,
)


def trial(r=3, a=4, b=3, seed=1):
    block, main, sub = (i.ravel() for i in np.indices((r, a, b)))
    rng = np.random.default_rng(seed)
    y = rng.normal(size=r * a * b) + 2 * rng.normal(size=r * a)[block * a + main]
    return block, main, sub, y


def test_error_is_that_of_a_uniformity_trial():
    """Without treatments the pooled mean square is that of the plots within blocks."""
    block, main, sub, y = trial()
    fit = split_plot(main, sub, y, blocking=[("block", block)])
    r, a, b = 3, 4, 3
    # Blank trial: what stands under treatments is error, of the same size.
    between = sum(fit.term(s).sum_sq[0] for s in ("main", "error_main"))
    inside = sum(fit.term(s).sum_sq[0] for s in ("sub", "main:sub", "error"))
    df_between, df_inside = r * (a - 1), r * a * (b - 1)
    pooled = (df_between * (between / df_between) + df_inside * (inside / df_inside)) / (
        df_between + df_inside
    )
    centred = y - np.bincount(block, y)[block] / (a * b)
    assert pooled == pytest.approx((centred**2).sum() / (r * (a * b - 1)))
    # With the error mean squares in their places it is the formula of the design.
    ea, eb = (fit.term(s).mean_sq[0] for s in ("error_main", "error"))
    found = splitting_efficiency(fit)
    e = ((a - 1) * ea + a * (b - 1) * eb) / (a * b - 1)
    assert found.ms_error_without[0] == pytest.approx(e)
    assert found.relative["main"][0] == pytest.approx(e / ea)
    assert found.relative["sub"][0] == pytest.approx(e / eb)
    assert found.relative["sub in main"][0] == pytest.approx(e / eb)
    assert found.relative["main in sub"][0] == pytest.approx(b * e / ((b - 1) * eb + ea))


def test_linear_in_the_ratio_of_the_errors():
    """In percent A + (100 - A) F with F = Ea / Eb, as the abstract of the source states."""
    for a, b in ((2, 2), (6, 4), (20, 20)):
        constant = 100.0 * a * (b - 1) / (a * b - 1)
        for f in (0.5, 1.0, 3.7):
            e = ((a - 1) * f + a * (b - 1)) / (a * b - 1)
            assert 100.0 * e == pytest.approx(constant + (100.0 - constant) * f)


def test_degrees_of_freedom():
    block, main, sub, y = trial()
    found = splitting_efficiency(split_plot(main, sub, y, blocking=[("block", block)]))
    # Error df: 6 for main plots, 16 for subplots, 22 for twelve treatments in three blocks.
    assert found.adjusted["main"][0] / found.relative["main"][0] == pytest.approx(7 * 25 / (9 * 23))
    assert found.adjusted["sub"][0] / found.relative["sub"][0] == pytest.approx(17 * 25 / (19 * 23))


def test_where_there_is_none():
    block, main, sub, y = trial()
    assert splitting_efficiency(strip_plot(main, sub, block, y)).reason.tolist() == [NO_SOURCE]
    holes = y.copy()
    holes[4] = np.nan
    found = splitting_efficiency(split_plot(main, sub, holes, blocking=[("block", block)]))
    assert found.reason.tolist() == [UNEQUAL]
    assert np.isnan(found.adjusted["main"]).all()
    row, column, inner = (i.ravel() for i in np.indices((3, 3, 2)))
    square = split_plot(
        (row + column) % 3,
        inner,
        np.random.default_rng(1).normal(size=18),
        blocking=[("row", row), ("column", column)],
    )
    assert splitting_efficiency(square).reason.tolist() == [GROUPED]
    loose = split_plot(main, sub, y, main_plot=block * 4 + main)
    assert splitting_efficiency(loose).reason.tolist() == [""]
