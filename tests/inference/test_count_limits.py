"""Limits of count models: against their definition, and one-sided for groups of zeros."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.fit import against
from trialkit.inference.glm.count_limits import count_limits, few_counted
from trialkit.inference.glm.count_model import CountFit, fit_counts
from trialkit.inference.glm.dispersion import adjustment, log_likelihood, pose, settle
from trialkit.inference.glm.weighted_fit import effects


def log_ratios(fit: CountFit) -> tuple[np.ndarray, np.ndarray]:
    """Logarithms of ratios to the first group, and their standard errors."""
    found = fit.contrasts(against(0, len(fit.log_means)))
    return found.estimate, found.se


def _trial(seed: int = 1, t: int = 5, b: int = 4, m: int = 3):
    rng = np.random.default_rng(seed)
    treatment, block = np.tile(np.arange(t), b), np.repeat(np.arange(b), t)
    mean = 12.0 * np.exp(rng.normal(0, 0.4, b))[block]
    counts = rng.poisson(rng.gamma(2.0, mean[:, None] / 2.0, (t * b, m))).astype(float)
    return randomised_blocks(treatment, block, t), counts


@pytest.mark.parametrize("family", ["poisson", "quasi-poisson", "negative-binomial"])
def test_means_times_levels_are_the_fitted_means(family):
    layout, counts = _trial()
    counts[3, 1] = np.nan
    fit = fit_counts(layout, counts, family=family)
    product = fit.means[layout.treatment] * fit.levels
    assert product == pytest.approx(fit.fitted, rel=1e-9, nan_ok=True)


def test_limits_of_means_are_tails_of_a_negative_binomial():
    """One group of n plots: the total is negative binomial, its tails those of a beta."""
    layout = completely_randomised(np.repeat([0, 1], 5), 2)
    counts = np.array([5.0, 9.0, 7.0, 4.0, 30.0, 1.0, 0.0, 3.0, 2.0, 8.0])
    fit = fit_counts(layout, counts)
    limits = count_limits(layout, fit, 0, alpha=0.1)
    tail = stats.norm.sf(stats.t.ppf(0.95, 8))
    for group, total in enumerate((55.0, 14.0)):
        worth = 5.0 * fit.k[0]
        low = stats.beta.ppf(tail, total + 0.5, worth)
        high = stats.beta.isf(tail, total + 0.5, worth)
        assert limits.mean[group, 0] == pytest.approx(total / 5)
        assert limits.lower[group, 0] == pytest.approx(fit.k[0] * low / (1 - low), rel=1e-8)
        assert limits.upper[group, 0] == pytest.approx(fit.k[0] * high / (1 - high), rel=1e-8)


def test_limits_at_high_counts_are_those_of_student():
    """Nearly normal on the logarithm: limits of means and ratios by Student's t."""
    rng = np.random.default_rng(3)
    layout = completely_randomised(np.tile(np.arange(4), 6), 4)
    counts = np.round(rng.gamma(200.0, 5000.0 / 200.0, (24, 5)))
    fit = fit_counts(layout, counts)
    limits = count_limits(layout, fit, 0)
    half = stats.t.ppf(0.975, 20) * np.sqrt(np.einsum("mtt->tm", fit.log_covariance))
    assert np.log(limits.lower / limits.mean) == pytest.approx(-half, rel=0.03)
    assert np.log(limits.upper / limits.mean) == pytest.approx(half, rel=0.03)
    log_ratio, se = log_ratios(fit)
    wide = stats.t.ppf(0.975, 20) * se[1:]
    assert np.log(limits.ratio_lower)[1:] == pytest.approx(log_ratio[1:] - wide, abs=0.003)
    assert np.log(limits.ratio_upper)[1:] == pytest.approx(log_ratio[1:] + wide, abs=0.003)
    assert (limits.ratio[0] == 1.0).all()


def test_means_are_arithmetic_and_missing_plots_allowed_for():
    layout, counts = _trial()
    limits = count_limits(layout, fit_counts(layout, counts), None)
    plain = np.array([counts[layout.treatment == i].mean(axis=0) for i in range(5)])
    assert limits.mean == pytest.approx(plain, rel=1e-12)
    assert np.isnan(limits.ratio).all()
    # A block ten times as rich, of which one treatment lacks its plot.
    rich = np.where(np.repeat(np.arange(4), 5) == 3, 10.0, 1.0)[:, None]
    counts = 40.0 * rich * np.ones((20, 1))
    counts[17] = np.nan
    fit = fit_counts(layout, counts)
    limits = count_limits(layout, fit, 0)
    assert limits.mean[:, 0] == pytest.approx(np.full(5, 130.0), rel=1e-6)
    assert fit.unit_variance[0, 0] == pytest.approx(0.25)
    # Of b blocks and t treatments: 1 / b + t / (b (b - 1) (t - 1)) less the common part.
    assert fit.unit_variance[2, 0] == pytest.approx(0.25 + 1.0 / (4 * 3) * 5 / 4, rel=1e-9)


def test_zeros_of_poisson_counts_have_the_classical_limit():
    layout = completely_randomised(np.repeat([0, 1], 4), 2)
    counts = np.array([5.0, 9.0, 7.0, 4.0, 0.0, 0.0, 0.0, 0.0])
    fit = fit_counts(layout, counts, family="poisson")
    limits = count_limits(layout, fit, 0)
    assert limits.upper[1, 0] == pytest.approx(-np.log(0.025) / 4, rel=1e-9)
    samples = fit_counts(layout, counts / 5, family="poisson", unit=0.2)
    assert count_limits(layout, samples, 0).upper[1, 0] == pytest.approx(
        -np.log(0.025) / 20, rel=1e-9
    )


def test_limit_of_zeros_is_where_the_profile_has_come_down():
    """The best dispersion for zeros and other groups together, searched here on a fine grid."""
    layout, counts = _trial()
    zeros = layout.treatment == 2
    counts[zeros] = 0.0
    fit = fit_counts(layout, counts)
    limits = count_limits(layout, fit, 0, alpha=0.1)
    others = pose(effects(layout), counts)
    grid = np.exp(np.linspace(np.log(1e-3), np.log(5.0), 400))
    heights = []
    for spread in grid:
        part = settle(others, np.full(3, spread), others.start)
        mean = np.exp(part.predictor)
        each = np.where(others.live, log_likelihood(counts, mean, np.array(spread)), 0.0)
        heights.append(each.sum(axis=0) - adjustment(others, part.weights))
    fall = np.max(heights, axis=0) - np.array(heights)
    for j in range(3):
        mean = limits.upper[2, j] * fit.levels[zeros, j]
        chance = -np.log1p(grid[:, None] * mean).sum(axis=1) / grid
        assert (chance - fall[:, j]).max() == pytest.approx(np.log(0.05), abs=0.002)
        # At the estimated dispersion alone the limit would be lower.
        plain = -np.log1p(fit.dispersion[j] * mean).sum() / fit.dispersion[j]
        assert plain < np.log(0.05)
    assert (limits.ratio[2] == 0.0).all()
    assert (limits.ratio_lower[2] == 0.0).all()
    assert (limits.ratio_upper[2] > limits.upper[2] / limits.upper[0]).all()
    assert (limits.ratio_upper[2] < limits.upper[2] / limits.lower[0]).all()
    away = count_limits(layout, fit, 2)
    assert np.isnan(away.ratio).all()
    assert np.isnan(away.ratio_upper).all()


def test_limit_of_zeros_at_a_known_dispersion():
    layout, counts = _trial()
    zeros = layout.treatment == 2
    counts[zeros] = 0.0
    fit = fit_counts(layout, counts, dispersion=0.5)
    limits = count_limits(layout, fit, 0, alpha=0.1)
    mean = limits.upper[2] * fit.levels[zeros]
    chance = stats.nbinom.pmf(0, 2.0, 2.0 / (2.0 + mean)).prod(axis=0)
    assert chance == pytest.approx(np.full(3, 0.05), rel=1e-8)


def test_few_counted_by_individuals_and_by_empty_plots():
    counts = np.zeros((20, 4))
    counts[:, 0] = 2.0
    counts[:, 1] = 1.9
    counts[:9, 2] = 100.0
    counts[:, 3] = np.nan
    assert few_counted(counts).tolist() == [False, True, True, False]
    assert few_counted(counts / 5.0, unit=0.2).tolist() == [False, True, True, False]


def test_nothing_but_zeros_and_missing_responses():
    layout, counts = _trial()
    counts[:, 0] = 0.0
    counts[:, 1] = np.nan
    for family in ("poisson", "quasi-poisson", "negative-binomial"):
        fit = fit_counts(layout, counts, family=family)
        limits = count_limits(layout, fit, 0)
        assert np.isnan(limits.upper[:, 1]).all()
        assert np.isfinite(limits.upper[:, 2]).all()
        if family != "quasi-poisson":
            assert limits.upper[:, 0] == pytest.approx(-np.log(0.025) / 4, rel=1e-6)


@pytest.mark.parametrize("k", [0.3, 1.0, 5.0])
def test_limits_cover_in_trials_of_few_blocks(k):
    """Four blocks, four treatments, one reduced; symmetric limits on the logarithm cover 89 %."""
    rng = np.random.default_rng(2)
    layout = randomised_blocks(np.tile(np.arange(4), 4), np.repeat(np.arange(4), 4), 4)
    rich = np.exp(rng.normal(0, 0.3, (4, 400)))[layout.blocking[0][1]]
    share = np.array([1.0, 1.0, 1.0, 0.3])
    mean = 30.0 * rich * share[layout.treatment][:, None]
    counts = rng.poisson(rng.gamma(k, mean / k)).astype(float)
    limits = count_limits(layout, fit_counts(layout, counts), 0)
    true = 30.0 * share[:, None] * rich[:: layout.n_treatments].mean(axis=0)
    cover = ((limits.lower <= true) & (true <= limits.upper)).mean()
    assert 0.93 < cover < 0.97
    known = np.isfinite(limits.ratio_upper)[1:]
    held = (limits.ratio_lower <= share[:, None]) & (share[:, None] <= limits.ratio_upper)
    assert 0.93 < held[1:][known].mean() < 0.97


def test_f_keeps_its_level_in_trials_of_few_blocks():
    """Strong aggregation: uncorrected, F rejects 7 and the likelihood ratio 15 %."""
    rng = np.random.default_rng(4)
    layout = randomised_blocks(np.tile(np.arange(8), 4), np.repeat(np.arange(4), 8), 8)
    counts = rng.poisson(rng.gamma(0.3, 20.0 / 0.3, (32, 800))).astype(float)
    line = fit_counts(layout, counts).lines[-2]
    assert 0.03 < (line.p < 0.05).mean() < 0.066
    assert (line.p_chi_square < 0.05).mean() > 0.11
