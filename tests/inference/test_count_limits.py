"""Limits of count models: against their definition, and one-sided for groups of zeros."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialkit.inference.count_limits import count_limits
from trialkit.inference.count_models import fit_counts
from trialkit.inference.layouts import completely_randomised, randomised_blocks


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


def test_limits_of_ratios_are_those_of_student():
    layout, counts = _trial()
    fit = fit_counts(layout, counts)
    limits = count_limits(layout, fit, 0)
    log_ratio, se = fit.log_ratios(0)
    t = stats.t.ppf(0.975, 12)
    assert limits.ratio_lower[1:] == pytest.approx(np.exp(log_ratio - t * se)[1:], rel=1e-9)
    assert limits.ratio_upper[1:] == pytest.approx(np.exp(log_ratio + t * se)[1:], rel=1e-9)
    assert (limits.ratio[0] == 1.0).all()
    assert (limits.lower < fit.means).all()


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


@pytest.mark.parametrize("rule", ["adjusted", "likelihood", "moments"])
def test_zeros_have_the_probability_asked_for_at_their_limit(rule):
    layout, counts = _trial()
    zeros = layout.treatment == 2
    counts[zeros] = 0.0
    fit = fit_counts(layout, counts, rule=rule)
    limits = count_limits(layout, fit, 0, alpha=0.1)
    for j in range(3):
        mean = limits.upper[2, j] * fit.levels[zeros, j]
        k = fit.k[j]
        if np.isnan(k):
            chance = np.exp(-mean.sum())
        else:
            chance = stats.nbinom.pmf(0, k, k / (k + mean)).prod()
        assert chance == pytest.approx(0.05, rel=1e-6)
    assert (limits.ratio[2] == 0.0).all()
    assert (limits.ratio_lower[2] == 0.0).all()
    assert np.isfinite(limits.ratio_upper[2]).all()
    away = count_limits(layout, fit, 2)
    assert np.isnan(away.ratio).all()
    assert np.isnan(away.ratio_upper).all()


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


def test_limits_cover_the_ratio_of_negative_binomial_means():
    rng = np.random.default_rng(2)
    layout = completely_randomised(np.tile(np.arange(4), 6), 4)
    mean = np.array([20.0, 20.0, 10.0, 5.0])[layout.treatment]
    counts = rng.poisson(rng.gamma(2.0, mean[:, None] / 2.0, (24, 600))).astype(float)
    limits = count_limits(layout, fit_counts(layout, counts, pooled=True), 0)
    true = np.array([1.0, 1.0, 0.5, 0.25])[:, None]
    cover = ((limits.ratio_lower <= true) & (true <= limits.ratio_upper))[1:].mean()
    assert cover == pytest.approx(0.95, abs=0.025)
