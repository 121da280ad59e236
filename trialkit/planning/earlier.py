"""What an earlier trial says of the next one: density, clumping, spread of plots and blocks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.analysis.plots.responses import (
    Assessed,
    PlotPlan,
    assessed_variables,
    treatment_means,
)
from trialkit.inference.normal.linear import LinearFit, fit_layout
from trialkit.inference.normal.stratified import fit_strata
from trialkit.planning.fields import Field, FloatArray
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import Kind, Trial, Variable, VariableRole

#: Individuals in a plot, on average of a treatment, from which on logarithms are looked at: common
#: practice, no source.
_FEWEST = 3.0


def field_of(source: Trial | Path | str, variable: str | None = None) -> Field:
    """Estimate a field from an earlier trial.

    Parameters
    ----------
    source : Trial, Path or str
        A trial, its path, or the record.json of its report.
    variable : str, optional
        A count; the first pest that is counted, when left out.

    Returns
    -------
    Field

    Raises
    ------
    TrialError
        When the trial has no such count, or no untreated.

    Notes
    -----
    By moments. k from variances between samples within plots, pooled (infinite where there are no
    samples or no clumping); plots and blocks from mean squares of log(count + 0.5) on each day
    after the first application, less what Poisson and k let expect of a mean of samples (delta
    method); main plots and strips from the strata of the same logarithms; what stays with a plot
    over the days from products of its residuals on different days. Where there are no samples,
    all that is more than Poisson counts as plots.

    Examples
    --------
    >>> import trialkit
    >>> field = trialkit.field_of(trialkit.example_trial("leaf_beetle_potato"))
    >>> 0 <= field.steady <= 100
    True
    """
    trial = _trial_of(source)
    chosen = _count_of(trial, variable)
    plan = plan_plots(trial)
    if plan.untreated is None:
        raise TrialError([_cannot("it has no untreated")])
    item = next(
        (one for one in assessed_variables(trial, plan) if one.variable.name == chosen.name), None
    )
    if item is None:
        raise TrialError([_cannot(f"it has no counts of {chosen.name}")])
    later = np.flatnonzero(item.days > 0)
    days = later if later.size else np.arange(item.days.size)
    density = float(np.nanmean(item.values[plan.treatment == plan.untreated][:, days]))
    if not density > 0:
        raise TrialError([_cannot(f"no {chosen.name} were counted in the untreated plots")])
    k = _clumping(trial, chosen.name)
    samples = int(np.median(item.samples[item.samples > 0]))
    return Field(density=density, k=k, samples=samples, **_spreads(item, plan, days, k))


def _trial_of(source: Trial | Path | str) -> Trial:
    if isinstance(source, Trial):
        return source
    if Path(source).suffix == ".json":
        from trialkit.record.reading import read_record, trial_from_record

        return trial_from_record(read_record(Path(source)))
    from trialkit.reading import read_trial

    return read_trial(source)


def _count_of(trial: Trial, name: str | None) -> Variable:
    for variable in trial.variables:
        counted = variable.kind is Kind.COUNT and variable.examined is None
        if counted and (variable.name == name or (not name and variable.role is VariableRole.PEST)):
            return variable
    raise TrialError(
        [_cannot("it has no pest that is counted" if not name else f"no count {name}")]
    )


def _cannot(why: str) -> Problem:
    return error(
        "earlier-trial",
        f"The earlier trial cannot say how counts vary: {why}.",
        "Take another one, or give density, k and the spread of plots yourself.",
    )


def _clumping(trial: Trial, name: str) -> float:
    """K of the negative binomial from samples within plots, by moments."""
    counts = trial.counts
    own = counts[(counts["variable"] == name) & counts["sample"].notna()]
    cells = own.dropna(subset=["value"]).groupby(["plot", "day"], sort=False)["value"]
    stats = cells.agg(["mean", "var", "count"])
    stats = stats[stats["count"] > 1]
    if stats.empty:
        return float("inf")
    over = float((stats["var"] - stats["mean"]).sum())
    square = float((stats["mean"] ** 2 - stats["var"] / stats["count"]).sum())
    return square / over if over > 0 and square > 0 else float("inf")


def _spreads(item: Assessed, plan: PlotPlan, days: NDArray[np.intp], k: float) -> dict[str, float]:
    """Percent by which plots within blocks, blocks and larger units differ, and what stays."""
    values, samples = item.values[:, days], np.maximum(item.samples[:, days], 1)
    logs, expected = _logs(values, samples, plan, k)
    units, of_blocks = _larger_variances(plan, logs)
    plots, blocks = [], []
    rest = np.full(logs.shape, np.nan)
    for fit in fit_layout(plan.layout.inside_units, logs):
        if fit.df_error < 1:
            continue
        rest[np.ix_(fit.plots, fit.columns)] = fit.residuals * np.sqrt(
            fit.plots.size / fit.df_error
        )
        for place, column in enumerate(fit.columns):
            error_ms = float(fit.ms_error[place])
            plots.append(error_ms - expected[column])
            blocks.append(_block_variance(fit, place, len(plan.treatments)))
    if plan.layout.units:
        blocks = of_blocks
    within = _mean(plots)
    return {
        "plot_cv": _cv(within),
        "block_cv": _cv(_mean(blocks)),
        "unit_cv": _cv(float(np.mean(list(units.values()))) if units else 0.0),
        "steady": 100 * _steady(rest, within),
    }


def _logs(
    values: FloatArray, samples: NDArray[np.intp], plan: PlotPlan, k: float
) -> tuple[FloatArray, FloatArray]:
    """Logarithms of plots, and what Poisson and k let expect of their variance on each day.

    Treatments of which few individuals were found on a day are left out there: their logarithms
    say little of plots. Where that leaves less than two treatments all are kept.
    """
    means = treatment_means(values, plan)
    number = treatment_means(samples.astype(float), plan)
    enough = means * number >= _FEWEST
    enough |= enough.sum(axis=0) < 2
    kept = enough[plan.treatment] & np.isfinite(values)
    logs = np.where(kept, np.log(values + 0.5 / samples), np.nan)
    own = (1 / np.maximum(means, 0.5 / number) + 1 / k) / number
    expected = np.array(
        [np.mean(own[plan.treatment[kept[:, day]], day]) for day in range(values.shape[1])]
    )
    return logs, expected


def _larger_variances(plan: PlotPlan, logs: FloatArray) -> tuple[dict[str, float], list[float]]:
    """Variances over the days between main plots, or strips of each kind; of blocks on each day.

    Blocks: of their mean square, less what plots and larger units give it. Nothing where there
    are no larger units.
    """
    if not plan.layout.units:
        return {}, []
    fit = fit_strata(plan.layout, logs)
    below = fit.ms_error.copy()
    units = {}
    for name, codes in plan.layout.units:
        units[name] = _mean(fit.components[name].tolist())
        below += fit.components[name] * codes.size / (int(codes.max()) + 1)
    lines = [term.mean_sq for term in fit.terms if term.source == "block"]
    return units, [] if not lines else list((lines[0] - below) / len(plan.treatments))


def _block_variance(fit: LinearFit, place: int, treatments: int) -> float:
    """Variance between blocks: of their mean square, less what plots give it."""
    for term in fit.terms:
        if term.source == "block":
            return float(term.mean_sq[place] - fit.ms_error[place]) / treatments
    return 0.0


def _steady(rest: FloatArray, within: float) -> float:
    """Share of the variance of plots that stays with them over the days, 0 to 1.

    From products of residuals of different days. All of it where one day alone, or no variance,
    was seen: the safe side, since days then tell no more than one.
    """
    days = rest.shape[1]
    products = [
        float(np.nanmean(rest[:, i] * rest[:, j]))
        for i in range(days)
        for j in range(i)
        if np.isfinite(rest[:, i] * rest[:, j]).any()
    ]
    if not products or not within > 0:
        return 1.0
    return float(np.clip(np.mean(products) / within, 0.0, 1.0))


def _mean(variances: list[float]) -> float:
    """Mean variance, taken as 0 where it is below."""
    known = [value for value in variances if np.isfinite(value)]
    return max(float(np.mean(known)), 0.0) if known else 0.0


def _cv(variance: float) -> float:
    """Percent from a variance on the log scale."""
    return 100 * float(np.sqrt(np.expm1(min(variance, 3.0))))
