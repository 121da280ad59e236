"""Comparisons where treatments differ in variance, the evidence for it pooled over days.

The variance of each treatment, relative to that of the day, is taken to be the same on all days: a
day by itself, with three degrees of freedom for a treatment, could not tell it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import Comparisons, compare_pairs
from trialkit.inference.design.bases import design_of
from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.normal.linear import LinearFit, fit_layout

#: A treatment is never taken to vary less than this part of the mean variance.
LEAST_SHARE = 0.05
#: Draws behind the test that all treatments vary alike.
DRAWS = 499
#: A mean square below this is rounding alone: residuals are scaled to variances of 1.
TINY = 1e-20
#: Weights of all pairs of many treatments at once would fill the memory.
_PAIRS_AT_ONCE = 1024


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TreatmentVariances:
    """How much each treatment varies, over all days of a variable.

    Attributes
    ----------
    share : (t,) array
        Variance of each treatment over the mean of them all; NaN where it can't be told.
    df : (t,) array
        Degrees of freedom behind it; days of the same plots count for less than days of others.
    F, p : float
        Test that all are alike: that of Levene, on the size of the residuals of each plot over
        the days together, so that plots are the units; p by drawn residuals. NaN where there is
        none.
    """

    share: FloatArray
    df: FloatArray
    F: float
    p: float


def treatment_variances(layout: Layout, responses: FloatArray) -> TreatmentVariances:
    """Estimate the variances of treatments from all days of one variable.

    Parameters
    ----------
    layout : Layout
        With one error.
    responses : (n, d) array
        One column a day, on the scale of analysis; NaN where a plot was not assessed.

    Notes
    -----
    Residuals e of least squares have E(e_i^2) = sum over j of M_ij^2 v_j, with M the projection on
    what the model leaves; solved for the v of treatments this is, in complete blocks, the estimate
    of Grubbs FE 1948, JASA 43:243-264, and Russell TS & Bradley RA 1958, Biometrika 45:111-129
    (references from memory).
    """
    y = np.asarray(responses, dtype=np.float64)
    t, d = layout.n_treatments, y.shape[1]
    shares, scaled = np.full((t, d), np.nan), np.full(y.shape, np.nan)
    for fit in fit_layout(layout, y):
        usable = np.flatnonzero(fit.ms_error > 0)
        if not usable.size:
            continue
        columns, spread = fit.columns[usable], np.sqrt(fit.ms_error[usable])
        residuals = fit.residuals[:, usable] / spread
        scaled[np.ix_(fit.plots, columns)] = residuals
        member = design_of(layout, fit.plots).dummies
        moments = member.T @ _left_over(layout, fit) ** 2 @ member
        seen = fit.n > 1
        if seen.sum() > 2 and np.linalg.cond(moments[np.ix_(seen, seen)]) < 1e8:
            found = np.linalg.solve(moments[np.ix_(seen, seen)], (member.T @ residuals**2)[seen])
            shares[np.ix_(seen, columns)] = found
    known = np.isfinite(shares)
    number = known.sum(axis=1)
    share = np.where(known, shares, 0.0).sum(axis=1) / np.where(number > 0, number, np.nan)
    share = np.maximum(share / np.nanmean(share) if number.any() else share, LEAST_SHARE)
    plots = np.array([(layout.treatment == code).sum() for code in range(t)])
    df = (plots - 1.0) * _days_worth(scaled, number)
    F, p = _levene(layout, scaled)
    return TreatmentVariances(share=share, df=np.where(number > 0, df, np.nan), F=F, p=p)


def compare_unequal(
    layout: Layout,
    responses: FloatArray,
    variances: TreatmentVariances,
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
) -> Comparisons:
    """Compare treatments on each day with variances of their own.

    Parameters
    ----------
    layout, responses
        As for `treatment_variances`.
    variances : TreatmentVariances
    method, alpha, control
        As for `compare`; LSD is not protected by an F, which takes variances for equal.

    Returns
    -------
    Comparisons
        Least-squares means as elsewhere; each pair has its own standard error, and degrees of
        freedom after Satterthwaite, over the error of the day and both shares.
    """
    y = np.asarray(responses, dtype=np.float64)
    t, k = layout.n_treatments, y.shape[1]
    pairs = t * (t - 1) // 2
    means = np.full((t, k), np.nan)
    se, df = np.full((pairs, k), np.nan), np.full((pairs, k), np.nan)
    for fit in fit_layout(layout, y):
        if fit.df_error <= 0:
            continue
        own = np.nan_to_num(variances.share, nan=1.0)[layout.treatment[fit.plots]]
        left = _left_over(layout, fit)
        weighted = left * own
        worth = float(np.trace(weighted))
        scale = (fit.residuals**2).sum(axis=0) / worth
        df_scale = worth**2 / float((weighted * weighted.T).sum())
        parts = _parts_of_pairs(layout, fit, variances)
        total = parts.sum(axis=1)
        shaky = (parts**2 / np.where(variances.df > 0, variances.df, np.nan)).sum(axis=1)
        means[:, fit.columns] = fit.means
        with np.errstate(invalid="ignore", divide="ignore"):
            se[:, fit.columns] = np.sqrt(np.outer(total, scale))
            df[:, fit.columns] = (1.0 / (1.0 / df_scale + shaky / total**2))[:, None]
    sure = np.zeros(k)
    return compare_pairs(means, (se, df), method, alpha=alpha, control=control, overall_p=sure)


def _left_over(layout: Layout, fit: LinearFit) -> FloatArray:
    """Projection (n_used, n_used) on what the model leaves."""
    basis = design_of(layout, fit.plots).basis
    return np.asarray(np.eye(len(basis)) - basis @ basis.T)


def _parts_of_pairs(layout: Layout, fit: LinearFit, variances: TreatmentVariances) -> FloatArray:
    """What each treatment adds (p, t) to the variance of each difference, error of the day 1."""
    design = design_of(layout, fit.plots)
    weights = design.weights
    if weights is None:
        weights = (design.dummies / np.where(fit.n > 0, fit.n, np.nan)).T
    a, b = np.triu_indices(layout.n_treatments, 1)
    made = np.empty((a.size, layout.n_treatments))
    for first in range(0, a.size, _PAIRS_AT_ONCE):
        part = slice(first, first + _PAIRS_AT_ONCE)
        made[part] = (weights[a[part]] - weights[b[part]]) ** 2 @ design.dummies
    made *= np.nan_to_num(variances.share, nan=1.0)
    return made


def _days_worth(scaled: FloatArray, number: Sequence[int] | FloatArray) -> FloatArray:
    """How many days of other plots the days of these plots are worth, for a variance.

    Squares of residuals correlate by the square of what the residuals do.
    """
    days = np.asarray(number, dtype=float)
    known = np.isfinite(scaled)
    filled = np.where(known, scaled, 0.0)
    i, j = np.triu_indices(scaled.shape[1], 1)
    both = (known[:, i] & known[:, j]).sum(axis=0)
    size = np.sqrt((filled**2).sum(axis=0))
    usable = (both > 2) & (size[i] > 0) & (size[j] > 0)
    if not usable.any():
        return days
    i, j = i[usable], j[usable]
    r = (filled[:, i] * filled[:, j]).sum(axis=0) / (size[i] * size[j])
    together = float(np.mean(r**2))
    return np.asarray(days / (1.0 + np.maximum(days - 1.0, 0.0) * together))


@lru_cache(maxsize=2)
def _residuals(shape: tuple[int, int], basis: bytes, days: int) -> FloatArray:
    """Normal residuals (draws, plots, days) of a layout, the same for all its variables.

    The same for all trials of the layout too: which way a trial is compared must know no seed.
    """
    columns = np.frombuffer(basis, dtype=np.float64).reshape(shape)
    drawn = np.random.default_rng(1).normal(size=(DRAWS, shape[0], days))
    drawn -= columns @ (columns.T @ drawn)
    drawn.flags.writeable = False
    return np.asarray(drawn)


def _levene(layout: Layout, scaled: FloatArray) -> tuple[float, float]:
    """F of treatments, of the mean size of the residuals of each plot, and its p.

    Residuals of few blocks are tied to each other, so that F has no table: p is its place among
    those of drawn normal residuals of the same layout, whose days correlate as the residuals do.
    """
    known = np.isfinite(scaled)
    plots, days = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    if not plots.size:
        return float("nan"), float("nan")
    design = design_of(layout, plots)
    between, basis = design.additions[-1][1], design.basis
    df_error = plots.size - basis.shape[1]
    if not between.shape[1] or df_error <= 0:
        return float("nan"), float("nan")
    inside, counted = known[np.ix_(plots, days)], known[plots].sum(axis=1)

    def statistic(residuals: FloatArray) -> FloatArray:
        size = np.where(inside, np.abs(residuals), 0.0).sum(axis=-1) / counted
        rest = size - (size @ basis) @ basis.T
        explained = ((size @ between) ** 2).sum(axis=-1) / between.shape[1]
        error = (rest**2).sum(axis=-1) / df_error
        # where all residuals are of one size nothing is left to compare with
        nothing = np.full(np.shape(error), np.nan)
        return np.asarray(np.divide(explained, error, out=nothing, where=error > TINY))

    found = float(statistic(scaled[np.ix_(plots, days)]))
    if not np.isfinite(found):
        return float("nan"), float("nan")
    filled = np.where(inside, scaled[np.ix_(plots, days)], 0.0)
    spread, axes = np.linalg.eigh(filled.T @ filled)
    root = axes * np.sqrt(np.maximum(spread, 0.0))
    drawn = _residuals(basis.shape, basis.tobytes(), days.size) @ root.T
    drawn /= np.sqrt((drawn**2).sum(axis=1, keepdims=True) / df_error)
    above = int((statistic(drawn) >= found).sum())
    return found, (1.0 + above) / (1.0 + DRAWS)
