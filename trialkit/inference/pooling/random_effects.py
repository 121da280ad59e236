"""Multivariate random effects by REML, with intervals that allow for few trials.

**Standard errors.** The covariance of the pooled estimates is multiplied by ``q = Q / (N - p)``,
the mean weighted square of residuals at the REML variances, and never by less than 1: Hartung and
Knapp's way for one treatment (df: trials less one), Jackson and Riley's for several, held back
from narrowing as Röver, Knapp and Friede advise. Degrees of freedom are Satterthwaite's from the
expected information of the variances between trials, not fewer than the trials of the treatment
less one and not more than N - p; for one treatment both are the trials less one.

Sources: Hartung J & Knapp G 2001, Stat. Med. 20:3875-3889; Jackson D & Riley RD 2014, Stat. Med.
33:541-554; Röver C, Knapp G & Friede T 2015, BMC Med. Res. Methodol. 15:99 (references from memory;
the arithmetic is checked in tests/published).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel, RemlState, evaluate
from trialkit.inference.normal.degrees_of_freedom import SmallSample, contrast_df, small_sample
from trialkit.inference.normal.reml import RemlSolution, maximise
from trialkit.inference.normal.reml_information import gradient_and_average
from trialkit.inference.numerics.quadratic import quadratic_forms
from trialkit.inference.pooling.effects import (
    Spread,
    TrialEstimates,
    between_trials,
    parameter_names,
)

#: Level of the test by which treatments get spreads of their own, and trials that each must be in.
OWN_LEVEL = 0.05
OWN_TRIALS = 5
#: Trials of a series from which on each has one without a test, which would miss too much.
OWN_WITHOUT_TEST = 8
#: Times that weights follow what is pooled; further ones move it by less than 0.001 as a rule.
_ROUNDS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pooled:
    """Linear combinations of what was pooled, each with its interval's ingredients.

    Attributes
    ----------
    estimate, se, df : (q,) array
        Infinite degrees of freedom where limits are at normal quantiles.
    """

    estimate: FloatArray
    se: FloatArray
    df: FloatArray

    @property
    def p(self) -> FloatArray:
        """Two-sided p-values of nought (q,)."""
        away = -np.abs(self.estimate / self.se)
        normal = np.isinf(self.df)
        tail = np.where(
            normal, special.ndtr(away), special.stdtr(np.where(normal, 1.0, self.df), away)
        )
        return np.asarray(2.0 * tail)

    def with_most(self, df: IntArray) -> Pooled:
        """The same with no more degrees of freedom than these (q,), 1 at least."""
        return replace(self, df=np.minimum(self.df, np.maximum(df, 1)))

    def limits(self, alpha: float) -> tuple[FloatArray, FloatArray]:
        """Limits (q,) of each by itself."""
        normal = np.isinf(self.df)
        level = 1.0 - alpha / 2.0
        quantile = special.stdtrit(np.where(normal, 1.0, self.df), level)
        half = np.where(normal, special.ndtri(level), quantile) * self.se
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PooledFit:
    """Estimates of several trials pooled with random effects.

    Attributes
    ----------
    data : TrialEstimates
        With the sampling variances that they were weighed by.
    asked : TrialEstimates
        With those that the trials gave.
    spread : {"shared", "half", "own"}
        How trials may differ; see `trialkit.inference.pooling.effects`.
    x : (n, p) array
        Fixed effects: a column a treatment first, then those of covariates.
    names : tuple of str
        Variances between trials.
    theta : (K,) array
        Their REML estimates.
    beta : (p,) array
    phi : (p, p) array
        Covariance of ``beta``, variances taken as known.
    scale : float
        What ``phi`` is multiplied by: 1 or more.
    log_likelihood : float
        Restricted.
    """

    data: TrialEstimates
    asked: TrialEstimates
    spread: Spread
    x: FloatArray
    names: tuple[str, ...]
    theta: FloatArray
    beta: FloatArray
    phi: FloatArray
    scale: float
    log_likelihood: float
    model: CovarianceModel
    _small: SmallSample | None

    @property
    def tau_squared(self) -> FloatArray:
        """Variance of the true estimates of each treatment between trials (t,)."""
        if len(self.names) == self.data.n_treatments + 1 and self.spread == "own":
            return np.asarray(self.theta[:-1] + self.theta[-1])
        return np.full(self.data.n_treatments, float(self.theta.sum()))

    def combine(self, rows: FloatArray, least: IntArray) -> Pooled:
        """Estimate linear combinations.

        Parameters
        ----------
        rows : (q, p) array
        least : (q,) int array
            Least degrees of freedom of each; 1 at least is taken.
        """
        most = max(self.x.shape[0] - self.x.shape[1], 1)
        df = np.full(len(rows), np.nan)
        if self._small is not None:
            df = contrast_df(rows, self._small, expected=True)
        floor = np.minimum(np.maximum(least, 1), most)
        df = np.where(np.isnan(df), floor, np.clip(df, floor, most))
        variance = self.scale * quadratic_forms(rows, self.phi)
        return Pooled(estimate=rows @ self.beta, se=np.sqrt(variance), df=df)

    def treatments(self) -> Pooled:
        """Pooled estimate of every treatment, at nought of all covariates."""
        t = self.data.n_treatments
        return self.combine(np.eye(t, self.x.shape[1]), self.data.trials_of - 1)

    def differences(self, a: IntArray, b: IntArray) -> Pooled:
        """Differences of pairs of treatments, first minus second."""
        unit = np.eye(self.data.n_treatments, self.x.shape[1])
        in_trials = self.data.trials_of
        return self.combine(unit[a] - unit[b], np.minimum(in_trials[a], in_trials[b]) - 1)


def pool(
    data: TrialEstimates, *, spread: Spread | None = None, covariate: FloatArray | None = None
) -> PooledFit:
    """Pool the estimates of two trials or more.

    Parameters
    ----------
    data : TrialEstimates
    spread : {"shared", "half", "own"}, optional
        How trials may differ. Where it is not given: half correlation for two trials; one spread
        for all treatments and one of the site else. Where each treatment is in five trials, each
        has a spread of its own from eight trials on, and below that where they were shown to
        differ in it (likelihood ratio at 5 %).
    covariate : (trials,) float array, optional
        A slope on it for every treatment stands beside its level.

    Raises
    ------
    NotEstimable
        Where there is one trial only, or a slope cannot be told.
    """
    if data.n_trials < 2:
        raise NotEstimable("one trial does not tell how sites differ")
    x = _columns(data, covariate)
    if spread is not None:
        return _fit(data, x, spread)
    if data.n_trials == 2:
        return _fit(data, x, "half")
    apart = len(parameter_names(data, "shared")) == 2 and data.n_treatments > 1
    apart = apart and data.trials_of.min() >= OWN_TRIALS
    if apart and data.n_trials >= OWN_WITHOUT_TEST:
        return _fit(data, x, "own")
    found = _fit(data, x, "shared")
    if apart:
        own = _fit(data, x, "own")
        gain = 2.0 * (own.log_likelihood - found.log_likelihood)
        if special.chdtrc(data.n_treatments - 1, max(gain, 0.0)) < OWN_LEVEL:
            return own
    return found


def slopes(fit: PooledFit, least: IntArray) -> Pooled:
    """Slopes on the covariate of every treatment; ``least`` degrees of freedom of each."""
    t = fit.data.n_treatments
    return fit.combine(np.eye(t, 2 * t, k=t), least)


def _columns(data: TrialEstimates, covariate: FloatArray | None) -> FloatArray:
    own = np.zeros((data.estimate.size, data.n_treatments))
    own[np.arange(data.estimate.size), data.treatment] = 1.0
    if covariate is None:
        return own
    value = np.asarray(covariate, dtype=np.float64)[data.trial]
    x = np.hstack([own, own * (value - value.mean())[:, None]])
    if np.linalg.matrix_rank(x) < x.shape[1] or x.shape[0] <= x.shape[1]:
        raise NotEstimable("too few trials with different values of the covariate")
    return x


def _fit(data: TrialEstimates, x: FloatArray, spread: Spread) -> PooledFit:
    """REML with the sampling variances that estimates would have at what is pooled of them."""
    found = _weighed(data, data, x, spread)
    for _ in range(_ROUNDS if data.counted.any() else 0):
        found = _weighed(data, data.evened(x @ found.beta), x, spread)
    return found


def _weighed(
    asked: TrialEstimates, data: TrialEstimates, x: FloatArray, spread: Spread
) -> PooledFit:
    """REML in units in which a residual is about one."""
    n, p = x.shape
    if n <= p:
        raise NotEstimable("no treatment is in two trials")
    rest = data.estimate - x @ np.linalg.lstsq(x, data.estimate, rcond=None)[0]
    unit = float(np.sqrt(np.mean(data.variance) + np.sum(rest**2) / (n - p)))
    scaled = replace(
        data,
        estimate=data.estimate / unit,
        covariances=tuple(part / unit**2 for part in data.covariances),
    )
    model = between_trials(scaled, spread)
    solution = _top(model, x, scaled.estimate)
    state = solution.state
    small = _small(model, solution, x)
    rest = scaled.estimate - x @ state.beta
    power = unit**2
    return PooledFit(
        data=data,
        asked=asked,
        spread=spread,
        x=x,
        names=model.names,
        theta=state.theta * power,
        beta=state.beta * unit,
        phi=state.phi * power,
        scale=max(1.0, float(rest @ state.vr) / (n - p)),
        log_likelihood=state.log_likelihood - (n - p) * float(np.log(unit)),
        model=between_trials(data, spread),
        _small=None
        if small is None
        else replace(small, phi=small.phi * power, expected=small.expected * power**2),
    )


def _top(model: CovarianceModel, x: FloatArray, y: FloatArray) -> RemlSolution:
    """Top of the restricted likelihood: no spread at all where that falls on every side of it."""
    none = np.zeros(len(model.names))
    state = evaluate(model, none, x, y)
    if state is not None and (gradient_and_average(model, state, x)[0] <= 0.0).all():
        return RemlSolution(
            state=state, at_limit=np.ones(none.size, dtype=bool), iterations=0, converged=True
        )
    return maximise(model, x, y, np.full(none.size, 0.5 / none.size))


def _small(model: CovarianceModel, solution: RemlSolution, x: FloatArray) -> SmallSample | None:
    try:
        return small_sample(model, solution, x)
    except NotEstimable:
        return None


def likelihood_at(fit: PooledFit, theta: FloatArray) -> RemlState | None:
    """State of the fit at other variances between trials; None where they are impossible."""
    return evaluate(fit.model, theta, fit.x, fit.data.estimate)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heterogeneity:
    """How far the trials of each treatment differ beyond chance.

    Attributes
    ----------
    q, df, p : (t,) array
        Cochran's Q of each treatment by itself, weights from the sampling variances alone; its
        degrees of freedom and p-value. NaN for a treatment in one trial.
    share : (t,) array
        I squared, 0 to 1: variance between trials over that and the typical sampling variance
        (Higgins JPT & Thompson SG 2002, Stat. Med. 21:1539-1558).
    """

    q: FloatArray
    df: FloatArray
    p: FloatArray
    share: FloatArray


def heterogeneity(fit: PooledFit) -> Heterogeneity:
    """Describe how far the trials of each treatment differ beyond chance."""
    data, t = fit.data, fit.data.n_treatments
    q, share = np.full(t, np.nan), np.full(t, np.nan)
    df = (data.trials_of - 1).astype(float)
    for code in range(t):
        rows = data.treatment == code
        if rows.sum() < 2:
            continue
        weight = 1.0 / data.variance[rows]
        y = data.estimate[rows]
        q[code] = float(weight @ (y - weight @ y / weight.sum()) ** 2)
        typical = df[code] * weight.sum() / (weight.sum() ** 2 - (weight**2).sum())
        share[code] = fit.tau_squared[code] / (fit.tau_squared[code] + typical)
    known = df > 0
    return Heterogeneity(
        q=q,
        df=np.where(known, df, np.nan),
        p=np.where(known, special.chdtrc(np.maximum(df, 1.0), np.where(known, q, 1.0)), np.nan),
        share=share,
    )


def weights(fit: PooledFit) -> FloatArray:
    """Share (n,) of each estimate in the pooled estimate of its treatment.

    The coefficients of the treatment's own estimates, scaled to a sum of one; what other
    treatments lend is left aside.
    """
    state = likelihood_at(fit, fit.theta)
    if state is None:
        raise NotEstimable("the covariance of the estimates is singular")
    coefficients = state.phi @ state.vx.T
    own = coefficients[fit.data.treatment, np.arange(fit.data.estimate.size)]
    total = np.bincount(fit.data.treatment, weights=own)
    return np.asarray(own / total[fit.data.treatment])


def left_out(fit: PooledFit) -> Sequence[PooledFit | None]:
    """The same pooling without each trial in turn; None where it cannot be done."""
    found: list[PooledFit | None] = []
    spread = fit.spread if fit.data.n_trials > 3 else None
    for trial in range(fit.data.n_trials):
        try:
            found.append(pool(fit.asked.without(trial), spread=spread))
        except NotEstimable:
            found.append(None)
    return found
