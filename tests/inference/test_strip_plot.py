"""Strip-plots: strata against REML and against the definition."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import strip_plot
from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import factor
from trialkit.inference.normal.mixed import mixed_fit

BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 5)))


def response(seed, k=1, sd=2.0):
    rng = np.random.default_rng(seed)
    y = 20 + rng.normal(size=(4, k))[BLOCK] + rng.normal(size=(60, k))
    y += sd * rng.normal(size=(12, k))[BLOCK * 3 + MAIN]
    return y + sd * rng.normal(size=(20, k))[BLOCK * 5 + SUB]


def reml(y):
    model = FixedModel(
        factors={
            "block": factor("block", BLOCK),
            "main": factor("main", MAIN),
            "sub": factor("sub", SUB),
        },
        terms=(("block",), ("main",), ("sub",), ("main", "sub")),
    )
    random = {"main_strip": BLOCK * 3 + MAIN, "sub_strip": BLOCK * 5 + SUB}
    return mixed_fit(y, model, random=random)


@pytest.mark.parametrize("seed", range(4))
def test_strata_and_reml_agree_on_balanced_data(seed):
    y = response(seed)
    fit = strip_plot(MAIN, SUB, BLOCK, y)
    other = reml(y[:, 0])
    for test in other.anova():
        if test.source == "block":
            continue
        term = fit.term(test.source)
        assert pytest.approx(term.F[0], rel=1e-6) == test.F
        assert test.df_error == pytest.approx(term.df_error[0], rel=1e-6)
    for name, value in other.variances.items():
        assert value == pytest.approx(fit.components[name][0], rel=1e-6)
    np.testing.assert_allclose(fit.means("main:sub").se[:, 0], other.means("main", "sub").se)
    np.testing.assert_allclose(
        fit.means("main:sub").df[:, 0], other.means("main", "sub").df, rtol=1e-5
    )
    d = fit.differences("all")
    _, grid = other.model.grid(("main", "sub"))
    a = d.a[:, 0] * 5 + d.a[:, 1]
    b = d.b[:, 0] * 5 + d.b[:, 1]
    pairs = other.contrasts(grid[a] - grid[b])
    np.testing.assert_allclose(d.difference[:, 0], pairs.estimate, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(d.se[:, 0], pairs.se, rtol=1e-6)
    np.testing.assert_allclose(d.df[:, 0], pairs.df, rtol=1e-5)


def test_sums_of_squares_add_up_and_follow_their_definition():
    y = response(5)
    fit = strip_plot(MAIN, SUB, BLOCK, y)
    total = sum(float(t.sum_sq[0]) for t in fit.terms)
    assert total == pytest.approx(float(((y - y.mean()) ** 2).sum()))
    cube = y.reshape(4, 3, 5)
    strip = cube.mean(axis=2)
    rest = strip - strip.mean(axis=1, keepdims=True) - strip.mean(axis=0) + strip.mean()
    assert fit.term("error_main").sum_sq[0] == pytest.approx(5 * float((rest**2).sum()))
    assert [int(t.df[0]) for t in fit.terms] == [3, 2, 6, 4, 12, 8, 24]


def test_missing_plots_go_to_reml_and_a_missing_block_does_not():
    y = response(6, k=3)
    y[11, 1] = np.nan
    y[BLOCK == 3, 2] = np.nan
    fit = strip_plot(MAIN, SUB, BLOCK, y)
    assert fit.path.tolist() == ["strata", "reml", "strata"]
    assert fit.term("error").df[[0, 2]].tolist() == [24, 16]
    other = reml(y[:, 1])
    for test in other.anova():
        np.testing.assert_allclose(fit.term(test.source).F[1], test.F)
    alone = strip_plot(MAIN, SUB, BLOCK, y[:, 2])
    np.testing.assert_allclose(alone.means("sub").se[:, 0], fit.means("sub").se[:, 2])


def test_turning_the_field_round_swaps_the_factors():
    y = response(7)
    fit, turned = strip_plot(MAIN, SUB, BLOCK, y), strip_plot(SUB, MAIN, BLOCK, y)
    assert turned.term("sub").F[0] == pytest.approx(fit.term("main").F[0])
    one, two = fit.standard_errors(), turned.standard_errors()
    assert two["main in sub"][0][0] == pytest.approx(one["sub in main"][0][0])
    assert two["main in sub"][1][0] == pytest.approx(one["sub in main"][1][0])


def test_odd_data_and_wrong_plans():
    fit = strip_plot(MAIN, SUB, BLOCK, np.full((60, 1), 3.0))
    assert all(np.isnan(t.F).all() for t in fit.terms)
    np.testing.assert_allclose(fit.means("sub").mean, 3.0)
    none = strip_plot(MAIN, SUB, BLOCK, np.full((60, 1), np.nan))
    assert "failed" in none.note[0]
    y = response(1)
    with pytest.raises(ValueError, match="twice"):
        strip_plot(MAIN, SUB, np.zeros(60, dtype=int), y)
    with pytest.raises(ValueError, match="one row for each plot"):
        strip_plot(MAIN[:-1], SUB, BLOCK, y)
    with pytest.raises(ValueError, match="finite"):
        strip_plot(MAIN, SUB, BLOCK, np.where(y > 21, -np.inf, y))
