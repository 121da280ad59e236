"""How counts come about in a field: density, clumping, spread of plots and blocks; simulated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """How counts come about in a field.

    Attributes
    ----------
    density : float
        Mean of a sample in untreated plots, above 0.
    k : float
        Of the negative binomial within plots, above 0; infinite for Poisson.
    plot_cv, block_cv : float
        Spread of plots within blocks, and of blocks, in percent of the mean: standard deviation of
        a lognormal factor.
    unit_cv : float
        The same of main plots or strips, where the design has them.
    steady : float
        Percent of the variance of plots (on the log scale) that stays with a plot over the days;
        the rest is new on each day. Blocks, main plots and strips keep theirs.
    samples : int
        Counted in a plot.

    Examples
    --------
    >>> from trialkit.planning import Field
    >>> Field(density=20, k=2, plot_cv=30).steady
    100.0
    """

    density: float
    k: float = float("inf")
    plot_cv: float = 0.0
    block_cv: float = 0.0
    unit_cv: float = 0.0
    steady: float = 100.0
    samples: int = 1

    def faults(self) -> list[str]:
        """Say what of it cannot be."""
        found = []
        if not (np.isfinite(self.density) and self.density > 0):
            found.append("the density must be above 0")
        if not self.k > 0:
            found.append("k must be above 0")
        for name in ("plot_cv", "block_cv", "unit_cv"):
            if not 0 <= getattr(self, name) <= 500:
                found.append(f"{name} must be from 0 to 500 percent")
        if not 0 <= self.steady <= 100:
            found.append("steady must be from 0 to 100 percent")
        if self.samples < 1:
            found.append("there must be one sample or more")
        return found


def simulate_counts(
    means: FloatArray,
    groups: Sequence[IntArray],
    field: Field,
    number: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Simulate mean counts of plots.

    Parameters
    ----------
    means : (plots, days) array
        Expected count of a sample in each plot.
    groups : sequence of (plots,) int array
        Blocks first, from 0, then main plots or both kinds of strips where there are any.
    field : Field
    number : int
        Trials.
    rng : Generator

    Returns
    -------
    (plots, days, number) array
        Means of the samples of each plot.
    """
    plots, days = means.shape
    stays = field.steady / 100
    level = means[:, :, None] * _lognormal(
        rng, field.plot_cv, (plots, days, number), share=1 - stays
    )
    level *= _lognormal(rng, field.plot_cv, (plots, 1, number), share=stays)
    for place, codes in enumerate(groups):
        spread = field.unit_cv if place else field.block_cv
        level *= _lognormal(rng, spread, (int(codes.max()) + 1, 1, number))[codes]
    total = np.zeros(level.shape)
    for _ in range(field.samples):
        rate = level
        if np.isfinite(field.k):
            rate = level * rng.gamma(field.k, 1 / field.k, size=level.shape)
        total += rng.poisson(rate)
    return total / field.samples


def _lognormal(
    rng: np.random.Generator, cv: float, shape: tuple[int, ...], *, share: float = 1.0
) -> FloatArray:
    """Factors of mean 1 with a spread in percent, or with a share of its variance of logarithms."""
    variance = share * np.log1p((cv / 100) ** 2)
    factors: FloatArray = np.exp(rng.normal(size=shape) * np.sqrt(variance) - variance / 2)
    return factors
