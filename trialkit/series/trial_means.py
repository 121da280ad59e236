"""Yields and measurements of one trial: least-squares means and their errors for the series."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from trialkit.analysis.plots.harvest import settle_moisture, yield_of_plots
from trialkit.analysis.plots.responses import Assessed, PlotPlan, yield_responses
from trialkit.inference.comparisons.procedures import common_error
from trialkit.inference.fit import Fit
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.stratified import fit_strata
from trialkit.series.matched import FloatArray, Means, TrialMatch
from trialkit.trial import Trial, Variable, VariableRole

#: Roles that are measured on the crop over days, where more days than one are averaged.
AVERAGED = (VariableRole.CROP, VariableRole.CROP_INJURY)


def means_of(
    trial: Trial, plan: PlotPlan, assessed: Sequence[Assessed], match: TrialMatch
) -> tuple[Means, ...]:
    """Least-squares means of the yields of a trial, and of what was measured on its crop.

    On the scale as measured. Where a trial has several errors (main plots, strips) one covariance
    gives the standard errors of all differences, with the harmonic mean of their degrees of
    freedom. A variable without an error to speak of is left out.
    """
    found = []
    for variable, values, note in _responses(trial, plan, assessed):
        if variable.name not in match.variables:
            continue
        part = _means(plan, values * match.factors.get(variable.name, 1.0), variable, match, note)
        if part is not None:
            found.append(part)
    return tuple(found)


def _responses(
    trial: Trial, plan: PlotPlan, assessed: Sequence[Assessed]
) -> Iterator[tuple[Variable, FloatArray, str | None]]:
    harvested, _ = yield_of_plots(settle_moisture(trial)[0], plan)
    for response in yield_responses(trial, plan, harvested):
        yield response.variable, response.values, None
    for item in assessed:
        after = np.flatnonzero(item.days > 0)
        if item.variable.role in AVERAGED and after.size:
            note = f"mean of {after.size} assessments" if after.size > 1 else None
            yield item.variable, item.values[:, after].mean(axis=1), note


def _means(
    plan: PlotPlan, values: FloatArray, variable: Variable, match: TrialMatch, note: str | None
) -> Means | None:
    if not np.isfinite(values).any():
        return None
    layout = plan.layout
    column = values[:, None]
    fits = (fit_strata(layout, column),) if layout.units else fit_layout(layout, column)
    fit: Fit = fits[0]
    rows = layout.weights
    estimate = fit.contrasts(rows).estimate[:, 0]
    variance, df, unit = _errors(fit, rows, estimate)
    if not (variance > 0.0 and df >= 1.0):
        return None
    plots = np.bincount(plan.treatment[np.isfinite(values)], minlength=len(plan.treatments))
    merge, names = _merged(plan, match, np.isfinite(estimate))
    if len(names) < 2:
        return None
    return Means(
        trial=match.trial,
        variable=match.variables[variable.name],
        treatments=names,
        means=merge @ np.nan_to_num(estimate),
        unit_covariance=merge @ np.nan_to_num(unit) @ merge.T,
        error_variance=variance,
        df=df,
        plots=(merge > 0) @ plots.astype(float),
        note=note,
    )


def _errors(fit: Fit, rows: FloatArray, estimate: FloatArray) -> tuple[float, float, FloatArray]:
    """Error variance, its degrees of freedom, and the covariance of the means for one of 1."""
    shared = fit.covariance(rows)
    if shared is not None:
        return float(shared.ms_error[0]), float(shared.df), shared.unit
    a, b = np.triu_indices(len(rows), 1)
    apart = fit.contrasts(rows[a] - rows[b])
    covariance, df = common_error(estimate, (a, b), apart.se[:, 0], apart.df[:, 0])
    variance = float(fit.ms_error[0])
    return variance, df, covariance / variance if variance > 0.0 else covariance


def _merged(
    plan: PlotPlan, match: TrialMatch, known: FloatArray
) -> tuple[FloatArray, tuple[str, ...]]:
    """How treatments of the trial make up those of the series (s, t), and their names."""
    names = tuple(
        dict.fromkeys(
            match.treatments[own]
            for own, seen in zip(plan.treatments, known, strict=True)
            if seen and own in match.treatments
        )
    )
    merge = np.zeros((len(names), len(plan.treatments)))
    for code, own in enumerate(plan.treatments):
        if known[code] and own in match.treatments:
            merge[names.index(match.treatments[own]), code] = 1.0
    return merge / np.maximum(merge.sum(axis=1, keepdims=True), 1.0), names
