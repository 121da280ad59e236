"""How far the dispersion is known: shared between groups as far as the data let it be.

With four plots a group no group can tell its own dispersion, and a common one is wrong when
groups differ. The dispersion of a group is therefore taken as a common level, moved along a
trend with the mean (0 is the negative binomial, -1 a variance proportional to the mean, as
Taylor's power law with slopes from 2 down to 1), and scattered about it by a standard
deviation ``tau`` on the log scale. Level, trend and scatter are averaged over on grids, under
weak priors: flat in the log of the level, the others in ``Prior``. What comes out for a ratio
of two groups is a best dispersion for each, a stretch and degrees of freedom for Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from trialkit.inference.layouts import FloatArray

_TINY = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prior:
    """Grids of the dispersion and the weights of trend and scatter.

    Attributes
    ----------
    grid : (q,) float array
        Logarithms of dispersions, evenly spaced.
    slopes, slope_weights : (s,) float arrays
        Powers of the group mean along which the dispersion moves.
    scatters, scatter_weights : (a,) float arrays
        Standard deviations of the log dispersion of a group about the trend.
    """

    grid: FloatArray
    slopes: FloatArray
    slope_weights: FloatArray
    scatters: FloatArray
    scatter_weights: FloatArray
    kernels: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        kernels = np.stack([_kernel(self.grid, float(tau)) for tau in self.scatters])
        object.__setattr__(self, "kernels", kernels)


def _kernel(grid: FloatArray, tau: float) -> FloatArray:
    """Weights of group dispersions (columns) about a common level (rows)."""
    if tau == 0.0:
        return np.eye(grid.size)
    apart = (grid[:, None] - grid[None, :]) / tau
    weights: FloatArray = np.exp(-0.5 * apart**2)
    scaled: FloatArray = weights / weights.sum(axis=1, keepdims=True)
    return scaled


def _shifted(log_likelihood: FloatArray, shift: FloatArray, step: float) -> FloatArray:
    """Log-likelihood on the grid moved by ``shift`` (t, m), linear between nodes."""
    size = log_likelihood.shape[0]
    position = np.arange(size).reshape(-1, 1, 1) + shift[None] / step
    position = np.clip(position, 0.0, size - 1.0)
    node = np.minimum(position.astype(np.intp), size - 2)
    part = position - node
    lower = np.take_along_axis(log_likelihood, node, axis=0)
    upper = np.take_along_axis(log_likelihood, node + 1, axis=0)
    value: FloatArray = lower * (1.0 - part) + upper * part
    return value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DispersionPosterior:
    """Weights over trend, scatter and level, and the likelihoods behind them.

    Attributes
    ----------
    prior : Prior
    offset : (t, m) float array
        Log mean of each group less the average; the trend turns about it.
    likelihood : (s, q, t, m) float array
        Of each group on the grid, moved by each trend.
    smoothed : (s, a, q, t, m) float array
        The same averaged over the scatter about each level.
    weights : (s, a, q, m) float array
        Posterior weights, summing to 1 for each response.
    """

    prior: Prior
    offset: FloatArray
    likelihood: FloatArray
    smoothed: FloatArray
    weights: FloatArray

    def log_dispersions(self, group: int) -> FloatArray:
        """Log dispersion of a group at each node under each trend, (s, q, m)."""
        trend = self.prior.slopes[:, None, None] * self.offset[group][None, None, :]
        moved: FloatArray = self.prior.grid[None, :, None] + trend
        return moved

    def pair(self, a: int, b: int) -> FloatArray:
        """Joint weights of the nodes of two different groups, (s, q, q, m)."""
        q = self.prior.grid.size
        kernels = self.prior.kernels.reshape(-1, q)
        products = (kernels[:, :, None] * kernels[:, None, :]).reshape(-1, q * q)
        joint = np.empty((self.weights.shape[0], q, q, self.weights.shape[3]))
        for s in range(joint.shape[0]):
            both = np.maximum(self.smoothed[s, :, :, a] * self.smoothed[s, :, :, b], _TINY)
            share = (self.weights[s] / both).reshape(products.shape[0], -1)
            mixed = (products.T @ share).reshape(q, q, -1)
            joint[s] = mixed * self.likelihood[s, :, None, a] * self.likelihood[s, None, :, b]
        total = np.maximum(joint.sum(axis=(0, 1, 2)), _TINY)
        scaled: FloatArray = joint / total
        return scaled

    def scatter(self) -> FloatArray:
        """Posterior weight of each scatter, (a, m)."""
        weight: FloatArray = self.weights.sum(axis=(0, 2))
        return weight

    def sample(self, response: int, size: int, generator: np.random.Generator) -> FloatArray:
        """Draw log dispersions of all groups for one response, (size, t)."""
        weights = self.weights[..., response]
        flat = generator.choice(weights.size, size=size, p=weights.ravel() / weights.sum())
        slope, scatter, level = np.unravel_index(flat, weights.shape)
        grid = self.prior.grid
        step = grid[1] - grid[0]
        groups = self.likelihood.shape[2]
        out = np.empty((size, groups))
        kernel = self.prior.kernels[scatter, level]
        for g in range(groups):
            chance = kernel * self.likelihood[slope, :, g, response]
            ladder = np.cumsum(chance, axis=1)
            ladder /= np.maximum(ladder[:, -1:], _TINY)
            node = (generator.random((size, 1)) > ladder).sum(axis=1).clip(0, grid.size - 1)
            blur = step * (generator.random(size) - 0.5)
            out[:, g] = grid[node] + blur + self.prior.slopes[slope] * self.offset[g, response]
        return out


def weigh(
    log_likelihood: FloatArray, offset: FloatArray, floor: FloatArray, prior: Prior
) -> DispersionPosterior:
    """Weigh trend, scatter and level by the data.

    Parameters
    ----------
    log_likelihood : (q, t, m) float array
        Of the dispersion of each group on the grid; constant where a group says nothing.
    offset : (t, m) float array
        Log mean of each group less the average over groups.
    floor : (m,) float array
        Logarithm of the level below which dispersions cannot be told from none: the flat
        prior of the level starts there.
    prior : Prior
    """
    step = float(prior.grid[1] - prior.grid[0])
    centred = log_likelihood - log_likelihood.max(axis=0)
    likelihood = np.stack([np.exp(_shifted(centred, c * offset, step)) for c in prior.slopes])
    smoothed = np.einsum("aij,sjtm->saitm", prior.kernels, likelihood)
    log_weight = np.log(np.maximum(smoothed, _TINY)).sum(axis=3)
    log_weight += np.log(prior.slope_weights)[:, None, None, None]
    log_weight += np.log(prior.scatter_weights)[None, :, None, None]
    open_level = prior.grid[:, None] >= np.minimum(floor, prior.grid[-1] - step)[None, :]
    log_weight = np.where(open_level[None, None], log_weight, -np.inf)
    weights = np.exp(log_weight - log_weight.max(axis=(0, 1, 2)))
    return DispersionPosterior(
        prior=prior,
        offset=offset,
        likelihood=likelihood,
        smoothed=smoothed,
        weights=weights / weights.sum(axis=(0, 1, 2)),
    )
