"""Log-linear models of counts in designed experiments: Poisson, quasi-Poisson, negative binomial.

Each treatment multiplies the mean, each block (row, column) does too. All responses of an
experiment are fitted at once, each with its own missing plots. A treatment whose plots are all
zero has the fitted mean 0 and leaves the fit of the others as it was. The likelihood has no
standard error for it; its limit, and those of all others, are in ``count_limits``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from trialkit.inference.design.layout import BoolArray, FloatArray, Layout
from trialkit.inference.fit import Contrasts, contrasts_of
from trialkit.inference.glm.deviance import DevianceLine, deviance_lines
from trialkit.inference.glm.dispersion import (
    DispersionRule,
    Problem,
    deviance,
    log_likelihood,
    pose,
    settle,
)
from trialkit.inference.glm.dispersion_likelihood import by_likelihood
from trialkit.inference.glm.weighted_fit import (
    WorkingFit,
    effects,
    information,
    regular,
    scaffold,
)

Family = Literal["poisson", "quasi-poisson", "negative-binomial"]
# Pearson chi-square for each individual counted below which a fit is exact but for rounding.
_EXACT: Final = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountFit:
    """Count models of m responses on one layout of n plots and t treatments.

    Attributes
    ----------
    family : str
    dispersion : (m,) float array
        Of the negative binomial, ``1 / k``; 0 is Poisson.
    k : (m,) float array
        Aggregation, ``1 / dispersion``; NaN where the dispersion is 0.
    scale : (m,) float array
        Factor on the variance: Pearson chi-square over its degrees of freedom for
        quasi-Poisson, else 1.
    df_error : (m,) float array
        Plots that bear on the fit less parameters.
    means : (t, m) float array
        Fitted means, averaged over the blocking levels with equal weight: as counted, 0 for
        treatments of zeros, NaN for those without a plot. Under the negative binomial they lie
        too high where plots are much aggregated (by half and more at ``k = 0.3`` in four
        blocks); the means of ``count_limits`` do not.
    log_means : (t, m) float array
        Natural logarithms of the (geometric) means over blocking levels; NaN where the mean
        is 0 or unknown.
    log_covariance : (m, t, t) float array
        Covariance of ``log_means``, the scale included; NaN rows where they are NaN.
    levels : (n, m) float array
        How rich the blocks of a plot are: the mean of a plot is that of its treatment times
        this. 0 in blocks of zeros, NaN where missing.
    fitted : (n, m) float array
        NaN where missing.
    deviance, pearson, log_likelihood : (m,) float arrays
    lines : tuple of DevianceLine
    converged : (m,) bool array
    unit : (m,) float array
        What one individual adds to a value.
    counts : (n, m) float array
        As given.
    unit_variance : (t, m) float array
        Variance of a least-squares mean over that of a plot: one over the plots of a treatment
        unless some are missing. NaN where the mean is not estimable.
    estimated : bool
        Whether a dispersion was estimated.
    """

    family: Family
    dispersion: FloatArray
    scale: FloatArray
    df_error: FloatArray
    means: FloatArray
    log_means: FloatArray
    log_covariance: FloatArray
    levels: FloatArray
    fitted: FloatArray
    deviance: FloatArray
    pearson: FloatArray
    log_likelihood: FloatArray
    lines: tuple[DevianceLine, ...]
    converged: BoolArray
    unit: FloatArray
    counts: FloatArray
    unit_variance: FloatArray
    estimated: bool

    @property
    def k(self) -> FloatArray:
        """Aggregation parameter of the negative binomial."""
        some = self.dispersion > 0.0
        return np.where(some, 1.0 / np.where(some, self.dispersion, 1.0), np.nan)

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, t) of the logarithms of means."""
        return contrasts_of(rows, self.log_means, self.log_covariance, self.df_error)


def fit_counts(
    layout: Layout,
    counts: FloatArray,
    *,
    family: Family = "negative-binomial",
    rule: DispersionRule = "adjusted",
    dispersion: float | FloatArray | None = None,
    unit: float | FloatArray = 1.0,
) -> CountFit:
    """Fit a log-linear model to every response.

    Parameters
    ----------
    layout : Layout
    counts : (n,) or (n, m) float array
        Counts or means of counts, not negative; NaN where a plot is missing.
    family : {"negative-binomial", "quasi-poisson", "poisson"}
    rule : {"adjusted", "likelihood"}
        How the dispersion of the negative binomial is estimated.
    dispersion : float or (m,) float array, optional
        A known dispersion; nothing is estimated.
    unit : float or (m,) float array
        What one individual adds to a value: 1 for counts, ``1 / s`` for means of s samples.

    Raises
    ------
    ValueError
        When counts are negative or do not fit the layout, or the unit is not positive.
    """
    values = np.asarray(counts, dtype=np.float64)
    values = values[:, None] if values.ndim == 1 else values
    if values.shape[0] != layout.n_plots:
        raise ValueError("there must be one row of counts for each plot")
    if np.any(values < 0.0):
        raise ValueError("counts cannot be negative")
    unit = np.broadcast_to(np.asarray(unit, dtype=np.float64), values.shape[1:])
    if not np.all(unit > 0.0):
        raise ValueError("the unit must be positive")
    scaled = values / unit
    problem = pose(effects(layout), scaled)
    live, df_error = problem.live, problem.df_error
    theta, start = _dispersion(problem, family, rule, dispersion)
    fit = settle(problem, theta, start, scoring=4 if start is problem.start else 0)
    mean = np.where(live, np.exp(fit.predictor), 0.0)
    variance = np.where(live, mean + theta * mean**2, 1.0)
    residual = np.where(live, (problem.counts - mean) / np.sqrt(variance), 0.0)
    pearson = (residual**2).sum(axis=0)
    # A fit that is exact but for rounding has no scale.
    some = (df_error > 0.0) & (pearson > _EXACT * np.where(live, problem.counts, 0.0).sum(axis=0))
    scale = np.ones(theta.shape)
    if family == "quasi-poisson":
        scale = np.where(some, pearson / np.where(some, df_error, 1.0), np.nan)
    present = problem.present
    means, log_means, covariance, levels = _means(layout, problem, fit, scale)
    estimated = family == "negative-binomial" and dispersion is None
    left = deviance(problem.counts, mean, theta).sum(axis=0)
    return CountFit(
        family=family,
        dispersion=theta,
        scale=scale,
        df_error=df_error,
        means=means * unit,
        log_means=log_means + np.log(unit),
        log_covariance=covariance,
        levels=np.where(present, levels, np.nan),
        fitted=np.where(present, mean * unit, np.nan),
        deviance=left,
        pearson=pearson,
        log_likelihood=np.where(live, log_likelihood(problem.counts, mean, theta), 0.0).sum(axis=0),
        lines=deviance_lines(layout, problem, theta, scale, left, corrected=estimated),
        converged=fit.converged,
        unit=unit,
        counts=values,
        unit_variance=_unit_variance(layout, problem),
        estimated=estimated,
    )


def _dispersion(
    problem: Problem,
    family: Family,
    rule: DispersionRule,
    known: float | FloatArray | None,
) -> tuple[FloatArray, FloatArray]:
    """Dispersion of each response, and where to start the fit at it."""
    size, start = problem.live.shape[1], problem.start
    if family != "negative-binomial":
        return np.zeros(size), start
    if known is not None:
        return np.broadcast_to(np.asarray(known, dtype=np.float64), (size,)).copy(), start
    return by_likelihood(problem, adjusted=rule == "adjusted")


def _means(
    layout: Layout, problem: Problem, fit: WorkingFit, scale: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    model, frame, present = problem.model, problem.frame, problem.present
    size, t = problem.live.shape[1], layout.n_treatments
    contrast = np.zeros((size, t, model.n_columns))
    contrast[:, np.arange(t), np.arange(t)] = 1.0
    spread = np.ones(size)
    levels = np.ones(present.shape)
    for _, first, after in model.sources[1:]:
        share = frame.live_columns[:, first:after].astype(float)
        share /= np.maximum(share.sum(axis=1, keepdims=True), 1.0)
        contrast[:, :, first:after] = share[:, None, :]
        # From the geometric to the arithmetic mean over the levels of a factor. Levels that
        # are all zero count with their zeros.
        part = np.where(share > 0.0, fit.coefficients[:, first:after], 0.0)
        middle = (share * part).sum(axis=1)
        number = _present_levels(model.columns[:, first:after], present)
        rich = np.where(share > 0.0, np.exp(part - middle[:, None]), 0.0)
        levels *= model.columns[:, first:after] @ rich.T
        live_levels = np.maximum((share > 0.0).sum(axis=1), 1)
        raised = (share * rich).sum(axis=1)
        spread *= raised * live_levels / np.maximum(number, 1)
    log_means = np.einsum("mtp,mp->tm", contrast, fit.coefficients)
    matrix, _ = regular(frame, information(model, fit.weights))
    half = np.linalg.solve(matrix, contrast.transpose(0, 2, 1))
    covariance = np.einsum("mtp,mpu->mtu", contrast, half) * scale[:, None, None]
    plots = model.columns[:, :t].T @ present.astype(float)
    live = frame.live_columns[:, :t].T
    # Where missing plots cut the layout in parts, there is no mean over all blocks.
    known = np.abs(np.einsum("mtp,mqp->tmq", contrast, frame.null)).max(axis=2) < 1e-7
    zero = np.where((plots > 0.0) & ~live, 0.0, np.nan)
    live = live & known
    means = np.where(live, np.exp(log_means) * spread, zero)
    covariance = np.where(live.T[:, :, None] & live.T[:, None, :], covariance, np.nan)
    return means, np.where(live, log_means, np.nan), covariance, levels / np.maximum(spread, 1e-300)


def _present_levels(columns: FloatArray, present: BoolArray) -> FloatArray:
    counts: FloatArray = (columns.T @ present.astype(float) > 0.0).sum(axis=0).astype(float)
    return counts


def _unit_variance(layout: Layout, problem: Problem) -> FloatArray:
    """Variance of least-squares means over the error variance, (t, m)."""
    model, t, present = problem.model, layout.n_treatments, problem.present
    plain = present[:, :1] if present.all() else present
    frame = scaffold(model, plain)
    size = plain.shape[1]
    contrast = np.zeros((size, t, model.n_columns))
    contrast[:, np.arange(t), np.arange(t)] = 1.0
    for _, first, after in model.sources[1:]:
        share = frame.live_columns[:, first:after].astype(float)
        contrast[:, :, first:after] = share[:, None, :] / np.maximum(
            share.sum(axis=1)[:, None, None], 1.0
        )
    matrix, _ = regular(frame, information(model, plain.astype(float)))
    half = np.linalg.solve(matrix, contrast.transpose(0, 2, 1))
    variance = np.einsum("mtp,mpt->tm", contrast, half)
    known = np.abs(np.einsum("mtp,mqp->tmq", contrast, frame.null)).max(axis=2) < 1e-7
    known &= frame.live_columns[:, :t].T
    found: FloatArray = np.broadcast_to(np.where(known, variance, np.nan), (t, present.shape[1]))
    return found
