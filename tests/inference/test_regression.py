"""Regression within blocks against statsmodels, its coverage and its edges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.inference.design.layout import (
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.normal.regression_on_covariate import regress_within


def blocks(t: int, b: int) -> Layout:
    return randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)


def trial(seed: int, layout: Layout, own: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Yield falls by 4 a unit of the covariate; ``own`` is the sd of what treatments do besides."""
    rng = np.random.default_rng(seed)
    t, n = layout.n_treatments, layout.n_plots
    x = np.geomspace(20, 300, t)[layout.treatment] * rng.gamma(8, 1 / 8, n)
    y = 5000 - 4 * x + 150 * rng.normal(size=n) + own * rng.normal(size=t)[layout.treatment]
    for _, codes in layout.blocking:
        y = y + 200 * rng.normal(size=codes.max() + 1)[codes]
    return x, y


@pytest.mark.parametrize("missing", [(), (3, 17)])
def test_agrees_with_statsmodels(missing: tuple[int, ...]) -> None:
    layout = blocks(6, 4)
    x, y = trial(1, layout)
    y[list(missing)] = np.nan
    found = regress_within(layout, y, x)
    data = pd.DataFrame(
        {"y": y, "x": x, "t": layout.treatment, "b": layout.blocking[0][1]}
    ).dropna()
    free = smf.ols("y ~ C(b) + x", data).fit()
    full = smf.ols("y ~ C(b) + x + C(t)", data).fit()
    for ours, theirs in ((found.within_blocks, free), (found.within_treatments, full)):
        assert ours.slope == pytest.approx(theirs.params["x"], rel=1e-8)
        assert ours.se == pytest.approx(theirs.bse["x"], rel=1e-8)
        assert (ours.lower, ours.upper) == pytest.approx(theirs.conf_int().loc["x"].tolist())
        assert ours.p == pytest.approx(theirs.pvalues["x"], rel=1e-6)
        assert ours.df == int(theirs.df_resid)
    F, p, _ = full.compare_f_test(free)
    assert found.lack_of_fit_f == pytest.approx(F, rel=1e-7)
    assert found.lack_of_fit_p == pytest.approx(p, rel=1e-6)
    assert found.n == len(data)


def test_between_treatments_is_the_line_through_the_means_of_complete_blocks() -> None:
    layout = blocks(6, 4)
    x, y = trial(2, layout, own=100)
    mx = np.array([x[layout.treatment == i].mean() for i in range(6)])
    my = np.array([y[layout.treatment == i].mean() for i in range(6)])
    line = smf.ols("my ~ mx", pd.DataFrame({"mx": mx, "my": my})).fit()
    found = regress_within(layout, y, x)
    assert found.between_treatments.slope == pytest.approx(line.params["mx"])
    assert found.over_treatments.se == pytest.approx(line.bse["mx"])
    assert found.over_treatments.df == 4
    assert found.share_of_treatments == pytest.approx(line.rsquared)


def test_slopes_combine_to_the_one_within_blocks() -> None:
    # The slope within blocks is the mean of the other two, weighted by the spread of x.
    layout = blocks(5, 4)
    x, y = trial(3, layout)
    found = regress_within(layout, y, x)
    parts = (found.between_treatments, found.within_treatments)
    low, high = sorted(part.slope for part in parts)
    assert low <= found.within_blocks.slope <= high


def test_intervals_cover_and_only_treatments_as_units_stand_effects_of_their_own() -> None:
    layout = blocks(8, 4)

    def cover(own: float) -> np.ndarray:
        hits = []
        for seed in range(400):
            x, y = trial(seed, layout, own)
            f = regress_within(layout, y, x)
            lines = (f.within_blocks, f.over_treatments, f.within_treatments)
            hits.append([line.lower <= -4 <= line.upper for line in lines])
        return np.mean(hits, axis=0)

    plain = cover(0.0)
    assert ((plain > 0.92) & (plain < 0.98)).all()
    within_blocks, over, within = cover(200.0)
    assert within_blocks < 0.9
    assert 0.92 < over < 0.98
    assert 0.92 < within < 0.98


def test_level_of_lack_of_fit_and_of_the_comparison_of_slopes() -> None:
    layout = blocks(6, 4)
    fits = [regress_within(layout, *reversed(trial(seed, layout))) for seed in range(500)]
    assert 0.025 < np.mean([f.lack_of_fit_p < 0.05 for f in fits]) < 0.08
    assert 0.025 < np.mean([f.slopes_p < 0.05 for f in fits]) < 0.08


@given(
    seed=st.integers(0, 10_000),
    a=st.floats(0.01, 100),
    b=st.floats(0.01, 100),
    shift=st.floats(-1e3, 1e3),
)
@settings(max_examples=40, deadline=None)
def test_units_offsets_blocks_and_order(seed: int, a: float, b: float, shift: float) -> None:
    layout = blocks(5, 3)
    x, y = trial(seed, layout)
    base = regress_within(layout, y, x)
    block = layout.blocking[0][1]
    moved = regress_within(layout, b * y + shift + 90.0 * block, a * x - shift + 7.0 * block)
    assert moved.within_blocks.slope == pytest.approx(base.within_blocks.slope * b / a, rel=1e-5)
    assert moved.lack_of_fit_p == pytest.approx(base.lack_of_fit_p, rel=1e-4)
    assert moved.share_of_treatments == pytest.approx(base.share_of_treatments, rel=1e-5)
    order = np.random.default_rng(seed).permutation(15)
    mixed = randomised_blocks(layout.treatment[order], block[order], 5)
    again = regress_within(mixed, y[order], x[order])
    assert again.within_treatments.slope == pytest.approx(base.within_treatments.slope, rel=1e-7)


def test_other_layouts() -> None:
    rng = np.random.default_rng(5)
    row, column = np.repeat(np.arange(5), 5), np.tile(np.arange(5), 5)
    square = latin_square((row + column) % 5, row, column, 5)
    x = rng.gamma(4.0, 10.0, 25)
    y = 100 - 0.5 * x + 3 * row + 2 * column + rng.normal(size=25)
    found = regress_within(square, y, x)
    data = pd.DataFrame({"y": y, "x": x, "r": row, "c": column})
    known = smf.ols("y ~ C(r) + C(c) + x", data).fit()
    assert found.within_blocks.slope == pytest.approx(known.params["x"])
    crd = completely_randomised(np.repeat(np.arange(3), [4, 6, 5]), 3)
    found = regress_within(crd, y[:15], x[:15])
    known = smf.ols("y ~ x", data[:15]).fit()
    assert found.within_blocks.slope == pytest.approx(known.params["x"])


def test_edges_are_nan_with_a_reason() -> None:
    layout = blocks(4, 3)
    rng = np.random.default_rng(6)
    y = rng.normal(size=12)
    same = regress_within(layout, y, layout.blocking[0][1] * 2.0)
    assert np.isnan(same.within_blocks.slope)
    assert same.reason
    nothing = regress_within(layout, np.full(12, np.nan), y)
    assert (nothing.n, np.isnan(nothing.share_of_treatments)) == (0, True)
    assert nothing.reason
    tiny = regress_within(blocks(2, 2), rng.normal(size=4), rng.normal(size=4))
    assert np.isnan(tiny.within_treatments.se)
    assert np.isnan(tiny.lack_of_fit_p)
    assert tiny.reason
    # A covariate that is one number a treatment has no slope within treatments.
    fixed = regress_within(layout, y, layout.treatment * 10.0)
    assert np.isnan(fixed.within_treatments.slope)
    assert np.isfinite(fixed.between_treatments.slope)
    assert np.isfinite(fixed.lack_of_fit_p)
    flat = regress_within(layout, np.full(12, 5.0), rng.normal(size=12))
    assert np.isnan(flat.share_of_treatments)
    with pytest.raises(ValueError, match="one value"):
        regress_within(layout, y[:5], y)
    with pytest.raises(ValueError, match="finite"):
        regress_within(layout, np.full(12, np.inf), y)
