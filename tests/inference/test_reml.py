"""The REML engine: derivatives, limits, invariances."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import covariance_model, evaluate
from trialkit.inference.normal.covariance_structures import (
    Autoregressive,
    CompoundSymmetry,
    Independent,
    Unstructured,
)
from trialkit.inference.normal.degrees_of_freedom import small_sample
from trialkit.inference.normal.reml import maximise
from trialkit.inference.normal.reml_information import gradient_and_average

STRUCTURES = {
    "compound symmetry": (CompoundSymmetry(4), np.array([0.4, 0.8])),
    "whole gaps": (Autoregressive((0.0, 7.0, 14.0, 28.0)), np.array([1.3, 0.6])),
    "equal gaps, negative": (Autoregressive((0.0, 7.0, 14.0, 21.0)), np.array([1.3, -0.4])),
    "uneven gaps": (Autoregressive((1.0, 3.0, 6.0, 13.0)), np.array([1.3, 0.5])),
    "unstructured": (
        Unstructured(4),
        np.array([1.2, 0.3, 1.0, 0.2, 0.4, 1.5, 0.1, 0.3, 0.5, 1.1]),
    ),
}


def data(seed, *, structure=None):
    """10 subjects on up to 4 days in 3 groups; some observations missing."""
    rng = np.random.default_rng(seed)
    subject, time = np.repeat(np.arange(10), 4), np.tile(np.arange(4), 10)
    keep = np.sort(rng.choice(40, 36, replace=False))
    subject, time = subject[keep], time[keep]
    group = rng.integers(0, 3, 10)[subject]
    x = np.column_stack([np.ones(36), time, subject % 2])
    y = rng.normal(size=36) + rng.normal(size=10)[subject]
    model = covariance_model(
        36,
        {"group": group},
        subject=None if structure is None else subject,
        time=None if structure is None else time,
        structure=structure,
    )
    return model, x, y


def central(function, theta, step=1e-5):
    out = []
    for k in range(len(theta)):
        up, down = theta.copy(), theta.copy()
        up[k] += step
        down[k] -= step
        out.append((function(up) - function(down)) / (2 * step))
    return np.array(out)


@pytest.mark.parametrize("name", STRUCTURES)
def test_derivatives_of_structures(name):
    structure, theta = STRUCTURES[name]
    np.testing.assert_allclose(
        structure.first(theta), central(structure.matrix, theta), rtol=1e-7, atol=1e-8
    )
    second = structure.second(theta)
    numeric = central(structure.first, theta)
    if second is None:
        np.testing.assert_allclose(numeric, 0.0, atol=1e-8)
    else:
        np.testing.assert_allclose(second, numeric, rtol=1e-6, atol=1e-8)


def test_autoregression_follows_the_days():
    structure = Autoregressive((0.0, 2.0, 9.0))
    sigma = structure.matrix(np.array([2.0, 0.5]))
    assert structure.unit == 2.0
    np.testing.assert_allclose(sigma[0], [2.0, 2.0 * 0.5, 2.0 * 0.5**4.5])
    assert structure.lower[1] >= 0.0
    assert Autoregressive((0.0, 2.0, 8.0)).lower[1] >= 0.0
    assert Autoregressive((0.0, 2.0, 4.0)).lower[1] < 0.0


@pytest.mark.parametrize("name", [None, *STRUCTURES])
def test_gradient_is_that_of_the_likelihood(name):
    structure, own = (None, np.array([0.9])) if name is None else STRUCTURES[name]
    model, x, y = data(3, structure=structure)
    theta = np.concatenate([[0.4], own])
    state = evaluate(model, theta, x, y)
    gradient, _ = gradient_and_average(model, state, x)
    numeric = central(lambda t: evaluate(model, t, x, y).log_likelihood, theta)
    np.testing.assert_allclose(gradient, numeric, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("name", [None, "compound symmetry", "uneven gaps"])
def test_observed_information_is_minus_the_second_derivative(name):
    structure = None if name is None else STRUCTURES[name][0]
    for seed in range(20):
        model, x, y = data(seed, structure=structure)
        solution = maximise(model, x, y)
        if not solution.at_limit.any():
            break
    else:
        pytest.fail("no data without a variance at zero")
    small = small_sample(model, solution, x)

    def gradient(theta):
        return gradient_and_average(model, evaluate(model, theta, x, y), x)[0]

    numeric = -central(gradient, solution.state.theta, 1e-5)
    np.testing.assert_allclose(np.linalg.inv(small.observed), numeric, rtol=1e-4, atol=1e-6)


def test_likelihood_by_plain_dense_algebra():
    model, x, y = data(5)
    theta = np.array([0.7, 1.1])
    group = np.zeros((36, 36))
    for batch in model.batches:
        for rows, shared in zip(batch.rows, batch.shared[0], strict=True):
            group[np.ix_(rows, rows)] = shared
    v = 0.7 * group + 1.1 * np.eye(36)
    w = np.linalg.inv(v)
    info = x.T @ w @ x
    r = y - x @ np.linalg.solve(info, x.T @ w @ y)
    dets = [np.linalg.slogdet(m)[1] for m in (v, info, x.T @ x)]
    value = -0.5 * (33 * np.log(2 * np.pi) + dets[0] + dets[1] - dets[2] + r @ w @ r)
    assert evaluate(model, theta, x, y).log_likelihood == pytest.approx(value, rel=1e-12)


def test_blocks_are_cut_where_nothing_is_shared():
    model = covariance_model(6, {"a": np.array([0, 0, 1, 1, 2, 2])})
    assert [b.rows.tolist() for b in model.batches] == [[[0, 1], [2, 3], [4, 5]]]
    crossed = {"a": np.array([0, 0, 1, 1, 2, 2]), "b": np.array([0, 1, 1, 2, 3, 3])}
    sizes = {b.rows.shape for b in covariance_model(6, crossed).batches}
    assert sizes == {(1, 4), (1, 2)}


def test_balanced_one_way_has_the_closed_solution():
    """Groups of 5: error = MSE, group = (MSG - MSE) / 5 where that is above zero, else 0."""
    seen = set()
    for seed in range(12):
        rng = np.random.default_rng(seed)
        group = np.repeat(np.arange(6), 5)
        y = rng.normal(size=30) + 0.5 * rng.normal(size=6)[group]
        means = y.reshape(6, 5).mean(axis=1)
        msg = 5 * means.var(ddof=1)
        mse = ((y - means[group]) ** 2).sum() / 24
        solution = maximise(covariance_model(30, {"g": group}), np.ones((30, 1)), y)
        assert solution.converged
        theta = solution.state.theta
        if msg > mse:
            np.testing.assert_allclose(theta, [(msg - mse) / 5, mse], rtol=1e-9)
            assert not solution.at_limit.any()
        else:
            assert theta[0] == 0.0
            assert solution.at_limit.tolist() == [True, False]
            assert theta[1] == pytest.approx(y.var(ddof=1), rel=1e-9)
        seen.add(bool(msg > mse))
    assert seen == {True, False}


def test_confounded_variances_are_refused():
    rng = np.random.default_rng(1)
    g = np.repeat(np.arange(6), 4)
    model = covariance_model(24, {"a": g, "b": g.copy()})
    x, y = np.ones((24, 1)), rng.normal(size=24)
    with pytest.raises(NotEstimable, match="tell the variance parameters apart"):
        small_sample(model, maximise(model, x, y), x)
    each = covariance_model(24, {"plot": np.arange(24)})
    with pytest.raises(NotEstimable, match="tell the variance parameters apart"):
        small_sample(each, maximise(each, x, y), x)


def test_same_day_twice_is_refused():
    with pytest.raises(ValueError, match="same day"):
        covariance_model(
            2,
            {},
            subject=np.array([0, 0]),
            time=np.array([1, 1]),
            structure=Autoregressive((0.0, 1.0)),
        )


def test_independent_errors_are_least_squares():
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(20), rng.normal(size=20)])
    y = rng.normal(size=20)
    solution = maximise(covariance_model(20, {}), x, y)
    beta, rss = np.linalg.lstsq(x, y, rcond=None)[:2]
    np.testing.assert_allclose(solution.state.beta, beta)
    assert solution.state.theta[0] == pytest.approx(rss[0] / 18, rel=1e-10)
    assert Independent().names == ("error",)


class VarianceAndCorrelation:
    """Compound symmetry as variance and correlation: not linear in its parameters."""

    names = ("variance", "correlation")
    powers = np.array([2.0, 0.0])
    lower = np.array([1e-8, -0.3])
    upper = np.array([np.inf, 0.999])

    def start(self, residuals):
        return np.array([float(np.nanmean(residuals**2)), 0.2])

    def matrix(self, theta):
        return theta[0] * (theta[1] * np.ones((4, 4)) + (1 - theta[1]) * np.eye(4))

    def first(self, theta):
        off = np.ones((4, 4)) - np.eye(4)
        return np.stack([np.eye(4) + theta[1] * off, theta[0] * off])

    def second(self, theta):
        off = np.ones((4, 4)) - np.eye(4)
        zero = np.zeros((4, 4))
        return np.stack([np.stack([zero, off]), np.stack([off, zero])])


@pytest.mark.parametrize("seed", range(4))
def test_adjustment_does_not_depend_on_the_parameters(seed):
    """Linear and non-linear parameters of one covariance give one adjusted covariance."""
    results = []
    for structure in (CompoundSymmetry(4), VarianceAndCorrelation()):
        rng = np.random.default_rng(seed)
        subject, time = np.repeat(np.arange(9), 4), np.tile(np.arange(4), 9)
        x = np.column_stack([np.ones(36), time, subject % 3 == 1, (subject % 3 == 1) * time])
        y = rng.normal(size=36) + rng.normal(size=9)[subject]
        keep = np.sort(rng.choice(36, 31, replace=False))
        model = covariance_model(
            31, {}, subject=subject[keep], time=time[keep], structure=structure
        )
        solution = maximise(model, x[keep], y[keep])
        assert not solution.at_limit.any()
        results.append(small_sample(model, solution, x[keep]))
    one, two = results
    np.testing.assert_allclose(two.phi, one.phi, rtol=1e-6)
    np.testing.assert_allclose(two.adjusted, one.adjusted, rtol=1e-6)
    assert np.abs(one.adjusted / one.phi - 1).max() > 1e-3
