"""Analysis of covariance: treatments adjusted for what the plots carried before treatment.

Source: Cochran WG 1957, Biometrics 13:261-281 (reference from memory). The test of treatments is
adjusted for the covariate; entering treatments first and the covariate after them, as a
sequential table does, tests something else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import FloatArray, IntArray, Layout
from trialkit.inference.fit import Term, tested
from trialkit.inference.normal.linear import LinearFit, fit_layout

# Share of the covariate's variation that must be left inside blocks and treatments.
_NO_VARIATION = 1e-12
# Relative eigenvalue below which a treatment's own slope is not to be told from the others.
_DEPENDENT = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CovariateFit:
    """Covariance analysis of all responses that have the same plots missing.

    ``t`` treatments, ``k`` responses, ``n_used`` plots.

    Attributes
    ----------
    columns, plots : int array
        As in `LinearFit`.
    terms : tuple of Term
        Blocking sources in sequence, ``covariate`` adjusted for blocks and treatments,
        ``treatment`` adjusted for blocks and covariate, ``error``.
    df_error : int
    ms_error : (k,) array
    slope, slope_se : (k,) array
        Change of the response with one unit of the covariate, within blocks and treatments. NaN,
        as all that rests on it, where the covariate does not vary there.
    at : float
        Value of the covariate at which means are compared: its mean over the plots used.
    n : (t,) int array
    raw_means, means : (t, k) array
        Arithmetic and adjusted means.
    unit_cov : (t, t) array
        Covariance of ``means`` is ``ms_error * unit_cov``.
    unadjusted : LinearFit
        The same plots without the covariate.
    slopes : (t, k) array
        A slope for each treatment; NaN where its plots do not tell.
    slopes_df : int
    slopes_f, slopes_p : (k,) array
        Test that all treatments have one slope, against what is left with one slope each.
    residuals : (n_used, k) array
    precision : (k,) array
        Variance of a difference without the covariate over that with it, on average.
    """

    columns: IntArray
    plots: IntArray
    terms: tuple[Term, ...]
    df_error: int
    ms_error: FloatArray
    slope: FloatArray
    slope_se: FloatArray
    at: float
    n: IntArray
    raw_means: FloatArray
    means: FloatArray
    unit_cov: FloatArray
    unadjusted: LinearFit
    slopes: FloatArray
    slopes_df: int
    slopes_f: FloatArray
    slopes_p: FloatArray
    residuals: FloatArray
    precision: FloatArray

    @property
    def treatment(self) -> Term:
        """The line of the treatments, adjusted for the covariate."""
        return self.terms[-2]

    @property
    def se(self) -> FloatArray:
        """Standard errors (t, k) of the adjusted means."""
        return np.asarray(np.sqrt(np.outer(np.diagonal(self.unit_cov), self.ms_error)))


def fit_covariate(
    layout: Layout, responses: FloatArray, covariate: FloatArray
) -> tuple[CovariateFit, ...]:
    """Adjust many responses for one covariate, such as the count before treatment.

    Parameters
    ----------
    layout : Layout
    responses : (n,) or (n, m) array
        NaN where a plot is missing.
    covariate : (n,) array
        On the scale on which the responses are analysed; plots where it is NaN are left out.

    Returns
    -------
    tuple of CovariateFit
        One for each set of missing plots.

    Raises
    ------
    ValueError
        Lengths that differ, or an infinite value.
    """
    y = np.asarray(responses, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    x = np.asarray(covariate, dtype=np.float64)
    if x.shape != (layout.n_plots,) or np.isinf(x).any():
        raise ValueError("the covariate must have one finite value, or NaN, for each plot")
    if y.ndim == 2 and y.shape[0] == layout.n_plots:
        y = np.where(np.isnan(x)[:, None], np.nan, y)
    return tuple(_adjust(layout, fit, y, x) for fit in fit_layout(layout, y))


def _adjust(layout: Layout, fit: LinearFit, y: FloatArray, x: FloatArray) -> CovariateFit:
    plots, k = fit.plots, fit.columns.size
    part = Layout(
        treatment=layout.treatment[plots],
        n_treatments=layout.n_treatments,
        blocking=tuple((name, codes[plots]) for name, codes in layout.blocking),
    )
    x_used = x[plots]
    # The covariate, and that of each treatment alone, in one fit.
    middle = x_used.sum() / max(x_used.size, 1)
    own = indicator(part.treatment, part.n_treatments) * (x_used - middle)[:, None]
    x_fit = fit_layout(part, np.column_stack([x_used, own]))[0]
    at = float(x_fit.grand_mean[0])
    ex = x_fit.residuals[:, 0]
    exx = float(ex @ ex)
    if exx <= _NO_VARIATION * max(float(((x_used - at) ** 2).sum()), np.finfo(float).tiny):
        ex, exx = np.full_like(ex, np.nan), float("nan")
    slope = ex @ fit.residuals / exx
    rest = fit.residuals - np.outer(ex, slope)
    without = np.full(k, np.nan)
    if np.isfinite(exx):
        without = _without_treatments(part, x_used, y[np.ix_(plots, fit.columns)])
    lines = _lines(fit, slope**2 * exx, (rest**2).sum(axis=0), without)
    df_error = max(fit.df_error - 1, 0)
    ms_error = lines[-1].mean_sq
    gap = x_fit.means[:, 0] - at
    unit_cov = fit.unit_cov + np.outer(gap, gap) / exx
    slopes, slopes_df, slopes_f = _own_slopes(x_fit.residuals[:, 1:], rest, df_error)
    df_slopes = df_error - slopes_df
    gained = _mean_over_pairs(fit.unit_cov) / _mean_over_pairs(unit_cov)
    with np.errstate(invalid="ignore", divide="ignore"):
        precision = gained * fit.ms_error / np.where(ms_error > 0, ms_error, np.nan)
    return CovariateFit(
        columns=fit.columns,
        plots=plots,
        terms=lines,
        df_error=df_error,
        ms_error=ms_error,
        slope=slope,
        slope_se=np.sqrt(ms_error / exx),
        at=at,
        n=fit.n,
        raw_means=fit.raw_means,
        means=fit.means - np.outer(gap, slope),
        unit_cov=unit_cov,
        unadjusted=fit,
        slopes=slopes + slope,
        slopes_df=slopes_df,
        slopes_f=slopes_f,
        slopes_p=np.asarray(special.fdtrc(max(slopes_df, 1), max(df_slopes, 1), slopes_f)),
        residuals=rest,
        precision=precision,
    )


def _without_treatments(layout: Layout, x: FloatArray, y: FloatArray) -> FloatArray:
    """Sums of squares (k,) that blocking and covariate leave, with no treatments in the model."""
    groups_only = Layout(
        treatment=np.zeros_like(layout.treatment), n_treatments=1, blocking=layout.blocking
    )
    rest = fit_layout(groups_only, np.column_stack([x, y]))[0].residuals
    sx, sy = rest[:, 0], rest[:, 1:]
    return np.asarray(((sy - np.outer(sx, (sx @ sy) / (sx @ sx))) ** 2).sum(axis=0))


def _lines(
    fit: LinearFit, covariate: FloatArray, sum_sq: FloatArray, without: FloatArray
) -> tuple[Term, ...]:
    """Blocking as it was, covariate and treatments each adjusted for the other, error."""
    df_error = max(fit.df_error - 1, 0)
    ms_error = sum_sq / df_error if df_error else np.full(sum_sq.shape, np.nan)
    # A response that varies by rounding only has no error to test against.
    ms_error = np.where((fit.ms_error == 0) & ~np.isnan(ms_error), 0.0, ms_error)
    error = ("error", df_error, ms_error)
    return (
        *(tested(t.source, float(t.df), t.sum_sq, error) for t in fit.terms[:-2]),
        tested("covariate", 1, covariate, error),
        tested("treatment", fit.df_treatment, np.maximum(without - sum_sq, 0.0), error),
        replace(tested("error", df_error, sum_sq), mean_sq=ms_error),
    )


def _mean_over_pairs(unit_cov: FloatArray) -> float:
    """Mean variance of the differences of all pairs of known means, for an error of 1."""
    known = ~np.isnan(np.diagonal(unit_cov))
    inside, t = unit_cov[np.ix_(known, known)], int(known.sum())
    if t < 2:
        return float("nan")
    return float(2.0 * (t * np.trace(inside) - inside.sum()) / (t * (t - 1)))


def _own_slopes(
    own: FloatArray, rest: FloatArray, df_error: int
) -> tuple[FloatArray, int, FloatArray]:
    """Departures (t, k) of each treatment's slope from the common one, their df and F (k,).

    ``own`` is the covariate of each treatment alone, freed of blocks and treatments: their sum is
    that of all plots, to which ``rest``, what one common slope leaves of the responses, is
    orthogonal.
    """
    t, k = own.shape[1], rest.shape[1]
    departures, undefined = np.full((t, k), np.nan), np.full(k, np.nan)
    if np.isnan(rest).any():
        return departures, 0, undefined
    gram = own.T @ own
    values, vectors = np.linalg.eigh(gram)
    kept = values > _DEPENDENT * values[-1]
    inverse = (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
    departures = inverse @ (own.T @ rest)
    blind = np.abs(np.eye(t) - inverse @ gram).max(axis=1) > np.sqrt(_DEPENDENT)
    departures[blind] = np.nan
    df = int(kept.sum()) - 1
    df_left = df_error - df
    if df < 1 or df_left < 1:
        return departures, max(df, 0), undefined
    explained = np.einsum("ik,ij,jk->k", own.T @ rest, inverse, own.T @ rest)
    left = (rest**2).sum(axis=0) - explained
    left = np.where(left > _DEPENDENT * (rest**2).sum(axis=0), left, np.nan)
    return departures, df, (explained / df) / (left / df_left)
