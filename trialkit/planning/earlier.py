"""What an earlier trial says of the next one: density, clumping, spread of plots and blocks."""

from __future__ import annotations

from dataclasses import dataclass
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
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import Kind, Trial, Variable, VariableRole

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """How counts come about in a field.

    Attributes
    ----------
    density : float
        Mean of a sample in untreated plots, above 0.
    k : float
        Of the negative binomial within plots, above 0; infinite for Poisson.
    plot_cv, block_cv : float
        Spread of plots within blocks, and of blocks, in percent of the mean: standard deviation of
        a lognormal factor.
    samples : int
        Counted in a plot.
    """

    density: float
    k: float = float("inf")
    plot_cv: float = 0.0
    block_cv: float = 0.0
    samples: int = 1

    def faults(self) -> list[str]:
        """Say what of it cannot be."""
        found = []
        if not (np.isfinite(self.density) and self.density > 0):
            found.append("the density must be above 0")
        if not self.k > 0:
            found.append("k must be above 0")
        for name in ("plot_cv", "block_cv"):
            if not 0 <= getattr(self, name) <= 500:
                found.append(f"{name} must be from 0 to 500 percent")
        if self.samples < 1:
            found.append("there must be one sample or more")
        return found


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
    method). Where there are no samples, all that is more than Poisson counts as plots.
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
    plots, blocks = _spreads(item, plan, days, k)
    return Field(density=density, k=k, plot_cv=plots, block_cv=blocks, samples=samples)


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


def _spreads(
    item: Assessed, plan: PlotPlan, days: NDArray[np.intp], k: float
) -> tuple[float, float]:
    """Percent by which plots within blocks and blocks differ."""
    values = item.values[:, days]
    logs = np.log(values + 0.5)
    plots, blocks = [], []
    for fit in fit_layout(plan.layout.inside_units, logs):
        for place, column in enumerate(fit.columns):
            own = np.maximum(treatment_means(values[:, [column]], plan)[:, 0], 0.5)
            poisson = float(np.nanmean((1 / own)[plan.treatment]))
            number = max(float(np.nanmean(item.samples[:, days[column]])), 1.0)
            expected = (poisson + 1 / k) / number
            error_ms = float(fit.ms_error[place])
            plots.append(error_ms - expected)
            blocks.append(_block_variance(fit, place, error_ms, len(plan.treatments)))
    return _cv(plots), _cv(blocks)


def _block_variance(fit: LinearFit, place: int, error_ms: float, treatments: int) -> float:
    for term in fit.terms:
        if term.source == "block":
            return (float(term.mean_sq[place]) - error_ms) / treatments
    return 0.0


def _cv(variances: list[float]) -> float:
    """Percent from the mean variance on the log scale, which is taken as 0 where it is below."""
    known = [value for value in variances if np.isfinite(value)]
    middle = max(float(np.mean(known)), 0.0) if known else 0.0
    return 100 * float(np.sqrt(np.expm1(min(middle, 3.0))))
