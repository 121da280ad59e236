"""Split-plots: strata against REML, missing plots, odd layouts."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot
from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import completely_randomised, factor, latin_square
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.mixed import mixed_fit


def codes(a=3, b=4, r=4):
    block, main, sub = (i.ravel() for i in np.indices((r, a, b)))
    return block, main, sub


def response(seed, block, main, k=1, sd_main=2.0):
    rng = np.random.default_rng(seed)
    plot = block * (int(main.max()) + 1) + main
    n = int(plot.max()) + 1
    y = 30 + 3 * rng.normal(size=(int(block.max()) + 1, k))[block]
    return y + sd_main * rng.normal(size=(n, k))[plot] + rng.normal(size=(len(main), k))


@pytest.mark.parametrize("seed", range(5))
def test_strata_and_reml_agree_on_balanced_data(seed):
    block, main, sub = codes()
    y = response(seed, block, main)
    fit = split_plot(main, sub, y, blocking=[("block", block)])
    assert fit.path[0] == "strata"
    assert fit.components["main_plot"][0] > 0
    model = FixedModel(
        factors={
            "block": factor("block", block),
            "main": factor("main", main),
            "sub": factor("sub", sub),
        },
        terms=(("block",), ("main",), ("sub",), ("main", "sub")),
    )
    reml = mixed_fit(y[:, 0], model, random={"main_plot": block * 3 + main})
    for test in reml.anova():
        term = fit.term(test.source)
        assert pytest.approx(term.F[0], rel=1e-7) == test.F
        assert test.df_error == pytest.approx(term.df_error[0], rel=1e-7)
        assert test.p == pytest.approx(term.p[0], rel=1e-6)
    for name, value in reml.variances.items():
        assert value == pytest.approx(fit.components[name][0], rel=1e-7)
    for kind, names in (("main", ("main",)), ("sub", ("sub",)), ("main:sub", ("main", "sub"))):
        ours, theirs = fit.means(kind), reml.means(*names)
        np.testing.assert_allclose(ours.mean[:, 0], theirs.estimate, rtol=1e-9)
        np.testing.assert_allclose(ours.se[:, 0], theirs.se, rtol=1e-7)
        np.testing.assert_allclose(ours.df[:, 0], theirs.df, rtol=1e-6)
    rows = np.zeros((2, 12))
    rows[0, [0, 1]] = rows[1, [0, 5]] = [1, -1]
    apart = fit.contrasts(rows)
    _, grid = reml.model.grid(("main", "sub"))
    other = reml.contrasts(rows @ grid)
    np.testing.assert_allclose(apart.se[:, 0], other.se, rtol=1e-7)
    np.testing.assert_allclose(apart.df[:, 0], other.df, rtol=1e-6)


def test_strata_and_reml_agree_where_main_plots_vary_less_than_subplots():
    """The main-plot variance then is negative by sums of squares; REML that may follow agrees."""
    block, main, sub = codes()
    model = FixedModel(
        factors={
            "block": factor("block", block),
            "main": factor("main", main),
            "sub": factor("sub", sub),
        },
        terms=(("block",), ("main",), ("sub",), ("main", "sub")),
    )
    seen = 0
    for seed in range(12):
        y = response(seed, block, main, sd_main=0.0)
        fit = split_plot(main, sub, y, blocking=[("block", block)])
        if fit.term("error_main").mean_sq[0] > fit.term("error").mean_sq[0]:
            continue
        seen += 1
        assert fit.components["main_plot"][0] == 0.0
        reml = mixed_fit(y[:, 0], model, random={"p": block * 3 + main}, signed=True)
        assert reml.theta[0] < 0
        for test in reml.anova():
            assert pytest.approx(fit.term(test.source).F[0], rel=1e-6) == test.F
            assert test.df_error == pytest.approx(fit.term(test.source).df_error[0], rel=1e-6)
        cut = mixed_fit(y[:, 0], model, random={"p": block * 3 + main})
        assert cut.theta[0] == 0.0
        assert cut.anova()[1].F < reml.anova()[1].F
    assert seen > 3


def test_strata_and_general_linear_model_agree():
    """Main plots as a factor in one least-squares fit give the same sub and main:sub lines."""
    block, main, sub = codes()
    y = response(1, block, main)
    fit = split_plot(main, sub, y, blocking=[("block", block)])

    def rss(*parts):
        x = np.hstack([np.eye(int(p.max()) + 1)[p] for p in parts])
        rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
        return float((rest**2).sum())

    plot, cell = block * 3 + main, main * 4 + sub
    assert fit.term("sub").sum_sq[0] == pytest.approx(rss(plot) - rss(plot, sub))
    assert fit.term("main:sub").sum_sq[0] == pytest.approx(rss(plot, sub) - rss(plot, cell))
    assert fit.term("error").sum_sq[0] == pytest.approx(rss(plot, cell))
    assert fit.term("error_main").sum_sq[0] == pytest.approx(rss(block, main) - rss(plot))
    total = sum(float(t.sum_sq[0]) for t in fit.terms)
    assert total == pytest.approx(float(((y - y.mean()) ** 2).sum()))


def test_many_responses_at_once_are_those_one_by_one():
    block, main, sub = codes()
    y = response(2, block, main, k=4)
    y[7, 1] = np.nan
    y[(block == 1) & (main == 2), 2] = np.nan
    together = split_plot(main, sub, y, blocking=[("block", block)])
    assert together.path.tolist() == ["strata", "reml", "strata", "strata"]
    for column in range(4):
        alone = split_plot(main, sub, y[:, column], blocking=[("block", block)])
        for one, two in zip(alone.terms, together.terms, strict=True):
            np.testing.assert_allclose(two.F[column], one.F[0])
            np.testing.assert_allclose(two.df_error[column], one.df_error[0])
        np.testing.assert_allclose(
            together.differences("all").se[:, column], alone.differences("all").se[:, 0]
        )


def test_missing_main_plot_stays_exact_by_strata():
    """A whole main plot missing: F of the REML fit, where the variance is not at zero."""
    block, main, sub = codes()
    y = response(3, block, main)[:, 0]
    y[(block == 2) & (main == 0)] = np.nan
    fit = split_plot(main, sub, y, blocking=[("block", block)])
    assert fit.path[0] == "strata"
    assert fit.term("error_main").df[0] == 5
    assert fit.n[:, 0, 0].tolist() == [3, 4, 4]
    model = FixedModel(
        factors={
            "block": factor("block", block),
            "main": factor("main", main),
            "sub": factor("sub", sub),
        },
        terms=(("block",), ("main",), ("sub",), ("main", "sub")),
    )
    reml = mixed_fit(y, model, random={"main_plot": block * 3 + main})
    assert reml.theta[0] > 0
    for test in reml.anova():
        if test.source == "block":
            continue  # the strata's block line is not adjusted for main treatments
        assert pytest.approx(fit.term(test.source).F[0], rel=1e-6) == test.F
        assert test.df_error == pytest.approx(fit.term(test.source).df_error[0], rel=1e-6)
    np.testing.assert_allclose(fit.means("main:sub").se[:, 0], reml.means("main", "sub").se)
    np.testing.assert_allclose(fit.means("main").mean[:, 0], reml.means("main").estimate)


def test_completely_randomised_main_plots():
    """Unequal numbers of main plots; their means are tested like a completely randomised trial."""
    rng = np.random.default_rng(4)
    treatment = np.array([0, 0, 0, 1, 1, 2, 2, 2, 2])
    plot, sub = np.repeat(np.arange(9), 3), np.tile(np.arange(3), 9)
    y = rng.normal(size=27) + 2 * rng.normal(size=9)[plot]
    fit = split_plot(treatment[plot], sub, y, main_plot=plot + 40)
    simple = fit_layout(completely_randomised(treatment, 3), y.reshape(9, 3).mean(axis=1))[0]
    assert [t.source for t in fit.terms] == ["main", "error_main", "sub", "main:sub", "error"]
    assert fit.term("main").F[0] == pytest.approx(simple.treatment.F[0])
    assert (fit.term("error_main").df[0], fit.term("error").df[0]) == (6, 12)
    np.testing.assert_allclose(fit.means("main").se[:, 0], simple.se[:, 0])
    with pytest.raises(ValueError, match="main plot of each subplot must be given"):
        split_plot(treatment[plot], sub, y)


def test_main_plots_in_a_latin_square():
    rng = np.random.default_rng(5)
    row, column = (i.ravel() for i in np.indices((4, 4)))
    treatment = (row + column) % 4
    y = rng.normal(size=(16, 3)) + rng.normal(size=(16, 1))
    fit = split_plot(
        np.repeat(treatment, 3),
        np.tile(np.arange(3), 16),
        y.ravel(),
        blocking=[("row", np.repeat(row, 3)), ("column", np.repeat(column, 3))],
    )
    simple = fit_layout(latin_square(treatment, row, column, 4), y.mean(axis=1))[0]
    assert [t.source for t in fit.terms][:4] == ["row", "column", "main", "error_main"]
    for source, term in zip(("row", "column", "main"), simple.terms, strict=False):
        assert fit.term(source).F[0] == pytest.approx(term.F[0])


def test_order_of_rows_and_block_constants_change_nothing():
    block, main, sub = codes()
    y = response(6, block, main, k=2)
    y[9, 1] = np.nan
    fit = split_plot(main, sub, y, blocking=[("block", block)])
    order = np.random.default_rng(6).permutation(len(y))
    moved = (y + np.array([0, 500, -70, 3])[block][:, None])[order]
    again = split_plot(main[order], sub[order], moved, blocking=[("block", 9 - block[order])])
    for source in ("main", "sub", "main:sub"):
        np.testing.assert_allclose(again.term(source).F, fit.term(source).F, rtol=1e-6)
    one, two = fit.differences("all"), again.differences("all")
    np.testing.assert_allclose(two.difference, one.difference, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(two.se, one.se, rtol=1e-6)


def test_degrees_of_freedom_of_mixtures_lie_between_their_parts():
    block, main, sub = codes()
    for seed in range(10):
        fit = split_plot(main, sub, response(seed, block, main), blocking=[("block", block)])
        se = fit.standard_errors()
        # Satterthwaite: at least the smaller, at most their sum.
        assert 6 - 1e-9 <= se["main in sub"][1][0] <= 6 + 27 + 1e-9


def test_odd_data_do_not_crash():
    block, main, sub = codes()
    constant = np.full((len(main), 3), 7.0)
    constant[4, 1] = np.nan
    constant[:, 2] = np.nan
    fit = split_plot(main, sub, constant, blocking=[("block", block)])
    for term in fit.terms:
        assert np.isnan(term.F).all()
    means = fit.means("main")
    np.testing.assert_allclose(means.mean[:, :2], 7.0)
    assert np.isnan(means.mean[:, 2]).all()
    single = block == 0
    one = split_plot(
        main[single], sub[single], np.arange(12.0), blocking=[("block", block[single])]
    )
    assert np.isnan(one.term("main").F[0])
    assert one.term("error_main").df[0] == 0


def test_wrong_plans_are_refused():
    block, main, sub = codes()
    y = response(1, block, main)
    blocking = [("block", block)]
    twice = sub.copy()
    twice[1] = 0
    with pytest.raises(ValueError, match="twice"):
        split_plot(main, twice, y, blocking=blocking)
    with pytest.raises(ValueError, match="more than one main treatment"):
        split_plot(main, sub, y, blocking=blocking, main_plot=block)
    with pytest.raises(ValueError, match="one row for each plot"):
        split_plot(main, sub, y[:-1], blocking=blocking)
    with pytest.raises(ValueError, match="finite"):
        split_plot(main, sub, np.where(y > 31, np.inf, y), blocking=blocking)


def test_too_little_data_is_said_and_not_analysed():
    block, main, sub = codes(a=2, b=2, r=2)
    y = np.arange(8.0)
    y[[0, 3, 5, 6]] = np.nan
    fit = split_plot(main, sub, y, blocking=[("block", block)])
    assert "failed" in fit.note[0]
    assert np.isnan(fit.term("main").p[0])
    assert np.isnan(fit.means("main").mean).all()
