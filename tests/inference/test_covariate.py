"""Covariance analysis against the general linear model, and its invariances."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import compare_means
from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.fit import Covariance
from trialkit.inference.normal.covariate import fit_covariate

BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 5)))
BLOCKS = randomised_blocks(TREATMENT, BLOCK, 5)
ROW, COLUMN = (i.ravel() for i in np.indices((5, 5)))
LAYOUTS = {
    "blocks": BLOCKS,
    "completely randomised": completely_randomised(np.repeat(np.arange(4), [3, 4, 6, 5]), 4),
    "latin": latin_square((ROW + 2 * COLUMN) % 5, ROW, COLUMN, 5),
}


def data(layout, seed, k=1):
    rng = np.random.default_rng(seed)
    x = rng.gamma(4.0, 5.0, layout.n_plots)
    y = rng.normal(size=(layout.n_plots, k)) + 0.2 * x[:, None] + layout.treatment[:, None]
    return x, y


def rss(y, *parts):
    x = np.hstack([p if p.ndim == 2 else np.eye(int(p.max()) + 1)[p] for p in parts])
    beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=1e-10)
    return float(((y - x @ beta) ** 2).sum()), int(rank)


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("lost", [(), (2, 11)])
def test_general_linear_model(name, lost):
    layout = LAYOUTS[name]
    x, y = data(layout, 1)
    y[list(lost)] = np.nan
    (fit,) = fit_covariate(layout, y, x)
    used = ~np.isnan(y[:, 0])
    groups = [codes[used] for _, codes in layout.blocking] or [np.ones((used.sum(), 1))]
    t, z, v = layout.treatment[used], x[used][:, None] - x[used].mean(), y[used, 0]
    full, rank = rss(v, *groups, t, z)
    no_treatment, _ = rss(v, *groups, z)
    no_covariate, _ = rss(v, *groups, t)
    own, own_rank = rss(v, *groups, t, np.eye(layout.n_treatments)[t] * z)
    terms = {term.source: term for term in fit.terms}
    assert fit.df_error == used.sum() - rank
    assert terms["error"].sum_sq[0] == pytest.approx(full, rel=1e-9)
    assert terms["treatment"].sum_sq[0] == pytest.approx(no_treatment - full, rel=1e-8)
    assert terms["covariate"].sum_sq[0] == pytest.approx(no_covariate - full, rel=1e-8)
    assert fit.slopes_df == own_rank - rank
    f = ((full - own) / (own_rank - rank)) / (own / (used.sum() - own_rank))
    assert fit.slopes_f[0] == pytest.approx(f, rel=1e-7)
    p = special.fdtrc(own_rank - rank, used.sum() - own_rank, f)
    assert fit.slopes_p[0] == pytest.approx(p, rel=1e-7)


def test_slope_of_each_treatment_in_a_completely_randomised_trial():
    layout = LAYOUTS["completely randomised"]
    x, y = data(layout, 2)
    (fit,) = fit_covariate(layout, y, x)
    for t in range(4):
        mine = layout.treatment == t
        slope = np.polyfit(x[mine], y[mine, 0], 1)[0]
        assert fit.slopes[t, 0] == pytest.approx(slope, rel=1e-9)


def test_many_responses_at_once_are_those_one_by_one():
    x, y = data(BLOCKS, 3, k=4)
    y[4, 1], y[[0, 9], 3], x[17] = np.nan, np.nan, np.nan
    together = fit_covariate(BLOCKS, y, x)
    assert sorted(int(c) for fit in together for c in fit.columns) == [0, 1, 2, 3]
    for fit in together:
        assert 17 not in fit.plots
        for place, column in enumerate(fit.columns):
            (alone,) = fit_covariate(BLOCKS, y[:, column], x)
            np.testing.assert_allclose(fit.means[:, place], alone.means[:, 0])
            np.testing.assert_allclose(fit.treatment.F[place], alone.treatment.F[0])
            np.testing.assert_allclose(fit.se[:, place], alone.se[:, 0])


def test_invariances():
    x, y = data(BLOCKS, 4)
    (fit,) = fit_covariate(BLOCKS, y, x)
    order = np.random.default_rng(4).permutation(20)
    turned = randomised_blocks(TREATMENT[order], 7 - BLOCK[order], 5)
    (again,) = fit_covariate(turned, (y + 100.0 * BLOCK[:, None])[order], 50.0 + 3.0 * x[order])
    assert again.treatment.F[0] == pytest.approx(fit.treatment.F[0], rel=1e-8)
    assert again.slope[0] == pytest.approx(fit.slope[0] / 3.0, rel=1e-8)
    gap, other = fit.means - fit.means[0], again.means - again.means[0]
    np.testing.assert_allclose(other, gap, rtol=1e-7, atol=1e-8)
    assert again.slopes_f[0] == pytest.approx(fit.slopes_f[0], rel=1e-6)


def one_error(fit):
    return Covariance(unit=fit.unit_cov, ms_error=fit.ms_error, df=fit.df_error)


def test_adjusted_means_go_into_the_comparisons():
    x, y = data(BLOCKS, 5)
    (fit,) = fit_covariate(BLOCKS, y, x)
    got = compare_means(fit.means, one_error(fit), Method.TUKEY)
    gap = x[TREATMENT == 0].mean() - x[TREATMENT == 1].mean()
    residual = fit.slope_se[0] ** 2 / fit.ms_error[0]
    se = np.sqrt(fit.ms_error[0] * (2 / 4 + gap**2 * residual))
    assert got.se[0, 0] == pytest.approx(se, rel=1e-9)


def test_strong_covariate_gains_precision_and_a_useless_one_costs_little():
    x, y = data(BLOCKS, 6)
    (fit,) = fit_covariate(BLOCKS, y + x[:, None], x)
    assert fit.precision[0] > 5
    rng = np.random.default_rng(6)
    (none,) = fit_covariate(BLOCKS, rng.normal(size=20), x)
    assert 0.5 < none.precision[0] < 1.8


@pytest.mark.parametrize("lost", [0, 3])
def test_precision_is_the_mean_over_all_pairs(lost):
    x, y = data(BLOCKS, 8)
    y = np.asarray(y, dtype=float).reshape(len(x), -1)[:, 0]
    y[:lost] = np.nan
    (fit,) = fit_covariate(BLOCKS, y, x)
    with_x, without = (
        compare_means(part.means, one_error(part), Method.TUKEY).se
        for part in (fit, fit.unadjusted)
    )
    assert fit.precision[0] == pytest.approx((without**2).mean() / (with_x**2).mean(), rel=1e-9)


def test_slopes_that_differ_are_found():
    x, y = data(BLOCKS, 7)
    y = y + np.where(TREATMENT == 2, 1.5, 0.0)[:, None] * x[:, None]
    (fit,) = fit_covariate(BLOCKS, y, x)
    assert fit.slopes_p[0] < 1e-4
    assert int(np.argmax(fit.slopes[:, 0])) == 2


def test_covariate_that_does_not_vary_gives_no_adjustment():
    _, y = data(BLOCKS, 8)
    for x in (np.full(20, 3.0), BLOCK * 2.0, BLOCK + 10.0 * TREATMENT):
        (fit,) = fit_covariate(BLOCKS, y, x)
        assert np.isnan(fit.slope).all()
        assert np.isnan(fit.treatment.F).all()
        assert np.isnan(fit.means).all()


def test_constant_response_and_bad_input():
    x, y = data(BLOCKS, 9)
    (fit,) = fit_covariate(BLOCKS, np.full(20, 4.0), x)
    assert np.isnan(fit.treatment.F[0])
    np.testing.assert_allclose(fit.means, 4.0)
    with pytest.raises(ValueError, match="covariate"):
        fit_covariate(BLOCKS, y, x[:-1])
    with pytest.raises(ValueError, match="covariate"):
        fit_covariate(BLOCKS, y, np.where(x > x[0], np.inf, x))
    with pytest.raises(ValueError, match="one row"):
        fit_covariate(BLOCKS, y[:-1], x)


def test_a_response_without_any_plot_has_no_fit():
    x, y = data(BLOCKS, 9)
    fits = fit_covariate(BLOCKS, np.column_stack([y[:, 0], np.full(20, np.nan)]), x)
    (empty,) = (fit for fit in fits if 1 in fit.columns)
    assert empty.plots.size == 0
    assert np.isnan(empty.means).all()
    assert np.isnan(empty.treatment.F).all()
