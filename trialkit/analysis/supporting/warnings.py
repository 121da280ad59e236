"""What is odd in the data and does not stop the analysis: warnings that need statistics."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.courses import step_of
from trialkit.analysis.plots.responses import Assessed, FloatArray, PlotPlan, Response
from trialkit.inference.checks.outliers import studentized_residuals
from trialkit.inference.glm.count_limits import few_counted
from trialkit.inference.normal.linear import LinearFit
from trialkit.numerals import day as day_text
from trialkit.numerals import number, p_value
from trialkit.plain_text import joined
from trialkit.problems import Problem, warning
from trialkit.trial import Kind

#: Level for the search for outlying plots, over all plots of one response
#: (Bonferroni); common practice, no source.
OUTLIER_LEVEL = 0.01
#: Numbers of units examined, largest over smallest, beyond which plots are of unequal worth
#: (common practice, no source).
MOST_UNEQUAL = 3.0
#: Aggregation k below which an analysis of variance of counts as they are does not keep its level
#: (found by simulation, in tests/benchmarks/null_trials.md).
LEAST_AGGREGATION = 1.0


def odd_data(basis: Basis) -> tuple[Problem, ...]:
    """List the warnings of the analysis, in the order of the responses."""
    if basis.tested is None:
        return ()
    plan, responses = basis.plan, basis.responses
    found: list[tuple[int, Problem]] = []
    found += list(_uneven_before(basis, basis.tested.responses["p"].to_numpy(dtype=float)))
    for fit in basis.tested.checked:
        found += list(_outlying(fit, plan, responses))
    found += list(_without_variance(plan, responses))
    found += list(_uneven_numbers(basis))
    found += list(_few_counts(basis))
    found += list(_crowded_as_counted(basis))
    return tuple(problem for _, problem in sorted(found, key=lambda item: item[0]))


def _uneven_numbers(basis: Basis) -> Iterator[tuple[int, Problem]]:
    """Shares of which plots were examined very unequally, one warning a variable."""
    modelled = not basis.plan.layout.units
    for item in basis.assessed:
        if item.examined is None or not np.isfinite(item.examined).any():
            continue
        seen = np.isfinite(item.examined).any(axis=0)
        least, most = (
            extreme(item.examined[:, seen], axis=0) for extreme in (np.nanmin, np.nanmax)
        )
        days = item.days[seen][most > MOST_UNEQUAL * least]
        if not days.size:
            continue
        worst = int(np.argmax(most / least))
        place = next(
            index
            for index, response in enumerate(basis.responses)
            if response.variable == item.variable and response.measure == "count"
        )
        on = f"day {day_text(float(item.days[seen][worst]))}"
        more = days.size - 1
        others = f" and on {more} more {'day' if more == 1 else 'days'}" if more else ""
        beside = " The beta-binomial model beside it weighs plots by the number examined."
        yield (
            place,
            warning(
                "uneven-examined",
                f"{item.variable.label}: plots differ widely in how many were examined, from "
                f"{least[worst]:g} to {most[worst]:g} on {on}{others}. "
                "The analysis of variance gives each plot the same weight.",
                "Read it with care where the largest number is more than three times the smallest "
                f"(common practice, no source).{beside if modelled else ''}",
            ),
        )


def _few_counts(basis: Basis) -> Iterator[tuple[int, Problem]]:
    """Counts of so few individuals that tests show less than they could, one warning a variable."""
    for item in basis.assessed:
        if item.variable.kind is not Kind.COUNT:
            continue
        few = few_counted(item.values, step_of(item)) & (item.days > 0)
        if few.any():
            yield (
                _first_of(basis, item),
                warning(
                    "few-counts",
                    f"{item.variable.label}: few were found on {_on_days(item.days[few])}, "
                    "fewer than 40 individuals in all plots together, or none in most plots. "
                    "With such counts tests are conservative and intervals wide.",
                    "A difference that was not shown is not proof that there is none. Larger "
                    "samples from each plot would have shown more.",
                ),
            )


def _crowded_as_counted(basis: Basis) -> Iterator[tuple[int, Problem]]:
    """Much aggregated counts that were analysed as they are, one warning a variable."""
    if basis.tested is None:
        return
    crowded: dict[str, list[tuple[float, float]]] = {}
    units = {item.variable.name: step_of(item) for item in basis.assessed}
    for fit in basis.tested.checked:
        for j, column in enumerate(fit.columns):
            item = basis.responses[column]
            mean, after = float(fit.grand_mean[j]), item.measure == "count" and item.day > 0
            counted = item.variable.kind is Kind.COUNT and basis.scales[column] == "none"
            if not (after and counted and mean > 0.0):
                continue
            chance = mean * units[item.variable.name]
            dispersion = (float(fit.ms_error[j]) - chance) / mean**2
            if dispersion * LEAST_AGGREGATION > 1.0:
                crowded.setdefault(item.variable.name, []).append((item.day, 1.0 / dispersion))
    for item in basis.assessed:
        found = crowded.get(item.variable.name)
        if not found:
            continue
        days, k = np.array(sorted(found)).T
        yield (
            _first_of(basis, item),
            warning(
                "crowded-counts",
                f"{item.variable.label}: counts were analysed as they are, though single plots "
                f"hold most of what was found on {_on_days(days)} (aggregation k about "
                f"{number(float(k.min()))}). F then finds differences less often than it could, "
                "and intervals of means are too short above.",
                "Set the transform to log, or rely on the count model beside it.",
            ),
        )


def _first_of(basis: Basis, item: Assessed) -> int:
    """Place of the first response of a variable."""
    return next(
        place
        for place, response in enumerate(basis.responses)
        if response.variable == item.variable and response.measure == "count"
    )


def _on_days(days: np.ndarray) -> str:
    shown = [day_text(float(day)) for day in days]
    return f"day{'' if len(shown) == 1 else 's'} {joined(shown)}"


def place_of(response: Response) -> str:
    """Say at the head of a sentence which response it is of: "Larvae per plant, day 7"."""
    label = response.variable.label
    if response.measure == "pest_days":
        return f"{label}, area under the curve"
    if response.measure == "yield":
        return label
    return f"{label}, day {day_text(response.day)}"


def _uneven_before(basis: Basis, p: FloatArray) -> Iterator[tuple[int, Problem]]:
    for column, response in enumerate(basis.responses):
        if response.measure == "count" and response.day <= 0 and p[column] < basis.settings.alpha:
            yield (
                column,
                warning(
                    "uneven-before",
                    f"{place_of(response)}: before treatment the plots already differed between "
                    f"treatments ({p_value(float(p[column]))}).",
                    "Take percent control from a method that uses the count before treatment "
                    "(Henderson-Tilton), and read the means with care.",
                ),
            )


def _outlying(
    fit: LinearFit, plan: PlotPlan, responses: list[Response]
) -> Iterator[tuple[int, Problem]]:
    # Without error variance residuals are rounding.
    residuals = np.where(fit.ms_error > 0.0, fit.residuals, 0.0)
    found = studentized_residuals(residuals, fit.leverage, fit.df_error, alpha=OUTLIER_LEVEL)
    for j in np.flatnonzero(found.flagged.any(axis=0)):
        response = responses[fit.columns[j]]
        worst = int(found.worst[j])
        row = fit.plots[worst]
        yield (
            int(fit.columns[j]),
            warning(
                "outlier",
                f"{place_of(response)}: plot {plan.plots[row]} (treatment "
                f"{plan.treatments[plan.treatment[row]]}) is an outlier: "
                f"{number(response.values[row])}, studentized residual "
                f"{number(float(found.studentized[worst, j]))}.",
                "Look the value up in the field book; it stays in the analysis.",
            ),
        )


def _without_variance(plan: PlotPlan, responses: list[Response]) -> Iterator[tuple[int, Problem]]:
    """Treatments whose plots all have the same value, one warning a response."""
    values = np.column_stack([response.values for response in responses])
    groups = [values[plan.treatment == code] for code in range(len(plan.treatments))]
    plots = np.array([np.isfinite(group).sum(axis=0) for group in groups])
    # Plots that were not assessed are passed by.
    lowest = np.array([np.fmin.reduce(group, axis=0, initial=np.inf) for group in groups])
    highest = np.array([np.fmax.reduce(group, axis=0, initial=-np.inf) for group in groups])
    alike = (plots > 1) & (lowest == highest)
    for column in np.flatnonzero(alike.any(axis=0)):
        response = responses[column]
        if response.measure == "count" and response.day <= 0:
            continue
        constant = [
            f"{plan.treatments[code]} (all plots {number(float(lowest[code, column]))})"
            for code in np.flatnonzero(alike[:, column])
        ]
        everywhere = len(constant) == int((plots[:, column] > 0).sum())
        yield (
            int(column),
            warning(
                "no-variance",
                f"{place_of(response)}: treatment{'s' if len(constant) > 1 else ''} "
                f"{joined(constant)} {'do' if len(constant) > 1 else 'does'} not vary between "
                "plots.",
                _meaning_of_constant(response, everywhere),
            ),
        )


def _meaning_of_constant(response: Response, everywhere: bool) -> str:
    if everywhere:
        return (
            "Where plots of a treatment never differ there is no error to test treatments "
            "against. Check whether the values were entered as counted."
        )
    spread = "The analysis of variance assumes that such a treatment varies like the others"
    if response.measure == "count" and response.variable.kind is Kind.COUNT:
        return f"{spread}; its interval comes from the count model."
    return f"{spread}."
