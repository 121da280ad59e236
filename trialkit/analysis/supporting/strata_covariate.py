"""Split-plot and strip-plot days adjusted for the count of the same plots before treatment."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sized

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import table_of_parts
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import TransformName, backward, forward
from trialkit.inference.normal.strata_covariate import StrataCovariateFit, strata_covariate
from trialkit.inference.normal.stratified import fit_strata
from trialkit.trial import VariableRole


def strata_covariate_tables(
    basis: Basis, scale_of: Callable[[Basis, Assessed], TransformName]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Adjust every pest on every day after treatment: tables ``covariate``, ``adjusted_means``."""
    tests: list[Mapping[str, Sized]] = []
    means: list[Mapping[str, Sized]] = []
    for item in basis.assessed:
        if item.variable.role is not VariableRole.PEST or item.baseline is None:
            continue
        scale = scale_of(basis, item)
        values = forward(scale, item.values)
        before = values[:, item.baseline]
        after = np.flatnonzero(item.days > 0)
        known = np.where(np.isnan(before)[:, None], np.nan, values[:, after])
        unadjusted = _pair_variance(basis.plan.layout, known) if after.size else np.zeros(0)
        for day, y, variance in zip(item.days[after], known.T, unadjusted, strict=True):
            if np.isnan(y).all():
                continue
            fit = strata_covariate(basis.plan.layout, y, before)
            tests.append(_tests(item, float(day), fit, float(variance)))
            means.append(_means(basis, item, float(day), scale, fit))
    return table_of_parts("covariate", tests), table_of_parts("adjusted_means", means)


def _pair_variance(layout: Layout, values: FloatArray) -> FloatArray:
    """Mean variance (days,) of a difference of two treatments without the covariate."""
    weights = layout.weights[layout.weights.any(axis=1)]
    a, b = np.triu_indices(len(weights), 1)
    se = fit_strata(layout, values).contrasts(weights[a] - weights[b]).se
    known = np.isfinite(se)
    number = np.where(known.any(axis=0), known.sum(axis=0), np.nan)
    return np.asarray(np.where(known, se**2, 0.0).sum(axis=0) / number)


def _tests(
    item: Assessed, day: float, fit: StrataCovariateFit, variance: float
) -> Mapping[str, Sized]:
    return {
        "variable": [item.variable.name],
        "days_after": [day],
        "n": [float(fit.n)],
        "slope": [fit.slope],
        "se": [fit.slope_se],
        "p_slope": [fit.slope_p],
        "p_equal_slopes": [fit.slopes.p],
        "df_error": [fit.treatments.df_error],
        "F": [fit.treatments.F],
        "p": [fit.treatments.p],
        "precision": [variance / fit.pair_variance],
        "p_main": [fit.term("main").p],
        "p_sub": [fit.term("sub").p],
        "p_interaction": [fit.term("main:sub").p],
        "note": [fit.note or None],
    }


def _means(
    basis: Basis, item: Assessed, day: float, scale: TransformName, fit: StrataCovariateFit
) -> Mapping[str, Sized]:
    t = len(basis.plan.treatments)
    half = special.stdtrit(fit.df, 1.0 - basis.settings.alpha / 2.0) * fit.se
    return {
        "variable": [item.variable.name] * t,
        "days_after": [day] * t,
        "treatment": list(basis.plan.treatments),
        "mean_adjusted": fit.means,
        "se": fit.se,
        "lower": backward(scale, fit.means - half),
        "upper": backward(scale, fit.means + half),
        "back_transformed": backward(scale, fit.means),
    }
