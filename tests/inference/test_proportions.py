"""Shares k of n: against statsmodels, and with groups that are all hits or all misses."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special, stats

from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.glm.share_model import fit_shares
from trialkit.inference.glm.share_result import ratio_with_limits


def _trial(seed: int = 1, t: int = 5, b: int = 4, m: int = 3, size: float = 8.0):
    rng = np.random.default_rng(seed)
    treatment, block = np.tile(np.arange(t), b), np.repeat(np.arange(b), t)
    p = special.expit(np.linspace(-1.5, 1.0, t)[treatment] + rng.normal(0, 0.4, b)[block])
    number = rng.integers(15, 60, (t * b, m)).astype(float)
    drawn = rng.beta(size * p[:, None], size * (1 - p[:, None]), number.shape)
    return randomised_blocks(treatment, block, t), rng.binomial(number.astype(int), drawn), number


def _dummies(layout, treatment=True):
    block = np.eye(layout.blocking[0][1].max() + 1)[layout.blocking[0][1]][:, 1:]
    parts = [np.ones((layout.n_plots, 1)), block]
    if treatment:
        parts.append(np.eye(layout.n_treatments)[layout.treatment][:, 1:])
    return np.hstack(parts)


def _glm(layout, k, n, *, treatment=True, weights=None, scale=None):
    rows = ~np.isnan(k)
    # Shares with weights: with pairs of hits and misses statsmodels' Pearson scale goes by items.
    weights = n if weights is None else weights
    design = _dummies(layout, treatment)[rows]
    family = sm.families.Binomial()
    model = sm.GLM((k / n)[rows], design, family=family, var_weights=weights[rows])
    return model.fit(scale=scale, tol=1e-12, maxiter=100)


@pytest.mark.parametrize("family", ["binomial", "quasi-binomial"])
def test_agrees_with_a_logistic_regression(family):
    layout, hits, number = _trial()
    hits = hits.astype(float)
    hits[6, 1] = np.nan
    fit = fit_shares(layout, hits, number, family=family)
    assert fit.converged.all()
    scale = "X2" if family == "quasi-binomial" else None
    for j in range(3):
        full = _glm(layout, hits[:, j], number[:, j], scale=scale)
        reduced = _glm(layout, hits[:, j], number[:, j], treatment=False)
        rows = ~np.isnan(hits[:, j])
        assert fit.fitted[rows, j] == pytest.approx(full.fittedvalues, rel=1e-7)
        assert fit.deviance[j] == pytest.approx(full.deviance, rel=1e-8)
        assert fit.pearson[j] == pytest.approx(full.pearson_chi2, rel=1e-7)
        assert fit.scale[j] == pytest.approx(full.scale, rel=1e-7)
        assert fit.df_error[j] == full.df_resid
        line = fit.lines[-2]
        gain = reduced.deviance - full.deviance
        assert line.deviance[j] == pytest.approx(gain, rel=1e-7)
        F = gain / 4 / full.scale
        assert line.p[j] == pytest.approx(stats.f.sf(F, 4, full.df_resid), rel=1e-6)
        assert line.p_chi_square[j] == pytest.approx(stats.chi2.sf(4 * F, 4), rel=1e-6)
        ratios = fit.ratios(0)
        t = stats.norm.ppf(0.975) if scale is None else stats.t.ppf(0.975, full.df_resid)
        expected = np.exp(full.params[-4:])
        assert ratios.odds[1:, j] == pytest.approx(expected, rel=1e-7)
        upper = np.exp(full.params[-4:] + t * full.bse[-4:])
        assert ratios.odds_upper[1:, j] == pytest.approx(upper, rel=1e-6)


def test_proportions_and_their_covariance_by_the_delta_method():
    layout, hits, number = _trial(2)
    fit = fit_shares(layout, hits, number)
    full = _glm(layout, hits[:, 0], number[:, 0], scale="X2")

    def shares(params):
        effect = np.append(0.0, params[-4:])
        block = params[0] + np.append(0.0, params[1:4])
        return special.expit(block[None, :] + effect[:, None]).mean(axis=1)

    p = shares(full.params)
    assert fit.proportions[:, 0] == pytest.approx(p, rel=1e-8)
    step = 1e-6
    gradient = np.array(
        [(shares(full.params + e) - shares(full.params - e)) / (2 * step) for e in np.eye(8) * step]
    ).T
    covariance = gradient @ full.cov_params() @ gradient.T
    assert fit.share_covariance[0] == pytest.approx(covariance, rel=1e-5, abs=1e-12)
    t = stats.t.ppf(0.975, 12)
    se = np.sqrt(np.diag(covariance)) / (p * (1 - p))
    assert fit.lower[:, 0] == pytest.approx(special.expit(special.logit(p) - t * se), rel=1e-5)
    ratio = p / p[0]
    inner = covariance / np.outer(p, p)
    se_log = np.sqrt(np.diag(inner) + inner[0, 0] - 2 * inner[0])
    found = fit.ratios(0)
    assert found.ratio[:, 0] == pytest.approx(ratio, rel=1e-8)
    assert found.ratio_lower[1:, 0] == pytest.approx((ratio * np.exp(-t * se_log))[1:], rel=1e-5)


def test_beta_binomial_correlation_makes_the_chi_square_its_degrees_of_freedom():
    layout, hits, number = _trial(3, size=4.0)
    fit = fit_shares(layout, hits, number, family="beta-binomial")
    assert (fit.correlation > 0).all()
    assert fit.pearson == pytest.approx(fit.df_error, rel=1e-8)
    for j in range(3):
        weights = number[:, j] / (1 + (number[:, j] - 1) * fit.correlation[j])
        full = _glm(layout, hits[:, j].astype(float), number[:, j], weights=weights)
        assert fit.fitted[:, j] == pytest.approx(full.fittedvalues, rel=1e-6)
        assert fit.deviance[j] == pytest.approx(full.deviance, rel=1e-7)


def test_equal_numbers_make_both_variances_the_same():
    layout, _, _ = _trial()
    rng = np.random.default_rng(4)
    p = rng.beta(2, 3, (20, 1))
    hits, number = rng.binomial(40, p), np.full((20, 1), 40.0)
    quasi, beta = (
        fit_shares(layout, hits, number, family=f) for f in ("quasi-binomial", "beta-binomial")
    )
    assert 1 + 39 * beta.correlation == pytest.approx(quasi.scale, rel=1e-7)
    assert beta.lower == pytest.approx(quasi.lower, rel=1e-7)
    assert beta.lines[-2].p == pytest.approx(quasi.lines[-2].p, rel=1e-6)


@pytest.mark.parametrize("family", ["binomial", "quasi-binomial", "beta-binomial"])
@pytest.mark.parametrize("full", [False, True])
def test_a_group_of_all_or_nothing_has_one_finite_limit_and_moves_no_other(family, full):
    layout, hits, number = _trial(5)
    group = layout.treatment == 2
    hits[group] = number[group] if full else 0
    fit = fit_shares(layout, hits, number, family=family)
    others = np.flatnonzero(~group)
    code = layout.treatment[others] - (layout.treatment[others] > 2)
    part = randomised_blocks(code, layout.blocking[0][1][others], 4)
    alone = fit_shares(part, hits[others], number[others], family=family)
    kept = [0, 1, 3, 4]
    assert fit.proportions[kept] == pytest.approx(alone.proportions, rel=1e-8)
    assert fit.lower[kept] == pytest.approx(alone.lower, rel=1e-7)
    assert (fit.proportions[2] == float(full)).all()
    near, far = (fit.upper[2], fit.lower[2]) if full else (fit.lower[2], fit.upper[2])
    assert (near == float(full)).all()
    assert ((far > 0.0) & (far < 1.0)).all()
    if family == "binomial":
        limit = 0.025 ** (1 / number[group].sum(axis=0))
        assert far == pytest.approx(limit if full else 1 - limit, rel=1e-9)
    ratios = fit.ratios(0)
    assert np.isfinite(ratios.ratio).all()
    assert np.isfinite(ratios.ratio_upper).all()
    assert (ratios.ratio_lower[2] >= 0).all()
    if full:
        assert np.isnan(ratios.odds[2]).all()
        assert (ratios.odds_lower[2] > 0).all()
    else:
        assert (ratios.odds[2] == 0).all()
        assert np.isfinite(ratios.odds_upper[2]).all()
    assert (ratios.ratio[0] == 1.0).all()
    away = fit.ratios(2)
    assert np.isnan(away.ratio_upper[0]).all() or full
    assert (away.ratio_lower[0] > 0).all()


def test_nothing_anywhere_and_missing_responses():
    layout, hits, number = _trial(6)
    hits = hits.astype(float)
    hits[:, 0] = 0.0
    hits[:, 1] = np.nan
    number[3, 2] = 0.0
    for family in ("binomial", "quasi-binomial", "beta-binomial"):
        fit = fit_shares(layout, hits, number, family=family)
        assert (fit.proportions[:, 0] == 0.0).all()
        assert ((fit.upper[:, 0] > 0.0) & (fit.upper[:, 0] < 0.2)).all()
        assert np.isnan(fit.proportions[:, 1]).all()
        assert np.isnan(fit.lower[:, 1]).all()
        assert np.isfinite(fit.proportions[:, 2]).all()
        assert np.isnan(fit.fitted[3, 2])
        assert np.isnan(fit.lines[-2].p[:2]).all()
        fit.ratios(0)


def test_order_of_rows_and_exchange_of_hits_and_misses():
    layout, hits, number = _trial(7)
    order = np.random.default_rng(1).permutation(20)
    moved = randomised_blocks(layout.treatment[order], layout.blocking[0][1][order], 5)
    one = fit_shares(layout, hits, number)
    other = fit_shares(moved, hits[order], number[order])
    assert other.upper == pytest.approx(one.upper, rel=1e-7)
    misses = fit_shares(layout, number - hits, number)
    assert misses.proportions == pytest.approx(1 - one.proportions, rel=1e-8)
    assert misses.lower == pytest.approx(1 - one.upper, rel=1e-7)
    assert misses.lines[-2].p == pytest.approx(one.lines[-2].p, rel=1e-6)


def test_level_of_f_and_cover_of_limits_with_uneven_plots():
    rng = np.random.default_rng(8)
    layout = completely_randomised(np.tile(np.arange(4), 6), 4)
    p = rng.beta(6, 14, (24, 800))
    hits = rng.binomial(50, p)
    fit = fit_shares(layout, hits, np.full((24, 1), 50.0))
    assert (fit.lines[-2].p < 0.05).mean() == pytest.approx(0.05, abs=0.025)
    cover = ((fit.lower < 0.3) & (fit.upper > 0.3)).mean()
    assert cover == pytest.approx(0.95, abs=0.02)


def test_nonsense_is_refused():
    layout, hits, number = _trial(9)
    with pytest.raises(ValueError, match="hits must lie"):
        fit_shares(layout, number + 1, number)
    with pytest.raises(ValueError, match="one row"):
        fit_shares(layout, hits[:-1], number[:-1])


def test_a_ratio_that_nothing_bounds_has_no_upper_limit():
    value, low, high = (np.array([[part], [part]]) for part in (0.2, 0.1, 0.4))
    log_ratio, half = np.array([[0.0], [0.7]]), np.array([[0.0], [1e4]])
    ratio, lower, upper = ratio_with_limits(value, low, high, 0, log_ratio, half)
    assert ratio[1, 0] == np.exp(0.7)
    assert lower[1, 0] == 0.0
    assert np.isnan(upper[1, 0])
