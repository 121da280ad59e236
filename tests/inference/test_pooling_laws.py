"""Laws of pooling: what may not change an answer, and what must."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.effects import trial_estimates
from trialkit.inference.pooling.environments import analyse_environments, bartlett
from trialkit.inference.pooling.foresight import spreads, tau_limits
from trialkit.inference.pooling.points import OneTrial, points_between
from trialkit.inference.pooling.random_effects import left_out, pool, weights
from trialkit.inference.pooling.stability import complete_table, stability
from trialkit.inference.pooling.trial_contrasts import TrialMeans


def _data(seed, trials=5, t=3, spread=0.4, missing=True):
    generator = np.random.default_rng(seed)
    estimates, covariances, codes = [], [], []
    for place in range(trials):
        kept = np.arange(t)
        if missing and place > 1:
            kept = np.sort(generator.permutation(t)[: generator.integers(1, t + 1)])
        truth = -np.arange(1, t + 1) + generator.normal(0.0, spread, t)
        covariance = np.diag(generator.uniform(0.02, 0.1, kept.size)) + 0.03
        noise = np.linalg.cholesky(covariance) @ generator.normal(size=kept.size)
        estimates.append(truth[kept] + noise)
        covariances.append(covariance)
        codes.append(kept)
    return estimates, covariances, codes


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(-3.0, 3.0), st.floats(0.3, 5.0))
def test_units_and_origin_go_through(seed, shift, unit):
    estimates, covariances, codes = _data(seed)
    one = pool(trial_estimates(estimates, covariances, codes), spread="shared")
    other = pool(
        trial_estimates(
            [unit * part + shift for part in estimates],
            [unit**2 * part for part in covariances],
            codes,
        ),
        spread="shared",
    )
    assert other.beta == pytest.approx(unit * one.beta + shift, rel=1e-4, abs=1e-4)
    assert other.treatments().se == pytest.approx(unit * one.treatments().se, rel=1e-4)
    assert other.tau_squared == pytest.approx(unit**2 * one.tau_squared, rel=1e-3, abs=1e-6)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_names_of_treatments_change_nothing(seed):
    estimates, covariances, codes = _data(seed)
    named = np.array([2, 0, 1])
    one = pool(trial_estimates(estimates, covariances, codes), spread="shared")
    other = pool(
        trial_estimates(estimates, covariances, [named[part] for part in codes]), spread="shared"
    )
    assert other.beta[named] == pytest.approx(one.beta, rel=1e-5, abs=1e-6)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_the_factor_never_narrows_and_freedom_has_its_bounds(seed):
    fit = pool(trial_estimates(*_data(seed)))
    found = fit.treatments()
    assert fit.scale >= 1.0
    assert (found.df >= np.maximum(fit.data.trials_of - 1, 1)).all()
    assert (found.df <= fit.data.estimate.size - fit.data.n_treatments + 1e-9).all()
    total = np.bincount(fit.data.treatment, weights=weights(fit))
    assert total == pytest.approx(1.0)


def test_trials_that_agree_have_no_spread():
    covariance = np.diag([0.05, 0.04]) + 0.02
    fit = pool(trial_estimates([np.array([-2.0, -1.0])] * 6, [covariance] * 6, [np.arange(2)] * 6))
    assert fit.tau_squared == pytest.approx(0.0, abs=1e-12)
    assert fit.beta == pytest.approx([-2.0, -1.0])
    assert fit.treatments().se == pytest.approx(np.sqrt(np.diagonal(covariance) / 6.0))
    low, high = tau_limits(fit, 0.05)
    assert low[0] == 0.0 and high[0] > 0.0
    # A spread of nought is not taken for none: the next site has wider limits.
    below, above = spreads(fit).next_site(0.05)
    first, last = fit.treatments().limits(0.05)
    assert (below < first).all() and (above > last).all()


def test_one_trial_cannot_be_pooled_and_two_do_not_foretell():
    estimates, covariances, codes = _data(1, missing=False)
    with pytest.raises(NotEstimable, match="one trial"):
        pool(trial_estimates(estimates[:1], covariances[:1], codes[:1]))
    two = pool(trial_estimates(estimates[:2], covariances[:2], codes[:2]))
    assert two.spread == "half"
    with pytest.raises(NotEstimable, match="two trials"):
        spreads(two)


def test_treatments_get_spreads_of_their_own_where_they_differ():
    generator = np.random.default_rng(3)
    sizes = np.array([0.05, 0.05, 1.5])
    estimates = [generator.normal(0.0, sizes) for _ in range(14)]
    data = trial_estimates(estimates, [np.diag([0.01] * 3) + 0.01] * 14, [np.arange(3)] * 14)
    fit = pool(data)
    assert fit.spread == "own"
    assert fit.tau_squared[2] > 10.0 * fit.tau_squared[:2].max()
    low, high = spreads(fit).next_site(0.05)
    assert high[2] - low[2] > 3.0 * (high[:2] - low[:2]).max()


def test_each_left_out_is_the_pooling_of_the_others():
    estimates, covariances, codes = _data(8, trials=5, missing=False)
    whole = pool(trial_estimates(estimates, covariances, codes))
    parts = left_out(whole)
    alone = pool(trial_estimates(estimates[1:], covariances[1:], codes[1:]), spread=whole.spread)
    assert parts[0] is not None
    assert parts[0].beta == pytest.approx(alone.beta)


def test_shares_of_sites_reach_from_none_to_all():
    nodes = spreads(pool(trial_estimates(*_data(2, trials=6, missing=False))))
    for value, expected in ((-50.0, 0.0), (50.0, 1.0)):
        shares = nodes.share_below(value, 0.05)
        assert all(part == pytest.approx(expected, abs=1e-3) for part in shares)
    expected, low, high = nodes.share_below(-2.0, 0.05)
    assert (low <= expected).all() and (expected <= high).all()
    # Treatments leave less from the first to the last.
    assert expected[0] < expected[-1]


def test_points_keep_to_the_range_of_control():
    one = OneTrial(estimates=np.array([-3.0, -2.5]), covariance=np.array([[1.0, 0.4], [0.4, 0.9]]))
    points, low, high = points_between(one, np.array([0]), np.array([1]), 0.05)
    assert points[0] == pytest.approx(100.0 * (np.exp(-2.5) - np.exp(-3.0)))
    assert low[0] < points[0] < high[0]
    back, lower, upper = points_between(one, np.array([1]), np.array([0]), 0.05)
    assert (back[0], lower[0], upper[0]) == pytest.approx((-points[0], -high[0], -low[0]))
    assert high[0] < 100.0


def _means(seed, trials=6, t=4, r=4):
    generator = np.random.default_rng(seed)
    return [
        TrialMeans(
            treatment=np.arange(t),
            mean=10.0 + generator.normal(0.0, 2.0) + np.arange(t) + generator.normal(0.0, 0.7, t),
            unit=np.eye(t) / r,
            error_variance=float(generator.chisquare(9) / 9.0),
            df=9.0,
        )
        for _ in range(trials)
    ]


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.floats(-50.0, 50.0))
def test_the_level_of_an_environment_is_no_part_of_differences(seed, shift):
    trials = _means(seed)
    moved = replace(trials[0], mean=trials[0].mean + shift)
    one, other = analyse_environments(trials), analyse_environments([moved, *trials[1:]])
    pair = np.array([0]), np.array([1])
    for inference in ("broad", "narrow"):
        before, after = one.means(inference).estimate, other.means(inference).estimate
        assert np.diff(after) == pytest.approx(np.diff(before), abs=1e-6)
        assert after.mean() == pytest.approx(before.mean() + shift / 6.0, abs=1e-6)
        first, second = one.differences(*pair, inference), other.differences(*pair, inference)
        assert first.estimate == pytest.approx(second.estimate, abs=1e-6)
        assert first.se == pytest.approx(second.se, rel=1e-5)
        assert first.df == pytest.approx(second.df, rel=1e-4)


def test_narrow_means_weigh_environments_alike():
    trials = _means(4)
    wild = [
        replace(part, error_variance=part.error_variance * (40.0 if place == 0 else 1.0))
        for place, part in enumerate(trials)
    ]
    average = np.mean([part.mean for part in trials], axis=0)
    assert analyse_environments(wild).means("narrow").estimate == pytest.approx(average)
    assert analyse_environments(wild).means("broad").estimate != pytest.approx(average)


def test_own_errors_are_taken_where_they_differ():
    trials = _means(4)
    wild = [
        replace(part, error_variance=part.error_variance * (40.0 if place == 0 else 1.0))
        for place, part in enumerate(trials)
    ]
    assert not analyse_environments(trials).own_errors
    found = analyse_environments(wild)
    assert found.own_errors and found.p_errors < 0.05
    assert np.isnan(bartlett(np.array([1.0]), np.array([9.0])))


def test_trials_that_nothing_connects_are_refused():
    one, other = _means(5, trials=2)
    apart = [
        TrialMeans(
            treatment=np.array([2 * place, 2 * place + 1]),
            mean=part.mean[:2],
            unit=part.unit[:2, :2],
            error_variance=part.error_variance,
            df=part.df,
        )
        for place, part in enumerate((one, other))
    ]
    with pytest.raises(NotEstimable, match="connects"):
        analyse_environments(apart)


def test_stability_needs_five_environments_and_slopes_average_to_one():
    trials = tuple(_means(6))
    table, whole = complete_table(trials, 4)
    assert whole.tolist() == list(range(6))
    found = stability(table, 0.25, 54.0)
    assert found.slope.mean() == pytest.approx(1.0)
    with pytest.raises(NotEstimable, match="five environments"):
        stability(table[:, :4], 0.25, 54.0)


def test_variances_follow_what_is_pooled_and_not_each_estimate() -> None:
    # Counts of 5 and 45 of 20 expected: the low one would be told to know least.
    counts = np.array([5.0, 45.0, 20.0])
    estimates = [np.array([np.log(count / 100.0)]) for count in counts]
    covariances = [np.array([[1.0 / count + 0.02]]) for count in counts]
    data = trial_estimates(
        estimates, covariances, [np.array([0])] * 3, [np.array([1.0 / count]) for count in counts]
    )
    even = data.evened(np.full(3, np.log(0.2)))
    assert even.variance == pytest.approx(np.full(3, 1.0 / 20.0 + 0.02))
    assert data.evened(data.estimate).variance == pytest.approx(data.variance)
    plain = trial_estimates(estimates, covariances, [np.array([0])] * 3)
    assert pool(data).beta[0] < pool(plain).beta[0]


def test_what_is_pooled_of_low_counts_is_not_pulled_up() -> None:
    generator = np.random.default_rng(5)
    true, found, pulled = np.log(0.15), [], []
    for _ in range(60):
        counts = generator.poisson(100.0 * np.exp(generator.normal(true, 0.6, 12))) + 0.5
        estimates = [np.array([value]) for value in np.log(counts / 100.0)]
        own = [np.array([1.0 / count]) for count in counts]
        covariances = [part[:, None] for part in own]
        codes = [np.array([0])] * 12
        found.append(pool(trial_estimates(estimates, covariances, codes, own)).beta[0])
        pulled.append(pool(trial_estimates(estimates, covariances, codes)).beta[0])
    assert np.mean(pulled) - true > 0.05
    assert abs(np.mean(found) - true) < 0.05
