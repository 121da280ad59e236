"""Shares k of n in split-plots and strip-plots: laws, level, odd data."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from scipy import special

from strata_fits import two_factor_layout
from trialkit.inference.design.layout import Layout
from trialkit.inference.glm.share_strata import share_strata
from trialkit.inference.glm.share_strata_limits import share_levels

BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 3)))
PLOT, STRIP = BLOCK * 3 + MAIN, BLOCK * 3 + SUB
SOURCES = ("treatment", "main", "sub", "main:sub")


def draw(seed, m=1, mean=0.3, units=0.1, plots=0.05, least=20, most=50):
    rng = np.random.default_rng(seed)
    size = 1 / units - 1
    share = rng.beta(size * mean, size * (1 - mean), size=(12, m))[PLOT].clip(1e-6, 1 - 1e-6)
    size = 1 / plots - 1
    share = rng.beta(size * share, size * (1 - share))
    items = rng.integers(least, most + 1, size=share.shape)
    return rng.binomial(items, share).astype(float), items.astype(float)


def fit(hits, items, strips=False, **changes):
    given = {"main": MAIN, "sub": SUB, "blocking": [("block", BLOCK)]} | changes
    units = {"main": PLOT, "sub": STRIP} if strips else {"main": PLOT}
    layout = two_factor_layout(units=given.pop("units", units), **given)
    return share_strata(layout, hits, items)


def terms(found):
    return {term.source: term for term in found.terms}


def levels(found, hits, items, base=0, **changes):
    layout = Layout(treatment=MAIN * 3 + SUB, n_treatments=9, blocking=(("block", BLOCK),))
    return share_levels(found, layout, hits, items, base=base, **changes)


def test_degrees_of_freedom():
    hits, items = draw(1)
    found = terms(fit(hits, items))
    assert [found[s].df[0] for s in SOURCES] == [8, 2, 2, 4]
    assert [found[s].df_error[0] for s in SOURCES[1:]] == [6, 18, 18]
    found = terms(fit(hits, items, strips=True))
    assert [found[s].df[0] for s in SOURCES] == [8, 2, 2, 4]
    assert [found[s].df_error[0] for s in SOURCES[1:]] == [6, 6, 12]


def test_main_factor_is_tested_on_means_of_main_plots():
    """A split-plot of the shares of main plots, by hand: the same items in every plot."""
    hits, items = draw(2, least=30, most=30)
    found = terms(fit(hits, items))["main"]
    share = np.bincount(PLOT, hits[:, 0]) / 90
    # What a main plot is worth: as often as plots and treatments are apart by chance.
    r = 0.0
    for _ in range(6):
        worth = 90 / (1 + 89 * r)
        drawn_in = (worth * share + 0.5) / (worth + 1)
        z = special.logit(drawn_in).reshape(4, 3)
        level = z.mean(axis=0) + z.mean(axis=1, keepdims=True) - z.mean()
        mean = special.expit(level).ravel()
        apart = (drawn_in - mean) * (worth + 1) / worth
        r = max((90 * apart**2 / (mean * (1 - mean))).sum() / 6 - 1, 0) / 89
    treatment = 4 * ((z.mean(axis=0) - z.mean()) ** 2).sum() / 2
    left = ((z - level) ** 2).sum() / 6
    assert found.F[0] == pytest.approx(treatment / left, rel=1e-6)


def test_the_correlation_is_that_of_the_moments():
    """At the correlation found, chi-square about the fitted shares equals its df."""
    hits, items = draw(3, m=200)
    found = fit(hits, items)
    # On average the plots' own, and that between main plots, of which a part is theirs.
    assert np.mean(found.plots.correlation) == pytest.approx(0.05, abs=0.01)
    assert np.mean(found.larger[0].correlation) == pytest.approx(0.1 + 0.9 * 0.05 / 3, abs=0.03)


@pytest.mark.parametrize("strips", [False, True])
def test_order_and_names_change_nothing(strips):
    hits, items = draw(4, m=2)
    hits[3, 0] = np.nan
    base = fit(hits, items, strips)
    order = np.random.default_rng(4).permutation(36)
    units = {"main": 11 - PLOT[order]}
    if strips:
        units["sub"] = STRIP[order]
    turned = fit(
        hits[order],
        items[order],
        strips,
        main=2 - MAIN[order],
        sub=(SUB[order] + 1) % 3,
        blocking=[("block", (BLOCK[order] + 1) % 4)],
        units=units,
    )
    for source in SOURCES:
        np.testing.assert_allclose(terms(turned)[source].F, terms(base)[source].F, rtol=1e-7)
        np.testing.assert_allclose(
            terms(turned)[source].df_error, terms(base)[source].df_error, rtol=1e-7
        )
    layout = Layout(
        treatment=(MAIN * 3 + SUB)[order], n_treatments=9, blocking=(("block", BLOCK[order]),)
    )
    one = levels(base, hits, items)
    two = share_levels(turned, layout, hits[order], items[order], base=0)
    for field in fields(one):
        np.testing.assert_allclose(
            getattr(two, field.name), getattr(one, field.name), rtol=1e-6, equal_nan=True
        )


@pytest.mark.parametrize("strips", [False, True])
def test_hits_and_misses_change_places(strips):
    """Counting the sound for the damaged turns shares and odds about and leaves the tests."""
    hits, items = draw(5, m=3, mean=0.2)
    hits[(MAIN == 2) & (SUB == 1), 1] = 0
    one, two = fit(hits, items, strips), fit(items - hits, items, strips)
    for source in SOURCES:
        np.testing.assert_allclose(terms(two)[source].p, terms(one)[source].p, rtol=1e-6)
    a, b = levels(one, hits, items), levels(two, items - hits, items)
    np.testing.assert_allclose(a.proportions, 1 - b.proportions, rtol=1e-9)
    np.testing.assert_allclose(a.lower, 1 - b.upper, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(a.p, b.p, rtol=1e-6, equal_nan=True)
    inside = (a.proportions > 0) & (a.proportions < 1)
    np.testing.assert_allclose(a.odds_lower[inside], 1 / b.odds_upper[inside], rtol=1e-6)


@pytest.mark.parametrize("strips", [False, True])
def test_level(strips):
    """400 null trials; the recorded rows of the benchmark have more."""
    hits, items = draw(6, m=400)
    for source, term in terms(fit(hits, items, strips)).items():
        if strips and source == "sub":
            continue  # its strips do not differ here
        rate = np.mean(term.p < 0.05)
        assert 0.02 < rate < 0.09, source


@pytest.mark.parametrize("strips", [False, True])
def test_limits_hold(strips):
    hits, items = draw(7, m=300)
    found = levels(fit(hits, items, strips), hits, items)
    held = np.mean((found.lower <= 0.3) & (found.upper >= 0.3))
    assert 0.93 < held < 0.985
    held = np.mean((found.odds_lower <= 1)[1:] & (found.odds_upper >= 1)[1:])
    assert 0.93 < held < 0.985


def test_main_plots_count_only_between_main_plots():
    """Where main plots differ much, treatments in the same one are compared more closely."""
    hits, items = draw(8, m=100, units=0.3, plots=0.02)
    found = levels(fit(hits, items), hits, items)
    width = np.log(found.odds_upper / found.odds_lower)
    assert np.median(width[1:3]) < 0.6 * np.median(width[3:])
    p = levels(fit(hits, items), hits, items, alpha=0.1)
    outside = (p.odds_lower > 1) | (p.odds_upper < 1)
    np.testing.assert_array_equal(outside[1:], p.p[1:] < 0.1)


def test_power_where_factors_act():
    rng = np.random.default_rng(9)
    share = np.array([0.5, 0.3, 0.1])[SUB][:, None] * np.ones((36, 50))
    items = np.full(share.shape, 40.0)
    found = terms(fit(rng.binomial(40, share).astype(float), items))
    assert (found["sub"].p < 0.05).all()
    assert (found["treatment"].p < 0.05).all()
    assert np.mean(found["main"].p < 0.05) < 0.2


@pytest.mark.parametrize("strips", [False, True])
def test_none_and_all(strips):
    """Treatments, blocks, main plots, levels of none or all: finite numbers, never a crash."""
    hits, items = draw(10, m=7)
    cell = (MAIN == 1) & (SUB == 2)
    hits[cell, 0] = 0
    hits[cell, 1] = items[cell, 1]
    hits[BLOCK == 2, 2] = 0
    hits[PLOT == 4, 3] = 0
    hits[SUB == 0, 4] = 0
    hits[:, 5] = 0
    hits[:, 6] = items[:, 6]
    found = fit(hits, items, strips)
    for source in SOURCES:
        term = terms(found)[source]
        assert np.isfinite(term.p[:5]).all()
        assert np.isnan(term.p[5:]).all()
        assert np.isnan(term.F[5:]).all()
    assert terms(found)["sub"].p[4] < 0.05
    known = levels(found, hits, items)
    assert not any(np.isinf(getattr(known, field.name)).any() for field in fields(known))
    assert np.isfinite(known.lower).all()
    assert np.isfinite(known.upper).all()
    assert ((known.lower <= known.proportions) & (known.proportions <= known.upper)).all()
    assert known.proportions[5, 0] == 0
    assert 0 < known.upper[5, 0] < 0.35
    assert 0 < known.odds_upper[5, 0] < 3
    assert np.isnan(known.p[5, 0])
    assert known.proportions[5, 1] == 1
    assert 0.65 < known.lower[5, 1] < 1
    assert np.isnan(known.odds[5, 1])
    assert known.odds_lower[5, 1] > 1
    assert (known.upper[:, 5] < 0.05).all()
    assert (known.lower[:, 6] > 0.95).all()


@pytest.mark.parametrize("strips", [False, True])
def test_missing_plots(strips):
    hits, items = draw(11, m=4)
    hits[7, 0] = np.nan
    items[8, 0] = 0
    hits[PLOT == 3, 1] = np.nan
    hits[(MAIN == 1) & (SUB == 2), 2] = np.nan
    hits[:, 3] = np.nan
    found = fit(hits, items, strips)
    for source in SOURCES:
        assert np.isfinite(terms(found)[source].p[:3]).all()
        assert np.isnan(terms(found)[source].p[3])
    assert terms(found)["main:sub"].df_error[0] == (10 if strips else 16)
    assert terms(found)["main"].df_error[:2].tolist() == [6, 5]
    assert terms(found)["main:sub"].df[2] == 3
    known = levels(found, hits, items)
    assert np.isfinite(known.proportions[:, :2]).all()
    assert np.isnan(known.proportions[5, 2])
    assert np.isnan(known.upper[5, 2])
    assert np.isnan(known.proportions[:, 3]).all()
    others = [0, 1, 2, 3, 4, 6, 7, 8]
    assert np.isfinite(known.odds_upper[others, :3]).all()


def test_a_missing_plot_moves_the_mean_by_its_block():
    """Without noise what is missing is what block and treatment say."""
    logit = -1.0 + 0.5 * BLOCK + 0.3 * MAIN - 0.4 * SUB
    items = np.full((36, 1), 1e6)
    hits = np.round(items * special.expit(logit)[:, None])
    whole = levels(fit(hits, items), hits, items)
    holes = hits.copy()
    holes[[0, 13]] = np.nan
    some = levels(fit(holes, items), holes, items)
    np.testing.assert_allclose(some.proportions, whole.proportions, rtol=1e-4)
    assert terms(fit(holes, items))["main"].dispersion[0] < 1e-4  # no main plot stands out


def test_without_blocks_and_without_a_base():
    hits, items = draw(12)
    found = fit(hits, items, blocking=[])
    assert terms(found)["main"].df_error[0] == 9
    layout = Layout(treatment=MAIN * 3 + SUB, n_treatments=9)
    known = share_levels(found, layout, hits, items, base=None)
    assert np.isfinite(known.lower).all()
    assert np.isnan(known.odds).all()
    assert np.isnan(known.p).all()


def test_one_block_has_no_error():
    """No error of main plots: no test and no limits, and nothing fails."""
    hits, items = draw(13)
    rows = BLOCK == 0
    plots = two_factor_layout(
        MAIN[rows], SUB[rows], blocking=[("block", BLOCK[rows])], units={"main": PLOT[rows]}
    )
    found = share_strata(plots, hits[rows], items[rows])
    assert np.isnan([term.p[0] for term in found.terms]).all()
    layout = Layout(treatment=(MAIN * 3 + SUB)[rows], n_treatments=9)
    known = share_levels(found, layout, hits[rows], items[rows], base=0)
    assert np.isfinite(known.proportions).all()
    assert np.isnan(known.lower).all()


def test_wrong_input():
    hits, items = draw(1)
    with pytest.raises(ValueError, match="one row"):
        fit(hits[:5], items)
    with pytest.raises(ValueError, match="between 0"):
        fit(items + 1, items)
    with pytest.raises(ValueError, match="main plots, or strips"):
        fit(hits, items, units={})
