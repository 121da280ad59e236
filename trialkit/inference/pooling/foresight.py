"""What the next site will show: the spread between sites with its uncertainty, and sites to come.

The spread tau, and the share rho of it that treatments of a site have in common, are weighed by
the restricted likelihood on a grid, flat in tau and in the angle whose squared sine is rho. Given
both, a pooled estimate is normal, and so is the true estimate of another site about it: intervals
are quantiles of the mixture. With many trials this comes to the interval of Higgins, Thompson and
Spiegelhalter; with few it does not take an estimated spread of nought for none, which plugging in
does.

Sources: Higgins JPT, Thompson SG & Spiegelhalter DJ 2009, J. R. Stat. Soc. A 172:137-159 (interval
of the next study, and its Bayesian form); Viechtbauer W 2007, Stat. Med. 26:37-52 (interval of tau
from the profile of Q). References from memory; what the intervals cover is in
tests/benchmarks/series_intervals.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.random_effects import PooledFit, likelihood_at, pool

#: Trials from which on the next site can be told at all.
LEAST_TRIALS = 3
#: Trials above which the spread is known so well that a small grid serves.
_MANY = 40
#: Shares that treatments of a site have in common: evenly spaced angles of the two standard
#: deviations.
_RHO = tuple(float(share) for share in np.sin((np.arange(5) + 0.5) / 5 * np.pi / 2.0) ** 2)
_NORMAL = special.ndtri((np.arange(31) + 0.5) / 31)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spreads:
    """Pooled estimates at every node of the spread between sites.

    Attributes
    ----------
    weight : (m,) array
        Of the nodes; they sum to 1.
    tau : (m, t) array
        Spread of each treatment between sites.
    mean, variance : (m, t) array
        Of the pooled estimate of each treatment, given the spread.
    """

    weight: FloatArray
    tau: FloatArray
    mean: FloatArray
    variance: FloatArray

    def next_site(self, alpha: float) -> tuple[FloatArray, FloatArray]:
        """Limits (t,) of the true estimate at another site."""
        sd = np.sqrt(self.variance + self.tau**2)
        low = _quantile(self.weight, self.mean, sd, alpha / 2.0)
        return low, _quantile(self.weight, self.mean, sd, 1.0 - alpha / 2.0)

    def share_below(self, value: float, alpha: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Share of sites whose true estimate lies below a value: expected, and its limits (t,)."""
        sd = np.sqrt(self.variance + self.tau**2)
        expected = self.weight @ special.ndtr((value - self.mean) / sd)
        pooled = self.mean[:, :, None] + np.sqrt(self.variance)[:, :, None] * _NORMAL
        tau = np.maximum(self.tau, 1e-12)[:, :, None]
        shares = special.ndtr((value - pooled) / tau)
        own = np.repeat(self.weight / _NORMAL.size, _NORMAL.size)
        limits = np.empty((2, expected.size))
        for code in range(expected.size):
            flat = shares[:, code].ravel()
            order = np.argsort(flat)
            reached = np.cumsum(own[order])
            for place, level in enumerate((alpha / 2.0, 1.0 - alpha / 2.0)):
                at = min(int(np.searchsorted(reached, level)), flat.size - 1)
                limits[place, code] = flat[order][at]
        return expected, limits[0], limits[1]


def spreads(fit: PooledFit) -> Spreads:
    """Weigh the spread between sites by the restricted likelihood.

    Where each treatment has a spread of its own, each is weighed by its own trials.

    Raises
    ------
    NotEstimable
        With fewer than three trials: two cannot tell what a third will show.
    """
    if fit.data.n_trials < LEAST_TRIALS:
        raise NotEstimable("two trials cannot tell what the next site will show")
    if fit.spread == "own":
        return _side_by_side(
            [spreads(pool(fit.asked.only(code))) for code in range(fit.data.n_treatments)]
        )
    unit = _unit(fit)
    many = fit.data.n_trials > _MANY
    shares: tuple[float, ...] = (_rho(fit),) if many or len(fit.names) == 1 else _RHO
    steps = np.linspace(0.0, 1.0, 15 if many else 23)
    # Close together where the likelihood is high, out to where hardly anything is left.
    nodes = unit * 12.0 * np.sinh(3.0 * steps) / np.sinh(3.0)
    width = np.gradient(nodes)
    width[0] /= 2.0
    height, weight, tau, mean, variance = [], [], [], [], []
    t = fit.data.n_treatments
    for node, step in zip(nodes, width, strict=True):
        for rho in shares:
            state = likelihood_at(fit, _theta(fit, float(node), rho))
            if state is None:
                continue
            height.append(state.log_likelihood)
            weight.append(step)
            tau.append(np.full(t, node))
            mean.append(state.beta[:t])
            variance.append(np.diagonal(state.phi)[:t])
    top = np.exp(np.array(height) - max(height)) * np.array(weight)
    return Spreads(
        weight=top / top.sum(),
        tau=np.array(tau),
        mean=np.array(mean),
        variance=np.array(variance),
    )


def tau_limits(fit: PooledFit, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Limits (t,) of the spread between sites.

    For one treatment from the profile of Q, else from the profile of the restricted likelihood;
    the lower one is 0 where no spread fits as well.
    """
    t = fit.data.n_treatments
    if fit.spread == "own":
        found = [tau_limits(pool(fit.asked.only(code)), alpha) for code in range(t)]
        return np.concatenate([low for low, _ in found]), np.concatenate([up for _, up in found])
    low, high = _q_profile(fit, alpha) if t == 1 else _likelihood_profile(fit, alpha)
    return np.full(t, low), np.full(t, high)


def _q_profile(fit: PooledFit, alpha: float) -> tuple[float, float]:
    y, variance, df = fit.data.estimate, fit.data.variance, fit.data.n_trials - 1

    def q(tau: float) -> float:
        weight = 1.0 / (variance + tau**2)
        return float(weight @ (y - weight @ y / weight.sum()) ** 2)

    unit = _unit(fit)
    upper = _falls_to(q, float(special.chdtri(df, 1.0 - alpha / 2.0)), unit)
    return _falls_to(q, float(special.chdtri(df, alpha / 2.0)), unit), upper


def _likelihood_profile(fit: PooledFit, alpha: float) -> tuple[float, float]:
    shares = _RHO if len(fit.names) == 2 else (0.5,)
    many = fit.data.n_trials > _MANY

    def height(tau: float) -> float:
        own = (_rho(fit),) if many else (*shares, _rho(fit))
        states = (likelihood_at(fit, _theta(fit, tau, rho)) for rho in own)
        return max(state.log_likelihood for state in states if state is not None)

    best = float(np.sqrt(fit.tau_squared[0]))
    level = height(best) - _drop(alpha, len(fit.names)) / 2.0
    upper = best + _falls_to(lambda more: height(best + more), level, _unit(fit))
    if height(0.0) >= level:
        return 0.0, upper
    return float(optimize.brentq(lambda tau: height(tau) - level, 0.0, best, xtol=1e-5)), upper


def _drop(alpha: float, parameters: int) -> float:
    """Twice the fall of the likelihood at the limits of a spread of one variance, or of two.

    No spread at all stands at the edge of both variances: the fall there is a mixture of
    chi-squares with none, one and two degrees of freedom (Self SG & Liang KY 1987, J. Am. Stat.
    Assoc. 82:605-610, from memory).
    """
    if parameters == 1:
        return float(special.chdtri(1, alpha))

    def beyond(fall: float) -> float:
        return float(0.5 * special.chdtrc(1, fall) + 0.25 * special.chdtrc(2, fall)) - alpha

    return float(optimize.brentq(beyond, 0.0, 50.0)) if alpha < 0.75 else 0.0


def _falls_to(curve: Callable[[float], float], level: float, unit: float) -> float:
    """Where a falling curve from 0 on reaches a level; 0 where it starts below."""
    if curve(0.0) <= level:
        return 0.0
    end = unit
    while curve(end) > level:
        end *= 2.0
        if end > 1e6 * unit:
            return float("nan")
    return float(optimize.brentq(lambda x: curve(x) - level, 0.0, end, xtol=1e-6 * unit))


def _unit(fit: PooledFit) -> float:
    """A size of the spread: the estimate, or the typical sampling error where that is larger."""
    return float(np.sqrt(max(fit.tau_squared.max(), float(np.median(fit.data.variance)))))


def _rho(fit: PooledFit) -> float:
    """Share of the spread that the treatments of a site have in common."""
    total = float(fit.theta.sum())
    return float(fit.theta[-1]) / total if len(fit.names) == 2 and total > 0.0 else 0.5


def _theta(fit: PooledFit, tau: float, rho: float) -> FloatArray:
    if len(fit.names) == 1:
        return np.array([tau**2])
    return np.array([(1.0 - rho) * tau**2, rho * tau**2])


def _side_by_side(parts: list[Spreads]) -> Spreads:
    """Treatments weighed apart, as one: quantiles of each are kept, nodes are not shared.

    Every node of a treatment stands beside one of equal weight of the others: the weights of each
    are brought to a common ladder of quantiles of tau.
    """
    ladder = (np.arange(200) + 0.5) / 200
    taken = []
    for part in parts:
        order = np.argsort(part.tau[:, 0], kind="stable")
        reached = np.cumsum(part.weight[order])
        taken.append(order[np.minimum(np.searchsorted(reached, ladder), order.size - 1)])
    chosen = list(zip(parts, taken, strict=True))
    return Spreads(
        weight=np.full(ladder.size, 1.0 / ladder.size),
        tau=np.column_stack([part.tau[rows, 0] for part, rows in chosen]),
        mean=np.column_stack([part.mean[rows, 0] for part, rows in chosen]),
        variance=np.column_stack([part.variance[rows, 0] for part, rows in chosen]),
    )


def _quantile(weight: FloatArray, mean: FloatArray, sd: FloatArray, level: float) -> FloatArray:
    """Quantile (t,) of a mixture of normals (m, t), by halving."""
    low = (mean - 12.0 * sd).min(axis=0)
    high = (mean + 12.0 * sd).max(axis=0)
    for _ in range(80):
        middle = (low + high) / 2.0
        below = weight @ special.ndtr((middle - mean) / sd) < level
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2.0)
