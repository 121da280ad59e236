"""Days after treatment adjusted for the count of the same plots before it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import in_order, with_place
from trialkit.analysis.plots.responses import Assessed, FloatArray, IntArray
from trialkit.inference.comparisons.family import t_critical, two_sided_t
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import TransformName, backward, forward
from trialkit.inference.normal.covariate import CovariateFit, fit_covariate
from trialkit.inference.normal.mixed_covariate import MixedCovariateFit, mixed_covariate
from trialkit.inference.normal.stratified import fit_strata
from trialkit.trial import VariableRole


@dataclass(frozen=True, kw_only=True, eq=False)
class Adjusted:
    """Tables of the covariance analysis.

    Attributes
    ----------
    tests, means : DataFrame
        Tables ``covariate`` and ``adjusted_means``.
    """

    tests: pd.DataFrame
    means: pd.DataFrame


@dataclass(frozen=True, kw_only=True, eq=False)
class _Days:
    """Some days of one variable, adjusted by one fit.

    Attributes
    ----------
    columns : int array, shape (days,)
        Which of the days after treatment.
    tests : mapping of str to float array, shape (days,)
        Numbers of the table ``covariate``.
    means, se, df : float array, shape (treatments, days)
    note : str or None
    """

    columns: IntArray
    tests: Mapping[str, FloatArray]
    means: FloatArray
    se: FloatArray
    df: FloatArray
    note: str | None = None


def covariate_tables(basis: Basis) -> Adjusted:
    """Adjust every pest on every day after treatment for its count before, on the same scale.

    With one error by least squares; with larger units by a mixed model, see `mixed_covariate`.
    """
    tests, means = [], []
    layout, t = basis.plan.layout, len(basis.plan.treatments)
    adjust = _with_larger_units if layout.units else _with_one_error
    for number, item in enumerate(basis.assessed if basis.tested is not None else ()):
        if item.variable.role is not VariableRole.PEST or item.baseline is None:
            continue
        scale, after = scale_of(basis, item), np.flatnonzero(item.days > 0)
        values = forward(scale, item.values)
        for found in adjust(layout, values[:, after], values[:, item.baseline]):
            # Variables as listed, and their days in order.
            place, days = number * len(basis.responses) + found.columns, item.days[after]
            tests.append(with_place(_tests(item, days, found), place, 1))
            means.append(with_place(_means(basis, item, days, scale, found), place, t))
    return Adjusted(tests=in_order("covariate", tests), means=in_order("adjusted_means", means))


def scale_of(basis: Basis, item: Assessed) -> TransformName:
    """Scale on which the days of a variable are analysed."""
    return next(
        scale
        for scale, response in zip(basis.scales, basis.responses, strict=True)
        if response.measure == "count" and response.variable.name == item.variable.name
    )


def _with_one_error(layout: Layout, values: FloatArray, before: FloatArray) -> Iterator[_Days]:
    for fit in fit_covariate(layout, values, before):
        yield _of_fit(fit)


def _of_fit(fit: CovariateFit) -> _Days:
    size, df = fit.columns.size, float(fit.df_error)
    with np.errstate(invalid="ignore", divide="ignore"):
        t = fit.slope / fit.slope_se
    return _Days(
        columns=fit.columns,
        tests={
            "n": np.full(size, float(fit.plots.size)),
            "slope": fit.slope,
            "se": fit.slope_se,
            "p_slope": two_sided_t(t, max(df, 1.0)),
            "p_equal_slopes": fit.slopes_p,
            "df_error": np.full(size, df),
            "F": fit.treatment.F,
            "p": fit.treatment.p,
            "precision": fit.precision,
        },
        means=fit.means,
        se=fit.se,
        df=np.full(fit.means.shape, df),
    )


def _with_larger_units(layout: Layout, values: FloatArray, before: FloatArray) -> Iterator[_Days]:
    known = np.where(np.isnan(before)[:, None], np.nan, values)
    unadjusted = _pair_variance(layout, known) if known.size else np.zeros(0)
    for column, (y, variance) in enumerate(zip(known.T, unadjusted, strict=True)):
        if np.isfinite(y).any():
            yield _of_strata(column, mixed_covariate(layout, y, before), float(variance))


def _of_strata(column: int, fit: MixedCovariateFit, variance: float) -> _Days:
    numbers = {
        "n": fit.n,
        "slope": fit.slope,
        "se": fit.slope_se,
        "p_slope": fit.slope_p,
        "p_equal_slopes": fit.slopes.p,
        "df_error": fit.treatments.df_error,
        "F": fit.treatments.F,
        "p": fit.treatments.p,
        "precision": variance / fit.pair_variance,
        "p_main": fit.term("main").p,
        "p_sub": fit.term("sub").p,
        "p_interaction": fit.term("main:sub").p,
    }
    return _Days(
        columns=np.array([column], dtype=np.intp),
        tests={name: np.array([value], dtype=float) for name, value in numbers.items()},
        means=fit.means[:, None],
        se=fit.se[:, None],
        df=fit.df[:, None],
        note=fit.note or None,
    )


def _pair_variance(layout: Layout, values: FloatArray) -> FloatArray:
    """Mean variance (days,) of a difference of two treatments without the covariate."""
    weights = layout.weights[layout.weights.any(axis=1)]
    a, b = np.triu_indices(len(weights), 1)
    se = fit_strata(layout, values).contrasts(weights[a] - weights[b]).se
    known = np.isfinite(se)
    number = np.where(known.any(axis=0), known.sum(axis=0), np.nan)
    return np.asarray(np.where(known, se**2, 0.0).sum(axis=0) / number)


def _tests(item: Assessed, days: FloatArray, found: _Days) -> Mapping[str, Sized]:
    size, nothing = found.columns.size, np.full(found.columns.size, np.nan)
    return {
        "variable": [item.variable.name] * size,
        "days_after": days[found.columns],
        "p_main": nothing,
        "p_sub": nothing,
        "p_interaction": nothing,
        **found.tests,
        "note": [found.note] * size,
    }


def _means(
    basis: Basis, item: Assessed, days: FloatArray, scale: TransformName, found: _Days
) -> Mapping[str, Sized]:
    t, size = found.means.shape
    half = t_critical(basis.settings.alpha, found.df) * found.se
    return {
        "variable": [item.variable.name] * (size * t),
        "days_after": np.repeat(days[found.columns], t),
        "treatment": list(basis.plan.treatments) * size,
        "mean_adjusted": found.means.T.ravel(),
        "se": found.se.T.ravel(),
        "lower": backward(scale, found.means - half).T.ravel(),
        "upper": backward(scale, found.means + half).T.ravel(),
        "back_transformed": backward(scale, found.means).T.ravel(),
    }
