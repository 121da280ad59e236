"""Days after treatment adjusted for the count of the same plots before it."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import in_order, with_place
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.supporting.strata_covariate import strata_covariate_tables
from trialkit.inference.design.scales import TransformName, backward, forward
from trialkit.inference.normal.covariate import CovariateFit, fit_covariate
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


def covariate_tables(basis: Basis) -> Adjusted:
    """Adjust every pest on every day after treatment for its count before, on the same scale.

    In split-plots and strip-plots by a mixed model, see `strata_covariate_tables`.
    """
    tests, means = [], []
    if basis.tested is not None and basis.plan.layout.units:
        found = strata_covariate_tables(basis, scale_of)
        return Adjusted(tests=found[0], means=found[1])
    if basis.tested is not None:
        for number, item in enumerate(basis.assessed):
            scale = scale_of(basis, item)
            if item.variable.role is not VariableRole.PEST or item.baseline is None:
                continue
            after = np.flatnonzero(item.days > 0)
            values = forward(scale, item.values)
            fits = fit_covariate(basis.plan.layout, values[:, after], values[:, item.baseline])
            for fit in fits:
                # Variables as listed, and their days in order.
                place = number * len(basis.responses) + fit.columns
                tests.append(with_place(_tests(item, item.days[after], fit), place, 1))
                means.append(
                    with_place(
                        _means(basis, item, item.days[after], scale, fit),
                        place,
                        len(basis.plan.treatments),
                    )
                )
    return Adjusted(tests=in_order("covariate", tests), means=in_order("adjusted_means", means))


def scale_of(basis: Basis, item: Assessed) -> TransformName:
    """Scale on which the days of a variable are analysed."""
    return next(
        scale
        for scale, response in zip(basis.scales, basis.responses, strict=True)
        if response.measure == "count" and response.variable.name == item.variable.name
    )


def _tests(item: Assessed, days: FloatArray, fit: CovariateFit) -> Mapping[str, Sized]:
    size = fit.columns.size
    with np.errstate(invalid="ignore", divide="ignore"):
        t = fit.slope / fit.slope_se
    return {
        "variable": [item.variable.name] * size,
        "days_after": days[fit.columns],
        "n": np.full(size, float(fit.plots.size)),
        "slope": fit.slope,
        "se": fit.slope_se,
        "p_slope": 2.0 * special.stdtr(max(fit.df_error, 1), -np.abs(t)),
        "p_equal_slopes": fit.slopes_p,
        "df_error": np.full(size, float(fit.df_error)),
        "F": fit.treatment.F,
        "p": fit.treatment.p,
        "precision": fit.precision,
    }


def _means(
    basis: Basis, item: Assessed, days: FloatArray, scale: TransformName, fit: CovariateFit
) -> Mapping[str, Sized]:
    size, t = fit.columns.size, len(basis.plan.treatments)
    quantile = float("nan")
    if fit.df_error > 0:
        quantile = float(special.stdtrit(fit.df_error, 1.0 - basis.settings.alpha / 2.0))
    half = quantile * fit.se
    return {
        "variable": [item.variable.name] * (size * t),
        "days_after": np.repeat(days[fit.columns], t),
        "treatment": list(basis.plan.treatments) * size,
        "mean_adjusted": fit.means.T.ravel(),
        "se": fit.se.T.ravel(),
        "lower": backward(scale, fit.means - half).T.ravel(),
        "upper": backward(scale, fit.means + half).T.ravel(),
        "back_transformed": backward(scale, fit.means).T.ravel(),
    }
