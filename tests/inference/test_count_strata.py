"""Tests of counts in split-plots and strip-plots: deviances, laws, level, odd data."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import two_factor_layout
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.glm.count_model import fit_counts
from trialkit.inference.glm.count_strata import count_strata

BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 3)))
PLOT, STRIP = BLOCK * 3 + MAIN, BLOCK * 3 + SUB
SOURCES = ("treatment", "main", "sub", "main:sub")


def draw(seed, m=1, mean=20.0, k=2.0):
    rng = np.random.default_rng(seed)
    level = mean * np.exp(0.3 * rng.normal(size=(12, m))[PLOT])
    return rng.poisson(level * rng.gamma(k, 1 / k, size=(36, m))).astype(float)


def fit(y, strips=False, **changes):
    given = {"main": MAIN, "sub": SUB, "blocking": [("block", BLOCK)]} | changes
    units = {"main": PLOT, "sub": STRIP} if strips else {"main": PLOT}
    layout = two_factor_layout(units=given.pop("units", units), **given)
    terms = count_strata(layout, y)
    return {term.source: term for term in terms}


def _rank(x):
    return int(np.linalg.matrix_rank(x)) if x.shape[1] else 0


def test_main_factor_is_tested_on_totals():
    y = draw(1)
    found = fit(y)["main"]
    totals = np.bincount(PLOT, y[:, 0])
    first = np.arange(12)
    alone = fit_counts(randomised_blocks(first % 3, first // 3, 3), totals)
    line = alone.lines[1]
    assert line.source == "treatment"
    assert found.F[0] == pytest.approx(line.F[0], rel=1e-8)
    assert (found.df[0], found.df_error[0]) == (2, 6)


def test_deviances_are_those_of_a_general_linear_model():
    """At the same dispersion, by an independent library, plots inside main plots."""
    sm = pytest.importorskip("statsmodels.api")
    y = draw(2)
    found = fit(y)
    family = sm.families.NegativeBinomial(alpha=float(found["sub"].dispersion[0]))

    def deviance(*parts):
        x = np.hstack([np.eye(int(p.max()) + 1)[p] for p in parts])
        # Columns that repeat others are left out.
        kept = [j for j in range(x.shape[1]) if _rank(x[:, : j + 1]) > _rank(x[:, :j])]
        x = x[:, kept]
        return sm.GLM(y[:, 0], x, family=family).fit(tol=1e-12, maxiter=200).deviance

    plain, part, whole = deviance(PLOT), deviance(PLOT, SUB), deviance(PLOT, MAIN * 3 + SUB)
    assert found["sub"].deviance[0] == pytest.approx(plain - part, rel=1e-6)
    assert found["main:sub"].deviance[0] == pytest.approx(part - whole, rel=1e-6)
    assert found["sub"].F[0] == pytest.approx((plain - part) / 2, rel=1e-6)
    assert [found[s].df[0] for s in SOURCES] == [8, 2, 2, 4]
    assert found["main:sub"].df_error[0] == 18


@pytest.mark.parametrize("strips", [False, True])
def test_order_and_names_change_nothing(strips):
    y = draw(3, m=2)
    base = fit(y, strips)
    order = np.random.default_rng(4).permutation(36)
    units = {"main": 11 - PLOT[order]}
    if strips:
        units["sub"] = STRIP[order]
    turned = fit(
        y[order],
        strips,
        main=2 - MAIN[order],
        sub=(SUB[order] + 1) % 3,
        blocking=[("block", (BLOCK[order] + 1) % 4)],
        units=units,
    )
    for source in SOURCES:
        np.testing.assert_allclose(turned[source].F, base[source].F, rtol=1e-5)
        np.testing.assert_allclose(turned[source].df_error, base[source].df_error, rtol=1e-5)


@pytest.mark.parametrize("strips", [False, True])
def test_level(strips):
    """400 null trials; the recorded rows of the benchmark have more."""
    y = draw(5, m=400)
    if strips:
        y = np.random.default_rng(6).permuted(y, axis=0)
    for source, term in fit(y, strips).items():
        rate = np.nanmean(term.p < 0.05)
        assert 0.02 < rate < 0.09, source
        assert np.isfinite(term.p).mean() > 0.99


def test_power_where_factors_act():
    effect = np.array([1.0, 0.5, 0.2])
    y = np.random.default_rng(7).poisson(30 * effect[SUB][:, None] * np.ones((36, 50)))
    found = fit(y.astype(float))
    assert (found["sub"].p < 0.05).all()
    assert (found["treatment"].p < 0.05).all()
    assert np.mean(found["main"].p < 0.05) < 0.3


def test_zeros():
    """A treatment, a block, a main plot of zeros: numbers where there are any, never a crash."""
    y = draw(8, m=5)
    y[(MAIN == 1) & (SUB == 2), 0] = 0
    y[BLOCK == 2, 1] = 0
    y[PLOT == 4, 2] = 0
    y[SUB == 0, 3] = 0
    y[:, 4] = 0
    found = fit(y)
    for source in SOURCES:
        assert not np.isinf(found[source].F).any()
        assert np.isfinite(found[source].p[:3]).all()
        assert np.isnan(found[source].p[4])
    assert found["sub"].p[3] < 0.01


def test_missing_plots():
    y = draw(9)
    y[7] = np.nan
    found = fit(y)
    assert np.isfinite([found[s].p[0] for s in SOURCES]).all()
    assert found["main:sub"].df_error[0] == 17
    # A plot that is missing as its whole main plot takes an error degree of freedom of theirs.
    whole = draw(9)
    whole[PLOT == 3] = np.nan
    assert fit(whole)["main"].df_error[0] == 5


def test_raised_totals_keep_the_ratio():
    """Without noise a missing plot changes no total: what it lacks is what the others say."""
    effect = np.array([1.0, 2.0, 4.0])
    y = 10.0 * effect[SUB] * (1.0 + MAIN) * (1.0 + BLOCK) + 0.0
    noise = np.random.default_rng(1).uniform(0.9, 1.1, size=12)[PLOT]
    whole, holes = y * noise, y * noise
    holes = holes.copy()
    holes[4] = np.nan
    one, two = fit(whole)["main"], fit(holes)["main"]
    assert two.F[0] == pytest.approx(one.F[0], rel=1e-6)


def test_wrong_input():
    with pytest.raises(ValueError, match="one row"):
        fit(draw(1)[:5])
    with pytest.raises(ValueError, match="negative"):
        fit(-draw(1))
    with pytest.raises(ValueError, match="main plots, or strips"):
        fit(draw(1), units={})
