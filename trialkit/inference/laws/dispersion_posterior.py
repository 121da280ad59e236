"""How far the dispersion of plots is known: shared between groups as far as the data let it be.

With four plots a group no group can tell its own dispersion, and a common one is wrong where
groups differ. The dispersion of a group is therefore taken as a common level, moved along a trend
with the mean (for counts a slope of 0 is the negative binomial and -1 a variance proportional to
the mean, as Taylor's power law with exponents from 2 down to 1), and scattered about it. Level,
trend and scatter are averaged over on grids under weak priors: flat in the logarithm of the level,
the others as in ``Prior``. They are shared by all days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from trialkit.inference.design.layout import FloatArray

_TINY = 1e-300
#: Weight of what is left out of averages over the dispersions.
_FORGOTTEN = 1e-5
_LITTLE = 0.01
#: Standard deviations of the log dispersion of a group about the trend, and their weights.
SCATTERS = np.array([0.0, 0.5, 1.0, 1.5])
SCATTER_WEIGHTS = np.array([0.80, 0.10, 0.07, 0.03])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prior:
    """Grid of the dispersion, and the trends with the mean with their weights.

    Attributes
    ----------
    grid : (q,) float array
        Logarithms of dispersions, evenly spaced.
    slopes, slope_weights : (s,) float arrays
        Powers of the mean along which the dispersion moves.
    most : float
        Largest dispersion of a group, unless the common level is larger: groups that say nothing
        of themselves are not thought worse than any field is.
    caps : (q,) float array
        Logarithm of the largest dispersion of a group, for each common level.
    kernels : (a, q, q) float array
        Weights of the dispersions of groups (columns) about a common level (rows), for each
        scatter.
    """

    grid: FloatArray
    slopes: FloatArray
    slope_weights: FloatArray
    most: float
    kernels: FloatArray = field(init=False)
    caps: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        most = float(np.log(self.most))
        caps = np.where(self.grid > most, self.grid[-1], most)
        object.__setattr__(self, "caps", caps)
        kernels = np.stack([_kernel(self.grid, float(scatter)) for scatter in SCATTERS])
        object.__setattr__(self, "kernels", kernels)

    @property
    def step(self) -> float:
        """Distance between nodes of the grid."""
        return float(self.grid[1] - self.grid[0])


def _kernel(grid: FloatArray, scatter: float) -> FloatArray:
    if scatter == 0.0:
        return np.eye(grid.size)
    apart = (grid[:, None] - grid[None, :]) / scatter
    weights = np.exp(-0.5 * apart**2)
    scaled: FloatArray = weights / weights.sum(axis=1, keepdims=True)
    return scaled


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Component:
    """Levels and scatters of the dispersion under one trend.

    Attributes
    ----------
    slope : float
        Power of the mean along which the dispersion moves.
    cap : float
        Logarithm of the largest dispersion of a group.
    nodes : (j,) float array
        Logarithms of dispersions, ascending.
    levels : (c,) float array
        Logarithms of the common level, of pairs of level and scatter.
    weights : (c,) float array
        Of these pairs; over all components they sum to 1.
    of_nodes : (t, c, j) float array
        Weights of the nodes for each group, given level and scatter.
    """

    slope: float
    cap: float
    nodes: FloatArray
    levels: FloatArray
    weights: FloatArray
    of_nodes: FloatArray

    @property
    def weight_of_nodes(self) -> FloatArray:
        """Most that a node weighs for any group, (j,)."""
        found: FloatArray = (self.weights[:, None] * self.of_nodes).sum(axis=1).max(axis=0)
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class DispersionPosterior:
    """Weights over trend, scatter and level, and the likelihoods behind them.

    Attributes
    ----------
    prior : Prior
    offset : (t, d) float array
        Log mean of each group and day less the average; the trend turns about it.
    likelihood : (s, q, t) float array
        Of each group on the grid, over all days, for each trend.
    weights : (s, a, q) float array
        Posterior weights of trend, scatter and level; they sum to 1.
    """

    prior: Prior
    offset: FloatArray
    likelihood: FloatArray
    weights: FloatArray

    @property
    def level(self) -> float:
        """Geometric mean of the common level."""
        return float(np.exp(self.weights.sum(axis=(0, 1)) @ self.prior.grid))

    @property
    def differing(self) -> float:
        """Posterior weight of dispersions that differ between groups beyond the trend."""
        return float(self.weights[:, SCATTERS > 0.0].sum())

    @property
    def df(self) -> float:
        """Degrees of freedom of a chi-square whose logarithm varies as the level does."""
        share = self.weights.sum(axis=(0, 1))
        centre = share @ self.prior.grid
        variance = float(share @ (self.prior.grid - centre) ** 2)
        return 2.0 / max(variance, 1e-6)

    def mean(self) -> FloatArray:
        """Mean of the dispersion of every group and day, (t, d)."""
        size = np.exp(self.prior.grid)
        # Of a group about each common level: its own likelihood has a say where groups scatter.
        own = np.einsum("aij,sjt->sait", self.prior.kernels, self.likelihood)
        about = np.einsum("aij,sjt->sait", self.prior.kernels * size, self.likelihood)
        of_trend = np.einsum("sai,sait->st", self.weights, about / np.maximum(own, _TINY))
        along = np.exp(self.prior.slopes * self.offset[:, :, None])
        found: FloatArray = np.einsum("st,tds->td", of_trend, along)
        return np.minimum(found, max(self.level, self.prior.most))

    @cached_property
    def components(self) -> tuple[Component, ...]:
        """What is averaged over, but for a hundred-thousandth of the weights; narrowest first."""
        return self._components(self.weights)

    @cached_property
    def main_components(self) -> tuple[Component, ...]:
        """`components` of the trends with more than a hundredth of the weight."""
        trend = self.weights.sum(axis=(1, 2))
        return self._components(np.where(trend[:, None, None] > _LITTLE, self.weights, 0.0))

    def _components(self, weights: FloatArray) -> tuple[Component, ...]:
        flat = np.sort(weights.ravel())
        least = flat[np.searchsorted(np.cumsum(flat), _FORGOTTEN)]
        kept = np.where(weights >= max(least, _TINY), weights, 0.0)
        kept /= kept.sum()
        found = [part for trend in range(len(kept)) for part in self._of_trend(trend, kept[trend])]
        return tuple(sorted(found, key=lambda part: float(part.nodes[0])))

    def _of_trend(self, trend: int, kept: FloatArray) -> Iterator[Component]:
        grid = self.prior.grid
        if not kept.any():
            return
        for cap in {float(cap) for cap in self.prior.caps[kept.any(axis=0)]}:
            scatter, level = np.nonzero(kept * (self.prior.caps == cap))
            own = self.prior.kernels[scatter, level]
            of_nodes = own * self.likelihood[trend].T[:, None, :]
            # Without scatter a group has the common level, whatever it says itself.
            of_nodes[:, SCATTERS[scatter] == 0.0] = own[SCATTERS[scatter] == 0.0]
            of_nodes /= of_nodes.sum(axis=2, keepdims=True)
            weights = kept[scatter, level]
            used = (weights[:, None] * of_nodes).sum(axis=1).max(axis=0) > _FORGOTTEN
            used[level] = True
            of_nodes = of_nodes[:, :, used] / of_nodes[:, :, used].sum(axis=2, keepdims=True)
            yield Component(
                slope=float(self.prior.slopes[trend]),
                cap=cap,
                nodes=grid[used],
                levels=grid[level],
                weights=weights,
                of_nodes=of_nodes,
            )


def weigh(
    log_likelihood: FloatArray,
    offset: FloatArray,
    floors: FloatArray,
    prior: Prior,
    *,
    temper: float = 1.0,
) -> DispersionPosterior:
    """Weigh trend, scatter and level by the data.

    Parameters
    ----------
    log_likelihood : (q, t, d) float array
        Of the dispersion of each group and day on the grid; constant where it says nothing.
    offset : (t, d) float array
        Log mean of each group and day less the average over all.
    floors : (s,) float array
        Logarithm of the level, for each trend, below which dispersion cannot be told from none:
        the flat prior of the level starts there.
    prior : Prior
    temper : float
        Power of the likelihood, below 1 where plots tell in part the same on several days.
    """
    centred = temper * (log_likelihood - log_likelihood.max(axis=0))
    together = np.stack(
        [_shifted(centred, c * offset, prior.step).sum(axis=2) for c in prior.slopes]
    )
    likelihood = np.exp(together - together.max(axis=1, keepdims=True))
    smoothed = np.einsum("aij,sjt->sait", prior.kernels, likelihood)
    weight = np.log(np.maximum(smoothed, _TINY)).sum(axis=3)
    # What was taken off each trend is its own, and goes back before trends are weighed.
    weight += together.max(axis=1).sum(axis=1)[:, None, None]
    weight += np.log(prior.slope_weights)[:, None, None]
    weight += np.log(SCATTER_WEIGHTS)[None, :, None]
    closed = prior.grid[None, :] < np.minimum(floors, prior.grid[-2])[:, None]
    weight = np.where(closed[:, None, :], -np.inf, weight)
    scaled = np.exp(weight - weight.max())
    return DispersionPosterior(
        prior=prior, offset=offset, likelihood=likelihood, weights=scaled / scaled.sum()
    )


def _shifted(log_likelihood: FloatArray, shift: FloatArray, step: float) -> FloatArray:
    """Log-likelihood on the grid moved by ``shift`` (t, d), linear between nodes."""
    last = log_likelihood.shape[0] - 1
    place = np.arange(last + 1.0)[:, None, None] + shift[None] / step
    place = np.clip(place, 0.0, float(last))
    node = np.minimum(place.astype(np.intp), last - 1)
    part = place - node
    lower = np.take_along_axis(log_likelihood, node, axis=0)
    upper = np.take_along_axis(log_likelihood, node + 1, axis=0)
    value: FloatArray = lower * (1.0 - part) + upper * part
    return value
