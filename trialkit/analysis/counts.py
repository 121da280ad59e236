"""Counts analysed as counts, beside the analysis of variance."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import Course, limits, step_of, two_sided
from trialkit.analysis.responses import Assessed, FloatArray
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.count_models import CountFit, fit_counts
from trialkit.trial import ControlMethod, Kind, VariableRole

NEGATIVE_BINOMIAL = "negative binomial"
LIKELIHOOD_RATIO = "negative binomial, likelihood ratio"
QUASI_POISSON = "quasi-Poisson"
#: Roles of the counts that are modelled.
MODELLED = (VariableRole.PEST, VariableRole.NATURAL_ENEMY)


@dataclass(frozen=True, kw_only=True, eq=False)
class Counted:
    """Tables ``count_models`` and ``count_tests``."""

    means: pd.DataFrame
    tests: pd.DataFrame


def count_tables(basis: Basis) -> Counted:
    """Fit log-linear models to the counts of every day after treatment.

    Means are those of the negative binomial; the intervals of their ratios to the untreated come
    from the draws of the courses, as those of percent control do. A treatment of zeros has a
    one-sided upper limit at the estimated dispersion. Not in split-plots and strip-plots, whose
    main plots such a model does not know.
    """
    means: list[Mapping[str, Sized]] = []
    tests: list[Mapping[str, Sized]] = []
    if basis.tested is not None and basis.tested.strata is None:
        for item in basis.assessed:
            after = np.flatnonzero(item.days > 0)
            wanted = item.variable.kind is Kind.COUNT and item.variable.role in MODELLED
            if not wanted or not after.size:
                continue
            values, unit = item.values[:, after], step_of(item)
            fit = fit_counts(basis.plan.layout, values, unit=unit)
            loose = fit_counts(basis.plan.layout, values, unit=unit, family="quasi-poisson")
            means.append(_means(basis, item, after, fit, unit))
            tests.append(_tests(item, after, fit, loose))
    if not means:
        return Counted(means=empty_table("count_models"), tests=empty_table("count_tests"))
    return Counted(
        means=table_of_parts("count_models", means), tests=table_of_parts("count_tests", tests)
    )


def _tests(
    item: Assessed, after: np.ndarray, fit: CountFit, loose: CountFit
) -> Mapping[str, Sized]:
    """Three lines a day: F and likelihood ratio of the negative binomial, F of quasi-Poisson."""
    exact, quasi = (
        next(line for line in model.lines if line.source == "treatment") for model in (fit, loose)
    )
    nothing = np.full(after.size, np.nan)
    lines = {
        "df": (exact.df, exact.df, quasi.df),
        "df_error": (fit.df_error, nothing, loose.df_error),
        "F": (exact.F, nothing, quasi.F),
        "deviance": (exact.deviance, exact.deviance, quasi.deviance),
        "p": (exact.p, exact.p_chi_square, quasi.p),
        "dispersion": (fit.dispersion, fit.dispersion, loose.scale),
    }
    settled = (fit.converged, fit.converged, loose.converged)
    numbers = {
        name: np.stack(
            [np.where(ok, part, np.nan) for ok, part in zip(settled, parts, strict=True)]
        ).T.ravel()
        for name, parts in lines.items()
    }
    return {
        "variable": [item.variable.name] * (3 * after.size),
        "days_after": np.repeat(item.days[after], 3),
        "model": [NEGATIVE_BINOMIAL, LIKELIHOOD_RATIO, QUASI_POISSON] * after.size,
        **numbers,
    }


def _means(
    basis: Basis, item: Assessed, after: np.ndarray, fit: CountFit, unit: float
) -> Mapping[str, Sized]:
    plan, alpha = basis.plan, basis.settings.alpha
    t, size = len(plan.treatments), after.size
    lower, upper = _limits_of_means(basis, item.values[:, after], fit, unit)
    ratio, low, high, p = (np.full((t, size), np.nan) for _ in range(4))
    reasons = np.full((t, size), "", dtype=object)
    reasons[np.isnan(fit.means)] = "no plot was assessed"
    reasons[:, ~fit.converged] = "the model did not settle"
    untreated = plan.untreated
    if untreated is None:
        reasons[reasons == ""] = "there is no untreated to compare with"
    else:
        base = fit.means[untreated]
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(base > 0, fit.means / np.where(base > 0, base, 1.0), np.nan)
        reasons[(reasons == "") & ~(base > 0)] = "the untreated has none"
        reasons[untreated] = "the untreated itself"
        course = basis.courses.get(item.variable.name)
        if course is not None:
            low, high, p = _ratios(course, untreated, alpha)
        zero = fit.means == 0
        low, high = np.where(zero, 0.0, low), np.where(zero, np.maximum(high, 0.0), high)
    known = reasons == ""
    return {
        "variable": [item.variable.name] * (t * size),
        "days_after": np.repeat(item.days[after], t),
        "treatment": list(plan.treatments) * size,
        "mean": fit.means.T.ravel(),
        "lower": lower.T.ravel(),
        "upper": upper.T.ravel(),
        "ratio": np.where(known, ratio, np.nan).T.ravel(),
        "ratio_lower": np.where(known, low, np.nan).T.ravel(),
        "ratio_upper": np.where(known, high, np.nan).T.ravel(),
        "p": np.where(known, p, np.nan).T.ravel(),
        "dispersion": np.repeat(fit.dispersion, t),
        "reason": [text or None for text in reasons.T.ravel()],
        "model": [NEGATIVE_BINOMIAL] * (t * size),
    }


def _ratios(course: Course, untreated: int, alpha: float) -> tuple[FloatArray, ...]:
    drawn = course.survival(untreated, ControlMethod.ABBOTT)
    low, high = limits(drawn, alpha)
    return low, high, two_sided(drawn, 1.0)


def _limits_of_means(
    basis: Basis, values: FloatArray, fit: CountFit, unit: float
) -> tuple[FloatArray, FloatArray]:
    """Intervals of the means, (t, days), on the logarithms; one-sided for treatments of zeros."""
    alpha = basis.settings.alpha
    se = np.sqrt(np.einsum("mtt->tm", fit.log_covariance))
    df = np.where(fit.df_error > 0, fit.df_error, np.nan)
    half = special.stdtrit(df, 1.0 - alpha / 2.0) * se
    lower, upper = fit.means * np.exp(-half), fit.means * np.exp(half)
    member = basis.plan.treatment[None, :] == np.arange(len(basis.plan.treatments))[:, None]
    number = member.astype(float) @ np.isfinite(values)
    zero = fit.means == 0
    return (
        np.where(zero, 0.0, lower),
        np.where(zero, limit_of_zeros(alpha, number, fit.dispersion) * unit, upper),
    )


def limit_of_zeros(alpha: float, plots: FloatArray, dispersion: FloatArray) -> FloatArray:
    """Mean count at which ``plots`` plots are all zero with chance ``alpha``.

    The chance of a zero is ``(1 + dispersion * mean) ** (-1 / dispersion)`` in the negative
    binomial and ``exp(-mean)`` at dispersion 0.
    """
    number = np.where(plots > 0, plots, np.nan)
    depth = -np.log(alpha) / number
    some = dispersion > 0
    spread = np.where(some, dispersion, 1.0)
    limit: FloatArray = np.where(some, np.expm1(depth * spread) / spread, depth)
    return limit
