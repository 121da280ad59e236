"""Counts analysed as counts, beside the analysis of variance."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.draws import Course, limits, step_of, two_sided
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import empty_table, make_table, table_of_parts
from trialkit.analysis.supporting.strata_counts import strata_count_tables
from trialkit.inference.design.layout import BoolArray, IntArray
from trialkit.inference.glm.count_limits import CountLimits, count_limits, few_counted
from trialkit.inference.glm.count_model import CountFit, fit_counts
from trialkit.trial import ControlMethod, Kind, VariableRole

NEGATIVE_BINOMIAL = "negative binomial"
LIKELIHOOD_RATIO = "negative binomial, likelihood ratio"
QUASI_POISSON = "quasi-Poisson"
#: Where intervals of means come from that are not by a count model.
SCALE_OF_ANALYSIS = "scale of analysis"
#: Aggregation k below which intervals of ratios from the draws cover more than 97 % (found by
#: simulation, in tests/benchmarks/count_models.md).
LEAST_AGGREGATION = 0.5
#: Roles of the counts that are modelled.
MODELLED = (VariableRole.PEST, VariableRole.NATURAL_ENEMY)

_FEW_TEST = "so few individuals were counted that the test shows less than it could"
_FEW_LIMITS = "so few individuals were counted that the limits are wider than they need be"
_LIBERAL = "rejects too often in trials of few plots: read F of the same model"
_CROWDED = "rejects too often where plots are crowded or empty: read F of the negative binomial"
_WIDE_RATIO = (
    "plots differ so much from each other that the interval of the ratio is wider than it need be"
)
_NONE_FOUND = (
    "no individual was found: the upper limit is one-sided and allows for how much plots may vary"
)
_NONE_AT_ALL = (
    "no individual was found in any plot: the upper limit takes plots to vary by chance alone"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Counted:
    """Tables ``count_models`` and ``count_tests``, and limits of means.

    Attributes
    ----------
    means, tests : DataFrame
    spans : mapping of str to Span
        Limits of the means of each variable that was modelled.
    """

    means: pd.DataFrame
    tests: pd.DataFrame
    spans: Mapping[str, Span] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Span:
    """Limits of the means of one variable, (treatments, days), before treatment too."""

    days: FloatArray
    lower: FloatArray
    upper: FloatArray


def count_tables(basis: Basis) -> Counted:
    """Fit log-linear models to the counts of every day after treatment.

    Means have the limits of the negative binomial; the intervals of their ratios to the untreated
    come from the draws of the courses, as those of percent control do. A treatment of zeros has a
    one-sided upper limit by profile likelihood. For split-plots and strip-plots see
    `strata_count_tables`. ``note`` says where a test or a limit is known not to
    keep its level; how often each does is in tests/benchmarks/count_models.md.
    """
    if basis.tested is not None and basis.plan.layout.units:
        found = strata_count_tables(basis)
        return Counted(means=found[0], tests=found[1])
    items = [item for item in basis.assessed if _modelled(item)]
    if basis.tested is None or not items:
        return Counted(means=empty_table("count_models"), tests=empty_table("count_tests"))
    layout, size = basis.plan.layout, [item.days.size for item in items]
    # All variables at once: steps of a fit cost the same for one response and for many.
    values = np.column_stack([item.values for item in items])
    unit = np.repeat([step_of(item) for item in items], size)
    after = np.concatenate([item.days for item in items]) > 0
    fit = fit_counts(layout, values, unit=unit)
    loose = fit_counts(layout, values[:, after], unit=unit[after], family="quasi-poisson")
    made = count_limits(layout, fit, basis.plan.untreated, alpha=basis.settings.alpha)
    few = few_counted(values, unit)
    means: list[Mapping[str, Sized]] = []
    tests: list[Mapping[str, Sized]] = []
    spans: dict[str, Span] = {}
    ends, ranks = np.cumsum(size), np.cumsum(after) - 1
    for item, end in zip(items, ends, strict=True):
        first = end - item.days.size
        columns = first + np.flatnonzero(item.days > 0)
        means.append(_means(basis, item, columns, fit, made, few))
        tests.append(_tests(item, columns, fit, loose, ranks[columns], few))
        spans[item.variable.name] = Span(
            days=item.days, lower=made.lower[:, first:end], upper=made.upper[:, first:end]
        )
    return Counted(
        means=table_of_parts("count_models", means),
        tests=table_of_parts("count_tests", tests),
        spans=spans,
    )


def _modelled(item: Assessed) -> bool:
    counted = item.variable.kind is Kind.COUNT and item.variable.role in MODELLED
    return counted and bool((item.days > 0).any())


def course_means(means: pd.DataFrame, counted: Counted) -> pd.DataFrame:
    """Means of treatments over the days, as counted, with intervals on that scale.

    Of counts the intervals are those of the count model, which are about the mean as counted. Of
    others they are brought back from the scale of analysis, and are about the mean brought back.
    """
    counts = means["measure"].to_numpy() == "count"
    kept = {
        name: means[name].to_numpy()[counts]
        for name in ("variable", "days_after", "treatment", "n", "mean", "lower", "upper")
    }
    lower, upper = (kept.pop(name).astype(float) for name in ("lower", "upper"))
    names, days = kept["variable"], kept["days_after"].astype(float)
    source = np.full(names.size, SCALE_OF_ANALYSIS, dtype=object)
    for name, span in counted.spans.items():
        own = np.flatnonzero(names == name)
        # Rows of a day follow each other, in the order of the treatments.
        place = np.searchsorted(span.days, days[own])
        row = np.arange(own.size) % span.upper.shape[0]
        known = np.isfinite(span.upper[row, place])
        own, row, place = own[known], row[known], place[known]
        lower[own], upper[own] = span.lower[row, place], span.upper[row, place]
        source[own] = NEGATIVE_BINOMIAL
    return make_table("course", {**kept, "lower": lower, "upper": upper, "interval": source})


def _tests(
    item: Assessed,
    columns: IntArray,
    fit: CountFit,
    loose: CountFit,
    ranks: IntArray,
    few: BoolArray,
) -> Mapping[str, Sized]:
    """Three lines a day: F and likelihood ratio of the negative binomial, F of quasi-Poisson."""
    exact, quasi = (
        next(line for line in model.lines if line.source == "treatment") for model in (fit, loose)
    )
    nothing = np.full(columns.size, np.nan)
    df, deviance, dispersion = exact.df[columns], exact.deviance[columns], fit.dispersion[columns]
    lines = {
        "df": (df, df, quasi.df[ranks]),
        "df_error": (fit.df_error[columns], nothing, loose.df_error[ranks]),
        "F": (exact.F[columns], nothing, quasi.F[ranks]),
        "deviance": (deviance, deviance, quasi.deviance[ranks]),
        "p": (exact.p[columns], exact.p_chi_square[columns], quasi.p[ranks]),
        "dispersion": (dispersion, dispersion, loose.scale[ranks]),
    }
    settled = (fit.converged[columns], fit.converged[columns], loose.converged[ranks])
    numbers = {
        name: np.stack(
            [np.where(ok, part, np.nan) for ok, part in zip(settled, parts, strict=True)]
        ).T.ravel()
        for name, parts in lines.items()
    }
    return {
        "variable": [item.variable.name] * (3 * columns.size),
        "days_after": np.repeat(item.days[item.days > 0], 3),
        "model": [NEGATIVE_BINOMIAL, LIKELIHOOD_RATIO, QUASI_POISSON] * columns.size,
        **numbers,
        "note": [
            text
            for scarce in few[columns]
            for text in (_FEW_TEST if scarce else None, _LIBERAL, _CROWDED)
        ],
    }


def _means(
    basis: Basis,
    item: Assessed,
    columns: IntArray,
    fit: CountFit,
    made: CountLimits,
    few: BoolArray,
) -> Mapping[str, Sized]:
    plan, alpha = basis.plan, basis.settings.alpha
    t, size = len(plan.treatments), columns.size
    mean, settled = made.mean[:, columns], fit.converged[columns]
    low, high, p = (np.full((t, size), np.nan) for _ in range(3))
    reasons = np.full((t, size), "", dtype=object)
    reasons[np.isnan(mean)] = "no plot was assessed"
    reasons[:, ~settled] = "the model did not settle"
    untreated = plan.untreated
    if untreated is None:
        reasons[reasons == ""] = "there is no untreated to compare with"
    else:
        reasons[(reasons == "") & ~(mean[untreated] > 0)] = "the untreated has none"
        reasons[untreated] = "the untreated itself"
        course = basis.courses.get(item.variable.name)
        if course is not None:
            low, high, p = _ratios(course, untreated, alpha)
        zero = mean == 0
        low, high = np.where(zero, 0.0, low), np.where(zero, np.maximum(high, 0.0), high)
    known = reasons == ""
    return {
        "variable": [item.variable.name] * (t * size),
        "days_after": np.repeat(item.days[item.days > 0], t),
        "treatment": list(plan.treatments) * size,
        "mean": mean.T.ravel(),
        "lower": made.lower[:, columns].T.ravel(),
        "upper": made.upper[:, columns].T.ravel(),
        "ratio": np.where(known, made.ratio[:, columns], np.nan).T.ravel(),
        "ratio_lower": np.where(known, low, np.nan).T.ravel(),
        "ratio_upper": np.where(known, high, np.nan).T.ravel(),
        "p": np.where(known, p, np.nan).T.ravel(),
        "dispersion": np.repeat(fit.dispersion[columns], t),
        "reason": [text or None for text in reasons.T.ravel()],
        "model": [NEGATIVE_BINOMIAL] * (t * size),
        "note": _notes(mean, few[columns], known, fit.dispersion[columns]),
    }


def _notes(
    mean: FloatArray, few: BoolArray, known: BoolArray, dispersion: FloatArray
) -> list[str | None]:
    """What is to be known of the limits of each mean, days one after the other."""
    nothing = [not bool(np.any(part > 0)) for part in mean.T]
    notes: list[str | None] = []
    for j in range(mean.shape[1]):
        crowded = dispersion[j] * LEAST_AGGREGATION > 1.0
        for i, value in enumerate(mean[:, j]):
            if value == 0:
                notes.append(_NONE_AT_ALL if nothing[j] else _NONE_FOUND)
            elif few[j] and value > 0:
                notes.append(_FEW_LIMITS)
            else:
                notes.append(_WIDE_RATIO if crowded and known[i, j] else None)
    return notes


def _ratios(course: Course, untreated: int, alpha: float) -> tuple[FloatArray, ...]:
    drawn = course.survival(untreated, ControlMethod.ABBOTT)
    low, high = limits(drawn, alpha)
    return low, high, two_sided(drawn, 1.0)
