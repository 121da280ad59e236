"""From one trial to its log ratios and means, in the names of the series."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.fits.courses import DRAWN, formula_of, step_of
from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.analysis.plots.responses import (
    Assessed,
    PlotPlan,
    area_responses,
    areas_under_curves,
    assessed_variables,
)
from trialkit.inference.laws.course_moments import CourseMoments, course_moments
from trialkit.series.logarithms import percent_of
from trialkit.series.matched import (
    CONTROL_ROWS,
    WHOLE,
    Cell,
    FloatArray,
    LogRatios,
    Measure,
    TrialEffects,
    TrialMatch,
)
from trialkit.series.trial_held import held_of
from trialkit.series.trial_means import means_of
from trialkit.trial import ControlMethod, Kind, Trial

#: Why a treatment has no log ratio.
NOT_ASSESSED = "not assessed on these days"
NONE_IN_UNTREATED = "nothing was found in the untreated: left out"
#: What is to be known of one.
NONE_FOUND = "nothing was found: half an individual is added to the total for all trials together"

_KINDS: Mapping[Kind, Literal["count", "percent", "positive"]] = {
    Kind.COUNT: "count",
    Kind.PERCENT: "percent",
    Kind.MEASUREMENT: "positive",
}
Row = dict[str, object]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Question:
    """What is asked of one trial: a variable on the days of a window, or over the whole trial.

    ``before`` is the day in the arrays that control is corrected by, with its power and the
    standard error of that.
    """

    cell: Cell
    days: FloatArray
    places: Sequence[int]
    before: tuple[int, float, float] | None = None


def effects_of(
    trial: Trial, tables: Mapping[str, pd.DataFrame], match: TrialMatch, *, alpha: float = 0.05
) -> TrialEffects:
    """Work out what a trial gives to a series.

    Parameters
    ----------
    trial : Trial
        A sound one; its plots are what covariances come from.
    tables : mapping of str to DataFrame
        Of its record or analysis: ``control``, ``control_methods``, ``reductions``,
        ``natural_enemies`` and ``persistence`` are looked at, those that are not there are done
        without.
    match : TrialMatch
    alpha : float
        Intervals hold 1 less alpha; those of the trial's own tables stand where they hold as much.

    Returns
    -------
    TrialEffects

    Notes
    -----
    A log ratio is that of the mean count over the days of the window, of the treatment over the
    untreated, by the formula of control that the trial's report shows. Half an individual is added
    to every total (of shares half an item to both sides), which keeps the logarithm finite where
    nothing was found and takes most of its bias away; ``percent`` is without it. Where nothing was
    found in the untreated there is no ratio, and the row says so.
    """
    plan = plan_plots(trial)
    assessed = [
        item for item in assessed_variables(trial, plan) if item.variable.name in match.variables
    ]
    rows: list[Row] = []
    ratios: dict[Cell, LogRatios] = {}
    if plan.untreated is not None:
        reported = _reported(tables) if trial.settings.alpha == alpha else {}
        for question, moments in _questions(assessed, plan, tables, match):
            made, found = _answer(question, moments, plan, match, alpha)
            _as_reported(question, made, reported, match)
            rows += made
            if found is not None:
                ratios[question.cell] = found
    return TrialEffects(
        rows=pd.DataFrame(rows, columns=list(CONTROL_ROWS)),
        ratios=ratios,
        held=held_of(tables, match),
        means=means_of(trial, plan, assessed, match),
    )


def _questions(
    assessed: Sequence[Assessed],
    plan: PlotPlan,
    tables: Mapping[str, pd.DataFrame],
    match: TrialMatch,
) -> Iterator[tuple[_Question, CourseMoments]]:
    """Every window in which a variable was assessed after treatment, and its whole course."""
    for item in assessed:
        if item.variable.role not in DRAWN or not (item.days > 0).any():
            continue
        name = match.variables[item.variable.name]
        moments = _moments(item, plan)
        before = _corrected_by(item, tables)
        for window in match.windows:
            inside = (item.days >= window.first) & (item.days <= window.last) & (item.days > 0)
            if inside.any():
                yield (
                    _Question(
                        cell=Cell(match.trial, name, "control", window.name),
                        days=item.days,
                        places=[int(place) for place in np.flatnonzero(inside)],
                        before=before,
                    ),
                    moments,
                )
    for item, response in _areas(assessed):
        cell = Cell(match.trial, match.variables[item.variable.name], "pest_days", WHOLE)
        moments = course_moments(plan.layout, response, kind="positive", units=plan.units)
        yield _Question(cell=cell, days=np.array([np.nan]), places=[0]), moments


def _areas(assessed: Sequence[Assessed]) -> Iterator[tuple[Assessed, FloatArray]]:
    """Areas under the curve of the plots, for whole spans, where there is anything."""
    curves = areas_under_curves(tuple(item for item in assessed if item.variable.role in DRAWN))
    for (item, _), response in zip(curves, area_responses(curves), strict=True):
        if np.isfinite(response.values).any() and np.nanmax(response.values) > 0.0:
            yield item, response.values[:, None]


def _moments(item: Assessed, plan: PlotPlan) -> CourseMoments:
    kind = item.variable.kind
    return course_moments(
        plan.layout,
        item.values,
        kind=_KINDS[kind],
        unit=step_of(item) if kind is Kind.COUNT else None,
        items=item.examined,
        units=plan.units,
    )


def _corrected_by(
    item: Assessed, tables: Mapping[str, pd.DataFrame]
) -> tuple[int, float, float] | None:
    """Day before treatment by which the trial's report corrects control, its power and error."""
    methods = tables.get("control_methods")
    if item.baseline is None or methods is None:
        return None
    own = methods[methods["variable"] == item.variable.name]
    if own.empty:
        return None
    line = own.iloc[0]
    formula = formula_of(ControlMethod(line["method"]))
    if formula is ControlMethod.ABBOTT:
        return None
    if formula is ControlMethod.ADJUSTED:
        slope, error = float(line["slope"]), float(line["slope_se"])
        return item.baseline, min(max(slope, 0.0), 1.0), error
    return item.baseline, 1.0, 0.0


def _answer(
    question: _Question, moments: CourseMoments, plan: PlotPlan, match: TrialMatch, alpha: float
) -> tuple[list[Row], LogRatios | None]:
    """Rows of all treatments of the trial, and the log ratios of those that have one."""
    names = [
        match.treatments[own]
        for code, own in enumerate(plan.treatments)
        if code != plan.untreated and own in match.treatments
    ]
    wanted = tuple(dict.fromkeys(names))
    rows: list[Row] = []
    kept, estimates, coefficients, starts, counted = [], [], [], [], []
    for name in wanted:
        codes = [
            code
            for code, own in enumerate(plan.treatments)
            if match.treatments.get(own) == name and code != plan.untreated
        ]
        parts = [_ratio(question, moments, code, plan.untreated or 0) for code in codes]
        known = [part for part in parts if part.reason is None]
        row: Row = {
            "trial": question.cell.trial,
            "variable": question.cell.variable,
            "measure": question.cell.measure,
            "window": question.cell.window,
            "treatment": name,
            "days_after": _days(question),
            "note": None if known else parts[0].reason,
        }
        rows.append(row)
        if not known:
            continue
        kept.append(name)
        estimates.append(float(np.mean([part.log_ratio for part in known])))
        coefficients.append(np.mean([part.coefficients for part in known], axis=0))
        starts.append(float(np.mean([part.at_start for part in known])))
        counted.append(sum(part.counted for part in known) / len(known) ** 2)
        plain = float(np.mean([part.left for part in known]))
        row["percent"] = 100.0 * (1.0 - plain)
        row["note"] = NONE_FOUND if plain == 0.0 else None
    if not kept:
        return rows, None
    slope_error = 0.0 if question.before is None else question.before[2]
    covariance = moments.covariance(np.array(coefficients))
    covariance = covariance + slope_error**2 * np.outer(starts, starts)
    found = LogRatios(
        treatments=tuple(kept),
        estimates=np.array(estimates),
        covariance=covariance,
        df=moments.df,
        counted=np.array(counted),
    )
    _with_limits(rows, found, alpha)
    return rows, found


def _with_limits(rows: list[Row], found: LogRatios, alpha: float) -> None:
    """Write log ratios and limits of control, each on its own, into the rows that have one."""
    # The covariance allows for the dispersion being estimated: normal quantiles are those of t.
    z = float(special.ndtri(1.0 - alpha / 2.0))
    errors = np.sqrt(np.diagonal(found.covariance))
    known = dict(zip(found.treatments, zip(found.estimates, errors, strict=True), strict=True))
    for row in rows:
        if row["treatment"] in known:
            estimate, error = known[str(row["treatment"])]
            row["log_ratio"], row["se"] = float(estimate), float(error)
            row["lower"], row["upper"] = percent_of(estimate + np.array([z, -z]) * error).tolist()


@dataclass(frozen=True, kw_only=True, eq=False)
class _Ratio:
    """What one treatment leaves as a share of the untreated, and how it hangs on the log means."""

    log_ratio: float = float("nan")
    left: float = float("nan")
    coefficients: FloatArray = field(default_factory=lambda: np.zeros(0))
    at_start: float = 0.0
    counted: float = 0.0
    reason: str | None = None


def _ratio(question: _Question, moments: CourseMoments, code: int, untreated: int) -> _Ratio:
    mean, worth = moments.mean, moments.worth
    days = [
        place
        for place in question.places
        if np.isfinite(mean[code, place]) and np.isfinite(mean[untreated, place])
    ]
    if not days:
        return _Ratio(reason=NOT_ASSESSED)
    if not mean[untreated, days].sum() > 0.0:
        return _Ratio(reason=NONE_IN_UNTREATED)
    rows = np.zeros(mean.shape)
    logs, plain = np.zeros(2), np.zeros(2)
    for place, (group, sign) in enumerate(((code, 1.0), (untreated, -1.0))):
        total = float(mean[group, days].sum())
        logs[place] = np.log(total + worth[group, days].mean() / 2.0)
        plain[place] = total
        if total > 0.0:
            rows[group, days] = sign * mean[group, days] / total
        else:
            # The total of all days is nought: it errs as the total of one day does.
            rows[group, days[0]] = sign
    log_ratio, left, at_start = float(logs[0] - logs[1]), float(plain[0] / plain[1]), 0.0
    counted = float(rows[code, days] ** 2 @ moments.chance[code, days])
    if question.before is not None:
        day, power, _ = question.before
        if not (mean[[code, untreated], day] > 0.0).all():
            return _Ratio(reason="nothing was found before treatment: left out")
        at_start = float(moments.log_total[code, day] - moments.log_total[untreated, day])
        log_ratio -= power * at_start
        left /= float(mean[code, day] / mean[untreated, day]) ** power
        rows[code, day] -= power
        rows[untreated, day] += power
    return _Ratio(
        log_ratio=log_ratio, left=left, coefficients=rows, at_start=at_start, counted=counted
    )


def _days(question: _Question) -> str | None:
    if question.cell.window == WHOLE:
        return None
    return "; ".join(f"{question.days[place]:g}" for place in question.places)


#: Control with its limits by id of treatment, for a measure, variable of the trial and day.
Reported = Mapping[tuple[Measure, str, float], Mapping[str, tuple[float, float, float]]]


def _reported(tables: Mapping[str, pd.DataFrame]) -> Reported:
    """What the tables of a trial have of control with limits."""
    found: dict[tuple[Measure, str, float], dict[str, tuple[float, float, float]]] = {}
    sources: tuple[tuple[str, str, object, Measure], ...] = (
        ("control", "chosen", True, "control"),
        ("natural_enemies", "", None, "control"),
        ("reductions", "measure", "pest_days", "pest_days"),
    )
    for name, column, value, measure in sources:
        table = tables.get(name)
        if table is None or table.empty:
            continue
        days = table["days_after"].tolist() if measure == "control" else [0.0] * len(table)
        chosen = (table[column] == value).tolist() if column else [True] * len(table)
        columns = ("variable", "treatment", "percent", "lower", "upper")
        lines = zip(*(table[key].tolist() for key in columns), days, chosen, strict=True)
        for variable, treatment, percent, lower, upper, day, kept in lines:
            if kept and np.isfinite([percent, lower, upper]).all():
                own = found.setdefault((measure, str(variable), float(day)), {})
                own[str(treatment)] = (float(percent), float(lower), float(upper))
    return found


def _as_reported(
    question: _Question, rows: list[Row], reported: Reported, match: TrialMatch
) -> None:
    """Put the trial's own control and limits where its tables have them for the same days."""
    measure = question.cell.measure
    if measure == "control" and len(question.places) > 1:
        return
    day = float(question.days[question.places[0]]) if measure == "control" else 0.0
    lines: dict[str, tuple[float, float, float]] = {}
    for own, taken in match.variables.items():
        if taken == question.cell.variable:
            lines |= reported.get((measure, own, day), {})
    ids: dict[str, list[str]] = {}
    for own, name in match.treatments.items():
        ids.setdefault(name, []).append(own)
    for row in rows:
        own_ids = ids[str(row["treatment"])]
        line = lines.get(own_ids[0]) if len(own_ids) == 1 else None
        if line is not None and row["note"] in (None, NONE_FOUND):
            row["percent"], row["lower"], row["upper"] = line
