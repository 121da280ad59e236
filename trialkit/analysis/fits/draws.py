"""Courses of group means with their uncertainty: the draws behind every interval of control."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import special

from trialkit.analysis.plots.responses import Assessed, FloatArray, PlotPlan, treatment_means
from trialkit.inference.draws.course_draws import CourseDraws, course_draws
from trialkit.inference.draws.foretelling import StartSlope, start_slope
from trialkit.inference.numerics.quantiles import quantiles_of_draws
from trialkit.measures.control import surviving
from trialkit.trial import ControlMethod, Kind, Settings, VariableRole

#: Steps in which a mean of several samples or plants may rise, largest first.
STEPS = (1.0, 1 / 2, 1 / 3, 1 / 4, 1 / 5, 1 / 6, 1 / 8, 1 / 10, 1 / 12, 1 / 20, 1 / 25, 1 / 50)
#: Draws behind each interval.
DRAWS = 2000
#: Slope from which on the count before treatment foretells later ones rather than not.
FORETELLS = 0.5
#: Roles whose means are compared with the untreated as ratios.
DRAWN = (VariableRole.PEST, VariableRole.DAMAGE, VariableRole.NATURAL_ENEMY)


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """One variable: draws of its group means on all days.

    Attributes
    ----------
    item : Assessed
    means : float array, shape (draws, treatments, days)
    aggregation : float
        k of the negative binomial; infinite where counts vary as Poisson, and of percentages.
    unit : float
        What one individual adds to a count.
    start : StartSlope or None
        How far the count before treatment foretells later ones; None where it cannot be told.
    automatic : ControlMethod
        Formula for percent control where the choice is left to the data: Henderson-Tilton where
        the slope of `start` is nearer 1 than 0 and it is defined, else Abbott.
    """

    item: Assessed
    means: FloatArray
    aggregation: float
    unit: float
    start: StartSlope | None = None
    automatic: ControlMethod = ControlMethod.ABBOTT
    _survivals: dict[tuple[int, ControlMethod], FloatArray] = field(
        default_factory=dict, repr=False
    )

    @property
    def foretold(self) -> bool:
        """Whether the count before treatment foretold later ones rather than not."""
        return self.start is not None and self.start.slope > FORETELLS

    @property
    def after(self) -> FloatArray:
        """Days after treatment."""
        days: FloatArray = self.item.days[self.item.days > 0]
        return days

    def survival(self, base: int, method: ControlMethod) -> FloatArray:
        """Means after treatment as a share of those of one treatment, (draws, treatments, days).

        By Abbott the plain ratio of means; by the other methods divided by the same ratio before
        treatment, to the power of the slope where it is adjusted.
        """
        baseline = self.item.baseline
        formula = formula_of(method) if baseline is not None else ControlMethod.ABBOTT
        if (base, formula) not in self._survivals:
            means = draws_together(self.means)
            after = means[:, :, self.item.days > 0]
            before = means[:, :, [baseline or 0]]
            share = surviving(
                after, after[:, [base]], before, before[:, [base]], self._powers(formula)
            )
            share.flags.writeable = False
            self._survivals[base, formula] = share
        return self._survivals[base, formula]

    def _powers(self, formula: ControlMethod) -> float | FloatArray:
        """Power of the count before treatment; of the slope as uncertain as it is, by draw."""
        if formula is not ControlMethod.ADJUSTED or self.start is None:
            return 0.0 if formula is ControlMethod.ABBOTT else 1.0
        size = len(self.means)
        # Quantiles spread evenly, in an order that has nothing to do with that of the means.
        order = np.random.default_rng(size).permutation(size)
        spread = special.stdtrit(self.start.df, (order + 0.5) / size)
        powers: FloatArray = np.asarray(self.start.power + self.start.se * spread)
        return powers[:, None, None]

    def control(self, base: int, method: ControlMethod) -> FloatArray:
        """Percent control after treatment against one treatment, (draws, treatments, days)."""
        percent: FloatArray = 1.0 - self.survival(base, method)
        percent *= 100.0
        return percent


def draws_together(draws: FloatArray) -> FloatArray:
    """Draws along the first axis with those of one number side by side in memory.

    What is computed from them elementwise, and chosen from them by other axes, lies in the same
    way. A copy only where they do not lie so already.
    """
    return np.moveaxis(np.ascontiguousarray(np.moveaxis(draws, 0, -1)), -1, 0)


def formula_of(method: ControlMethod) -> ControlMethod:
    """Name the formula to which a method comes down.

    Sun-Shepard's and Schneider-Orelli's are the fraction of Henderson and Tilton.
    """
    if method in (ControlMethod.ABBOTT, ControlMethod.ADJUSTED):
        return method
    return ControlMethod.HENDERSON_TILTON


def chosen_method(
    asked: ControlMethod, item: Assessed, course: Course | None = None
) -> ControlMethod:
    """Resolve ``auto``, and a method that the data do not allow.

    Parameters
    ----------
    asked : ControlMethod
        As set.
    item : Assessed
    course : Course, optional
        That of the variable, which tells by its slope; without it ``auto`` is Abbott.
    """
    if asked in allowed_methods(item, course):
        return asked
    return ControlMethod.ABBOTT if course is None else course.automatic


def allowed_methods(item: Assessed, course: Course | None = None) -> tuple[ControlMethod, ...]:
    """List the formulas for percent control that the data of a variable allow."""
    if item.baseline is None:
        return (ControlMethod.ABBOTT,)
    found = [ControlMethod.ABBOTT, ControlMethod.HENDERSON_TILTON]
    if course is not None and course.start is not None:
        found.append(ControlMethod.ADJUSTED)
    found.append(ControlMethod.SUN_SHEPARD)
    if item.variable.kind is Kind.COUNT:
        # A percentage is no number of individuals of which some have died.
        found.append(ControlMethod.SCHNEIDER_ORELLI)
    return tuple(found)


def step_of(item: Assessed) -> float:
    """How much one individual adds to the value of a plot.

    One divided by the samples of a plot where they are known, else the largest step that all
    values keep to (values such as 0.4 and 2.7 are means of ten).
    """
    counted = item.samples[item.samples > 0]
    if counted.size and counted.max() > 1:
        return float(1.0 / np.median(counted))
    values = item.values[np.isfinite(item.values)]
    for step in STEPS:
        if np.all(np.abs(values / step - np.round(values / step)) < 1e-6):
            return step
    return STEPS[-1]


def draw_courses(
    assessed: tuple[Assessed, ...], plan: PlotPlan, settings: Settings
) -> dict[str, Course]:
    """Draw the courses of all pests, damages and natural enemies, by name of the variable."""
    courses = {}
    for place, item in enumerate(assessed):
        wanted = item.variable.role in DRAWN and item.variable.kind is not Kind.MEASUREMENT
        if not wanted or plan.untreated is None or not (item.days > 0).any():
            continue
        counted = item.variable.kind is Kind.COUNT
        unit = step_of(item) if counted else 1.0
        drawn = course_draws(
            plan.layout,
            item.values,
            kind="count" if counted else "percent",
            unit=unit,
            items=item.examined,
            units=plan.units,
            draws=DRAWS,
            seed=settings.seed + place,
        )
        aggregated = counted and drawn.dispersion > 0.0
        start = _start(item, drawn)
        courses[item.variable.name] = Course(
            item=item,
            means=drawn.means,
            aggregation=1.0 / drawn.dispersion if aggregated else float("inf"),
            unit=unit,
            start=start,
            automatic=_automatic(item, plan, start),
        )
    return courses


def _start(item: Assessed, drawn: CourseDraws) -> StartSlope | None:
    if item.baseline is None:
        return None
    return start_slope(
        drawn.deviations, drawn.precision, item.baseline, drawn.plot_df / item.days.size
    )


def _automatic(item: Assessed, plan: PlotPlan, start: StartSlope | None) -> ControlMethod:
    if start is None or start.slope <= FORETELLS or item.baseline is None:
        return ControlMethod.ABBOTT
    before = treatment_means(item.values[:, [item.baseline]], plan)[:, 0]
    found = before > 0.0
    defined = bool(found[plan.untreated] and found[plan.others].any())
    return ControlMethod.HENDERSON_TILTON if defined else ControlMethod.ABBOTT


def method_of(course: Course, settings: Settings) -> ControlMethod:
    """Formula behind the control that the report shows."""
    return chosen_method(settings.control, course.item, course)


def limits(draws: FloatArray, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Central interval of draws along their first axis; NaN where not all are finite."""
    known = np.isfinite(draws).all(axis=0)
    with np.errstate(invalid="ignore"):
        low, high = quantiles_of_draws(draws, [alpha / 2.0, 1.0 - alpha / 2.0])
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def two_sided(draws: FloatArray, value: float = 0.0) -> FloatArray:
    """Two-sided p-value of a value, from draws along their first axis."""
    below = one_sided(draws, value)
    p: FloatArray = np.minimum(1.0, 2.0 * np.minimum(below, 1.0 - below + 1.0 / len(draws)))
    return p


def one_sided(draws: FloatArray, value: float) -> FloatArray:
    """P-value against the claim that the true number lies above a value: the share at or below."""
    known = np.isfinite(draws).all(axis=0)
    share = ((draws <= value).sum(axis=0) + 1.0) / (len(draws) + 1.0)
    p: FloatArray = np.where(known, share, np.nan)
    return p
