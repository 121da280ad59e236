"""Count models against statsmodels, and where a general program would fail."""

from __future__ import annotations

import time
import warnings
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from trialkit.inference.design.layout import (
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)
from trialkit.inference.fit import against
from trialkit.inference.glm.count_model import CountFit, fit_counts
from trialkit.inference.glm.dispersion import (
    adjustment,
    log_likelihood,
    pose,
    settle,
)
from trialkit.inference.glm.dispersion_likelihood import by_likelihood
from trialkit.inference.glm.weighted_fit import effects, information, quadratics


def log_ratios(fit: CountFit) -> tuple[np.ndarray, np.ndarray]:
    """Logarithms of ratios to the first group, and their standard errors."""
    found = fit.contrasts(against(0, len(fit.log_means)))
    return found.estimate, found.se


def _trial(seed: int, k: float = 1.0, t: int = 6, b: int = 5, m: int = 4):
    rng = np.random.default_rng(seed)
    treatment, block = np.tile(np.arange(t), b), np.repeat(np.arange(b), t)
    mean = np.exp(rng.normal(2.0, 0.8, t))[treatment] * np.exp(rng.normal(0.0, 0.4, b))[block]
    counts = rng.poisson(rng.gamma(k, mean[:, None] / k, (t * b, m))).astype(float)
    return randomised_blocks(treatment, block, t), counts


def _dummies(layout: Layout, rows=slice(None), *, treatment: bool = True) -> np.ndarray:
    parts = [np.ones((layout.n_plots, 1))]
    codes = [c for _, c in layout.blocking] + ([layout.treatment] if treatment else [])
    for code in codes:
        parts.append(np.eye(code.max() + 1)[code][:, 1:])
    return np.hstack(parts)[rows]


def _glm(layout, y, family, *, treatment=True):
    rows = ~np.isnan(y)
    model = sm.GLM(y[rows], _dummies(layout, rows, treatment=treatment), family=family)
    return model.fit(tol=1e-12, maxiter=200)


def _family(dispersion: float):
    return sm.families.NegativeBinomial(alpha=dispersion)


@pytest.mark.parametrize("design", ["crd", "rcbd", "latin"])
def test_poisson_agrees_with_a_generalized_linear_model(design):
    layout, counts = _trial(1)
    if design == "crd":
        layout = completely_randomised(layout.treatment, 6)
    if design == "latin":
        row, column = np.divmod(np.arange(25), 5)
        layout = latin_square((row + column) % 5, row, column, 5)
        counts = counts[:25]
    counts[4, 1] = np.nan
    fit = fit_counts(layout, counts, family="poisson")
    assert fit.converged.all()
    for j in range(counts.shape[1]):
        full = _glm(layout, counts[:, j], sm.families.Poisson())
        reduced = _glm(layout, counts[:, j], sm.families.Poisson(), treatment=False)
        rows = ~np.isnan(counts[:, j])
        assert fit.fitted[rows, j] == pytest.approx(full.fittedvalues, rel=1e-8)
        assert fit.deviance[j] == pytest.approx(full.deviance, rel=1e-9)
        assert fit.pearson[j] == pytest.approx(full.pearson_chi2, rel=1e-8)
        assert fit.log_likelihood[j] == pytest.approx(full.llf, rel=1e-10)
        assert fit.df_error[j] == full.df_resid
        line = fit.lines[-2]
        assert line.source == "treatment"
        assert line.deviance[j] == pytest.approx(reduced.deviance - full.deviance, rel=1e-8)
        assert line.df[j] == full.df_model - reduced.df_model
        log_ratio, se = (part[:, j] for part in log_ratios(fit))
        first = full.params.size - layout.n_treatments + 1
        assert log_ratio[1:] == pytest.approx(full.params[first:], abs=1e-8)
        assert se[1:] == pytest.approx(full.bse[first:], rel=1e-7)


@pytest.mark.parametrize("dispersion", [0.05, 0.7, 3.0])
def test_negative_binomial_of_known_dispersion_agrees(dispersion):
    layout, counts = _trial(2)
    fit = fit_counts(layout, counts, dispersion=dispersion)
    for j in range(counts.shape[1]):
        full = _glm(layout, counts[:, j], _family(dispersion))
        reduced = _glm(layout, counts[:, j], _family(dispersion), treatment=False)
        assert fit.fitted[:, j] == pytest.approx(full.fittedvalues, rel=1e-6)
        assert fit.deviance[j] == pytest.approx(full.deviance, rel=1e-9)
        assert fit.log_likelihood[j] == pytest.approx(full.llf, rel=1e-9)
        gain = reduced.deviance - full.deviance
        line = fit.lines[-2]
        assert line.deviance[j] == pytest.approx(gain, rel=1e-7)
        assert line.p_chi_square[j] == pytest.approx(stats.chi2.sf(gain, 5), rel=1e-6)
        assert line.F[j] == pytest.approx(gain / 5, rel=1e-7)
        assert line.p[j] == pytest.approx(stats.f.sf(gain / 5, 5, 20), rel=1e-6)
        assert log_ratios(fit)[1][1:, j] == pytest.approx(full.bse[-5:], rel=1e-5)


def test_quasi_poisson_scale_and_standard_errors():
    layout, counts = _trial(3)
    fit = fit_counts(layout, counts, family="quasi-poisson")
    for j in range(counts.shape[1]):
        rows = slice(None)
        model = sm.GLM(counts[:, j], _dummies(layout, rows), family=sm.families.Poisson())
        full = model.fit(scale="X2", tol=1e-12)
        assert fit.scale[j] == pytest.approx(full.scale, rel=1e-8)
        assert log_ratios(fit)[1][1:, j] == pytest.approx(full.bse[-5:], rel=1e-7)


def test_dispersion_by_likelihood_agrees_with_statsmodels():
    layout, counts = _trial(4, k=1.5)
    fit = fit_counts(layout, counts, rule="likelihood")
    for j in range(counts.shape[1]):
        model = sm.NegativeBinomial(counts[:, j], _dummies(layout))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            full = model.fit(disp=0, maxiter=500, gtol=1e-9)
        assert fit.log_likelihood[j] >= full.llf - 1e-8
        assert fit.dispersion[j] == pytest.approx(full.params[-1], rel=1e-4)


@pytest.mark.parametrize("adjusted", [True, False])
@pytest.mark.parametrize("k", [0.4, 3.0])
def test_dispersion_is_at_the_top_of_the_profile(adjusted, k):
    layout, counts = _trial(5, k=k)
    counts[7, 1] = np.nan
    found, _ = by_likelihood(pose(effects(layout), counts), adjusted=adjusted)
    for j in np.flatnonzero(found > 0):
        problem = pose(effects(layout), counts[:, [j]])

        def height(place: float, problem=problem) -> float:
            dispersion = np.array([np.exp(place)])
            fit = settle(problem, dispersion, problem.start)
            plots = log_likelihood(problem.counts, np.exp(fit.predictor), dispersion)
            penalty = adjustment(problem, fit.weights)[0] if adjusted else 0.0
            return penalty - plots[problem.live].sum()

        bounds = (np.log(1e-4), np.log(30.0))
        best = optimize.minimize_scalar(
            height, bounds=bounds, method="bounded", options={"xatol": 1e-9}
        )
        assert np.log(found[j]) == pytest.approx(best.x, abs=2e-6)


def test_counts_less_uneven_than_poisson_have_no_dispersion():
    layout, _ = _trial(8)
    rng = np.random.default_rng(8)
    counts = 20.0 + rng.integers(0, 2, (30, 3))
    for rule in ("adjusted", "likelihood"):
        fit = fit_counts(layout, counts, rule=rule)
        assert (fit.dispersion == 0.0).all()
        assert np.isnan(fit.k).all()


@pytest.mark.parametrize("family", ["poisson", "quasi-poisson", "negative-binomial"])
def test_a_treatment_of_zeros_has_mean_zero_and_moves_no_other(family):
    layout, counts = _trial(9)
    zeros = layout.treatment == 2
    counts[zeros] = 0.0
    fit = fit_counts(layout, counts, family=family)
    others = np.flatnonzero(~zeros)
    code = layout.treatment[others]
    code = code - (code > 2)
    part = randomised_blocks(code, layout.blocking[0][1][others], 5)
    alone = fit_counts(part, counts[others], family=family)
    kept = [0, 1, 3, 4, 5]
    assert (fit.means[2] == 0.0).all()
    assert np.isnan(fit.log_means[2]).all()
    assert fit.means[kept] == pytest.approx(alone.means, rel=1e-8)
    assert fit.dispersion == pytest.approx(alone.dispersion, rel=1e-7)
    assert fit.scale == pytest.approx(alone.scale, rel=1e-8)
    (a, se), (b, se_alone) = log_ratios(fit), log_ratios(alone)
    assert a[kept[1:]] == pytest.approx(b[1:], abs=1e-8)
    assert se[kept[1:]] == pytest.approx(se_alone[1:], rel=1e-7)
    assert (se[kept[1:]] < 3.0).all()
    assert (fit.lines[-2].df == 5).all()
    assert (fit.lines[-2].deviance > alone.lines[-2].deviance).all()


def test_a_block_of_zeros_counts_in_the_mean_with_its_zeros():
    layout, counts = _trial(10)
    block = layout.blocking[0][1]
    counts[block == 1] = 0.0
    fit = fit_counts(layout, counts, family="poisson")
    raw = np.array([counts[layout.treatment == i].mean(axis=0) for i in range(6)])
    assert fit.means == pytest.approx(raw, rel=1e-9)
    assert np.isfinite(fit.log_covariance).all()
    assert (fit.df_error == 15).all()


def test_means_of_complete_blocks_are_the_arithmetic_means_of_poisson_counts():
    layout, counts = _trial(11)
    fit = fit_counts(layout, counts, family="poisson")
    raw = np.array([counts[layout.treatment == i].mean(axis=0) for i in range(6)])
    assert fit.means == pytest.approx(raw, rel=1e-9)


def test_all_zero_and_missing_responses_do_not_crash():
    layout, counts = _trial(12)
    counts[:, 0] = 0.0
    counts[:, 1] = np.nan
    counts[layout.treatment == 3, 2] = np.nan
    for family in ("poisson", "quasi-poisson", "negative-binomial"):
        fit = fit_counts(layout, counts, family=family)
        assert (fit.means[:, 0] == 0.0).all()
        assert np.isnan(fit.means[:, 1]).all()
        assert np.isnan(fit.means[3, 2])
        assert np.isfinite(np.delete(fit.means[:, 2], 3)).all()
        assert np.isfinite(fit.means[:, 3]).all()
        assert fit.lines[-2].df.tolist()[2:] == [4, 5]
        assert np.isnan(fit.lines[-2].p[:2]).all()


def test_a_layout_cut_in_two_gives_no_ratio_between_its_parts():
    treatment = np.array([0, 1, 0, 1, 2, 3, 2, 3])
    layout = randomised_blocks(treatment, np.repeat(np.arange(4), 2), 4)
    counts = np.array([3.0, 5.0, 8.0, 2.0, 9.0, 4.0, 7.0, 12.0])
    fit = fit_counts(layout, counts, family="poisson")
    assert fit.df_error[0] == 8 - 6
    assert np.isnan(fit.means).all()
    assert np.isnan(log_ratios(fit)[1]).all()


def test_order_of_rows_changes_nothing():
    layout, counts = _trial(13)
    counts[5, 0] = np.nan
    order = np.random.default_rng(1).permutation(layout.n_plots)
    moved = randomised_blocks(layout.treatment[order], layout.blocking[0][1][order], 6)
    one, other = fit_counts(layout, counts), fit_counts(moved, counts[order])
    assert other.means == pytest.approx(one.means, rel=1e-7)
    assert other.dispersion == pytest.approx(one.dispersion, rel=1e-6)
    assert other.fitted == pytest.approx(one.fitted[order], rel=1e-7, nan_ok=True)
    assert other.lines[-2].p == pytest.approx(one.lines[-2].p, rel=1e-5)


def test_fitting_together_or_apart_gives_the_same():
    layout, counts = _trial(14)
    counts[3, 2] = np.nan
    together = fit_counts(layout, counts)
    for j in range(counts.shape[1]):
        alone = fit_counts(layout, counts[:, j])
        assert together.dispersion[j] == pytest.approx(alone.dispersion[0], rel=1e-6)
        assert together.means[:, j] == pytest.approx(alone.means[:, 0], rel=1e-7)


def test_means_of_samples_are_counted_in_units_of_one_individual():
    layout, counts = _trial(15)
    whole, parts = fit_counts(layout, counts), fit_counts(layout, counts / 8.0, unit=1 / 8)
    assert parts.means * 8.0 == pytest.approx(whole.means, rel=1e-10)
    assert parts.log_means + np.log(8.0) == pytest.approx(whole.log_means, abs=1e-10)
    assert parts.dispersion == pytest.approx(whole.dispersion, rel=1e-9)


@pytest.mark.parametrize(
    ("counts", "unit"), [(np.full(30, -1.0), 1.0), (np.ones(29), 1.0), (np.ones(30), 0.0)]
)
def test_nonsense_is_refused(counts, unit):
    layout, _ = _trial(16)
    with pytest.raises(ValueError, match=r"count|unit"):
        fit_counts(layout, counts, unit=unit)


def test_dispersion_of_many_days_costs_few_fits():
    layout, counts = _trial(17, t=8, b=4, m=7)

    def seconds(**how) -> float:
        took = []
        for _ in range(5):
            start = time.perf_counter()
            fit_counts(layout, counts, **how)
            took.append(time.perf_counter() - start)
        return min(took)

    # A ratio, so that a slow machine does not matter; measured: 5 to 8.
    assert seconds() < 20.0 * seconds(family="poisson")


def _blocks(treatments: int, blocks: int) -> Layout:
    each = np.arange(treatments * blocks)
    return randomised_blocks(each % treatments, each // treatments, treatments)


def test_many_treatments_are_fitted_without_the_products_of_all_columns():
    """The same numbers whether the products are kept or made anew."""
    draw = np.random.default_rng(3)
    model = effects(_blocks(7, 4))
    lean = replace(model, products=None)
    weights, matrices = draw.random((28, 3)), draw.random((3, 11, 11))
    assert information(lean, weights) == pytest.approx(information(model, weights))
    assert quadratics(lean, matrices) == pytest.approx(quadratics(model, matrices))
    assert effects(_blocks(200, 3)).products is None
