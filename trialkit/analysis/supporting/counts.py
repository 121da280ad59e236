"""Counts analysed as counts, beside the analysis of variance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.courses import Course, step_of
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import make_table
from trialkit.analysis.supporting.modelled import (
    Modelled,
    ModelledMeans,
    Rows,
    Span,
    TextArray,
    mean_rows,
    strata_rows,
    tested_rows,
    why_no_ratio,
)
from trialkit.inference.design.layout import BoolArray, IntArray
from trialkit.inference.glm.count_limits import CountLimits, count_limits, few_counted
from trialkit.inference.glm.count_model import CountFit, fit_counts
from trialkit.inference.glm.count_strata import count_strata
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.log_laws import LogLaw
from trialkit.trial import ControlMethod, Kind, VariableRole

NEGATIVE_BINOMIAL = "negative binomial"
LIKELIHOOD_RATIO = "negative binomial, likelihood ratio"
QUASI_POISSON = "quasi-Poisson"
#: Where intervals of means come from that are not by a count model.
SCALE_OF_ANALYSIS = "scale of analysis"
#: Aggregation k below which intervals of ratios from the draws cover more than 97 % (found by
#: simulation, in tests/benchmarks/count_models.md).
LEAST_AGGREGATION = 0.5
#: Dispersion beyond which 5 to 7 % of simulated null trials of split-plots and strip-plots were
#: rejected at 5 %.
CROWDED = 0.7
#: Roles of the counts that are modelled.
MODELLED = (VariableRole.PEST, VariableRole.NATURAL_ENEMY)

_FEW_TEST = "so few individuals were counted that the test is conservative"
_FEW_LIMITS = "so few individuals were counted that the limits are conservative"
_LIBERAL = "rejects too often in trials of few plots: read F of the same model"
_CROWDED = "rejects too often where plots are crowded or empty: read F of the negative binomial"
_UNEVEN = (
    "plots of one treatment vary so much (dispersion above 0.7) that tests at 5% rejected up to 7% "
    "of simulated trials without any effect"
)
_WIDE_RATIO = "plots differ so much from each other that the interval of the ratio is conservative"
_ONE_SIDED = "no individual was found: the upper limit is one-sided"
_NONE_FOUND = f"{_ONE_SIDED} and allows for how much plots may vary"
_NONE_AT_ALL = (
    "no individual was found in any plot: the upper limit takes plots to vary by chance alone"
)


def count_tables(basis: Basis) -> Modelled:
    """Fit log-linear models to the counts of every day after treatment.

    Means have the limits of the negative binomial; the intervals of their ratios to the untreated
    are those of percent control. A treatment of zeros has a
    one-sided upper limit by profile likelihood. In split-plots and strip-plots each factor is
    tested in its own stratum, by `count_strata`, and the limits of means come from the same laws,
    which know of main plots and strips. ``note`` says where a test or a limit is known not to
    keep its level; how often each does is in tests/benchmarks/count_models.md and
    null_strata_counts.md.
    """
    items = [item for item in basis.assessed if _modelled(item)]
    if basis.tested is None or not items:
        return Modelled.of([], [])
    if basis.plan.layout.units:
        made = [_in_strata(basis, item) for item in items]
        return Modelled.of([means for means, _ in made], [tests for _, tests in made])
    parts = list(_in_blocks(basis, items))
    return Modelled.of(
        [means for means, _, _ in parts],
        [tests for _, tests, _ in parts],
        {item.variable.name: span for item, (_, _, span) in zip(items, parts, strict=True)},
    )


def _modelled(item: Assessed) -> bool:
    counted = item.variable.kind is Kind.COUNT and item.variable.role in MODELLED
    return counted and bool((item.days > 0).any())


def _in_blocks(basis: Basis, items: Sequence[Assessed]) -> Iterator[tuple[Rows, Rows, Span]]:
    """Means, tests and limits of each variable, from one fit of them all."""
    layout, size = basis.plan.layout, [item.days.size for item in items]
    # All variables at once: steps of a fit cost the same for one response and for many.
    values = np.column_stack([item.values for item in items])
    unit = np.repeat([step_of(item) for item in items], size)
    after = np.concatenate([item.days for item in items]) > 0
    fit = fit_counts(layout, values, unit=unit)
    loose = fit_counts(layout, values[:, after], unit=unit[after], family="quasi-poisson")
    made = count_limits(layout, fit, basis.plan.untreated, alpha=basis.settings.alpha)
    few = few_counted(values, unit)
    ends, ranks = np.cumsum(size), np.cumsum(after) - 1
    for item, end in zip(items, ends, strict=True):
        first = end - item.days.size
        columns = first + np.flatnonzero(item.days > 0)
        means = mean_rows(basis.plan, item, _means(basis, item, columns, fit, made, few))
        span = Span(days=item.days, lower=made.lower[:, first:end], upper=made.upper[:, first:end])
        yield means, _tests(item, columns, fit, loose, ranks[columns], few), span


def course_means(means: pd.DataFrame, counted: Modelled) -> pd.DataFrame:
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
) -> Rows:
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
    settled = np.stack([fit.converged[columns], fit.converged[columns], loose.converged[ranks]])
    notes = np.empty(settled.shape, dtype=object)
    notes[0], notes[1], notes[2] = np.where(few[columns], _FEW_TEST, ""), _LIBERAL, _CROWDED
    return tested_rows(
        item,
        (NEGATIVE_BINOMIAL, LIKELIHOOD_RATIO, QUASI_POISSON),
        {name: np.where(settled, np.stack(parts), np.nan) for name, parts in lines.items()},
        notes,
    )


def _means(
    basis: Basis,
    item: Assessed,
    columns: IntArray,
    fit: CountFit,
    made: CountLimits,
    few: BoolArray,
) -> ModelledMeans:
    mean, settled = made.mean[:, columns], fit.converged[columns]
    known = why_no_ratio(mean, settled, basis.plan.untreated) == ""
    dispersion = fit.dispersion[columns]
    return ModelledMeans(
        model=NEGATIVE_BINOMIAL,
        columns={
            "mean": mean,
            "lower": made.lower[:, columns],
            "upper": made.upper[:, columns],
        },
        against={"ratio": made.ratio[:, columns], **_ratio_limits(basis, item, mean)},
        dispersion=dispersion,
        settled=settled,
        notes=_notes(mean, few[columns], known, dispersion),
    )


def _notes(mean: FloatArray, few: BoolArray, known: BoolArray, dispersion: FloatArray) -> TextArray:
    """What is to be known of the limits of each mean."""
    zero, nothing = mean == 0, ~(mean > 0).any(axis=0)
    crowded = (dispersion * LEAST_AGGREGATION > 1.0) & known
    return np.select(
        [zero & nothing, zero, few & (mean > 0), crowded],
        [_NONE_AT_ALL, _NONE_FOUND, _FEW_LIMITS, _WIDE_RATIO],
        "",
    ).astype(object)


def _ratio_limits(
    basis: Basis, item: Assessed, mean: FloatArray, *, one_sided: bool = False
) -> dict[str, FloatArray]:
    """Limits and p of ratios to the untreated, as of percent control."""
    course, untreated = basis.courses.get(item.variable.name), basis.plan.untreated
    if course is None or untreated is None:
        return dict.fromkeys(("ratio_lower", "ratio_upper", "p"), np.full(mean.shape, np.nan))
    law = course.ratios(untreated, ControlMethod.ABBOTT)
    low, high = _limits(law, mean == 0, basis.settings.alpha, one_sided=one_sided)
    return {"ratio_lower": low, "ratio_upper": high, "p": law.two_sided(1.0)}


def _limits(
    law: LogLaw, zero: BoolArray, alpha: float, *, one_sided: bool
) -> tuple[FloatArray, FloatArray]:
    """Central intervals; from 0, to a one-sided limit where asked for, for treatments of zeros."""
    low, high = law.quantiles((alpha / 2.0, 1.0 - alpha / 2.0))
    if one_sided:
        high = np.where(zero, law.quantiles((1.0 - alpha,))[0], high)
    return np.where(zero, 0.0, low), high


def _in_strata(basis: Basis, item: Assessed) -> tuple[Rows, Rows]:
    """Means and tests of one variable of a split-plot or strip-plot."""
    layout, after = basis.plan.layout, np.flatnonzero(item.days > 0)
    values, unit = item.values[:, after], step_of(item)
    terms = count_strata(layout, values, unit=unit)
    inner = terms[-1].dispersion
    notes = np.select([few_counted(values, unit), inner > CROWDED], [_FEW_TEST, _UNEVEN], "")
    tests = strata_rows(item, NEGATIVE_BINOMIAL, terms, inner, notes)
    # Means as counted; where plots are missing, free of the blocks that they stood in.
    mean = fit_counts(layout, values, unit=unit, family="quasi-poisson").means
    return mean_rows(basis.plan, item, _means_in_strata(basis, item, mean, inner)), tests


def _means_in_strata(
    basis: Basis, item: Assessed, mean: FloatArray, dispersion: FloatArray
) -> ModelledMeans:
    untreated, zero = basis.plan.untreated, mean == 0
    lower = upper = ratio = np.full(mean.shape, np.nan)
    course: Course | None = basis.courses.get(item.variable.name)
    if course is not None:
        law = course.law.ratio(Quotient(days=np.flatnonzero(course.item.days > 0), base=None))
        lower, upper = _limits(law, zero, basis.settings.alpha, one_sided=True)
    if untreated is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = mean / np.where(mean[untreated] > 0, mean[untreated], np.nan)
    return ModelledMeans(
        model=NEGATIVE_BINOMIAL,
        columns={"mean": mean, "lower": lower, "upper": upper},
        against={"ratio": ratio, **_ratio_limits(basis, item, mean, one_sided=True)},
        dispersion=dispersion,
        settled=np.ones(dispersion.shape, dtype=bool),
        notes=np.where(zero, _ONE_SIDED, "").astype(object),
    )
