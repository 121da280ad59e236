"""The dispersion of counts: how much more than the mean plots of one treatment vary.

Variance of a plot: ``mean + dispersion * mean**2``, as under the negative binomial with
aggregation ``k = 1 / dispersion``. Three rules: Pearson chi-square equal to its degrees of
freedom (moments), maximum likelihood, and the adjusted profile likelihood of Cox and Reid
(1987, J. R. Stat. Soc. B 49:1-39, reference from memory), which allows for the parameters that
were fitted and is nearly free of bias with four plots a treatment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray
from trialkit.inference.glm.weighted_fit import (
    Effects,
    Scaffold,
    WorkingFit,
    information,
    live_plots,
    log_newton,
    log_start,
    log_working,
    regular,
    scaffold,
    steps,
)

DispersionRule = Literal["likelihood", "adjusted"]

LARGEST = 30.0
_POISSON = 1e-9


def log_likelihood(counts: FloatArray, mean: FloatArray, dispersion: FloatArray) -> FloatArray:
    """Log-likelihood of each count, Poisson where the dispersion is 0.

    All arguments broadcast; counts need not be whole (means of samples in units of one
    individual), where the value is a pseudo-likelihood. A mean of 0 with a count of 0 gives 0.
    """
    positive = mean > 0.0
    safe = np.where(positive, mean, 1.0)
    spread = np.maximum(dispersion, _POISSON)
    k = 1.0 / spread
    factorial = special.gammaln(counts + 1.0)
    gamma = special.gammaln(counts + k) - special.gammaln(k) - factorial
    value: FloatArray = gamma - k * np.log1p(spread * safe) + counts * np.log(safe / (safe + k))
    crowded = dispersion > 10.0 * _POISSON
    if not np.all(crowded):
        value = np.where(crowded, value, counts * np.log(safe) - safe - factorial)
    if np.all(positive):
        return value
    return np.where(positive, value, np.where(counts > 0.0, -np.inf, 0.0))


def deviance(counts: FloatArray, mean: FloatArray, dispersion: FloatArray) -> FloatArray:
    """Deviance of each count at a given dispersion; 0 where count and mean are 0."""
    positive = mean > 0.0
    safe = np.where(positive, mean, 1.0)
    ratio = np.where(counts > 0.0, counts, 1.0) / np.where(counts > 0.0, safe, 1.0)
    first = counts * np.log(ratio)
    spread = np.maximum(dispersion, _POISSON)
    crowded = (counts + 1.0 / spread) * np.log((1.0 + spread * counts) / (1.0 + spread * safe))
    value = 2.0 * (first - np.where(dispersion > 10.0 * _POISSON, crowded, counts - safe))
    return np.where(positive, np.maximum(value, 0.0), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """The parts of a fit that stay the same while the dispersion moves."""

    model: Effects
    frame: Scaffold
    present: BoolArray
    live: BoolArray
    counts: FloatArray
    start: FloatArray

    @property
    def df_error(self) -> FloatArray:
        """Live plots less parameters, (m,)."""
        df: FloatArray = (self.live.sum(axis=0) - self.frame.rank).astype(np.float64)
        return df

    def repeated(self, times: int) -> Problem:
        """The same responses several times over, side by side, for several dispersions."""
        return Problem(
            model=self.model,
            frame=self.frame.repeated(times),
            present=np.tile(self.present, times),
            live=np.tile(self.live, times),
            counts=np.tile(self.counts, times),
            start=np.tile(self.start, times),
        )


def pose(model: Effects, counts: FloatArray) -> Problem:
    """Put a fit together: live plots, redundancies, and a start from products of level means.

    Parameters
    ----------
    model : Effects
    counts : (n, m) float array
        NaN where missing.
    """
    present: BoolArray = ~np.isnan(counts)
    live = live_plots(model, counts)
    filled = np.where(live, counts, 0.0)
    return Problem(
        model=model,
        frame=scaffold(model, live),
        present=present,
        live=live,
        counts=filled,
        start=log_start(model, filled, live),
    )


def adjustment(problem: Problem, weights: FloatArray) -> FloatArray:
    """Half the log determinant of the information, up to a constant of each response, (m,)."""
    matrix, factor = regular(problem.frame, information(problem.model, weights))
    redundant = problem.frame.live_columns.sum(axis=1) - problem.frame.rank
    half: FloatArray = 0.5 * (np.linalg.slogdet(matrix)[1] - redundant * np.log(factor))
    return half


def settle(
    problem: Problem,
    dispersion: FloatArray,
    start: FloatArray,
    *,
    scoring: int = 4,
    newton: int = 60,
    tolerance: float = 1e-10,
) -> WorkingFit:
    """Fit means at a given dispersion: a few steps of scoring, then Newton's.

    The weights of the fit are the expected ones.
    """
    model, frame, live = problem.model, problem.frame, problem.live
    expected = log_working(problem.counts, dispersion)
    if scoring:
        start, _, _ = steps(model, frame, live, start, expected, iterations=scoring)
    observed = log_newton(problem.counts, dispersion)
    predictor, coefficients, converged = steps(
        model, frame, live, start, observed, iterations=newton, tolerance=tolerance
    )
    weights, _ = expected(predictor)
    return WorkingFit(
        predictor=predictor,
        coefficients=coefficients,
        weights=np.where(live, weights, 0.0),
        converged=converged,
    )
