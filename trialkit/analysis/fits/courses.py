"""Courses of group means with their uncertainty: what is behind every interval of control.

Ratios of means have exact laws (`Course.ratios`); what hangs on more of them is asked of their
logarithms together (`Course.joint`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any

import numpy as np

from trialkit.analysis.fits.joint_logs import JointLogs, beyond_in_points
from trialkit.analysis.plots.responses import (
    Assessed,
    FloatArray,
    IntArray,
    PlotPlan,
    treatment_means,
)
from trialkit.inference.laws.course_laws import CourseLaw, Quotient
from trialkit.inference.laws.course_moments import CourseMoments, course_moments
from trialkit.inference.laws.foretelling import StartSlope, start_slope
from trialkit.inference.laws.known_course import course_law
from trialkit.inference.laws.log_laws import LogLaw
from trialkit.inference.laws.share_differences import (
    difference_limits,
    excess_limits,
    recovered_limits,
)
from trialkit.trial import ControlMethod, Kind, Settings, VariableRole

#: Steps in which a mean of several samples or plants may rise, largest first.
STEPS = (1.0, 1 / 2, 1 / 3, 1 / 4, 1 / 5, 1 / 6, 1 / 8, 1 / 10, 1 / 12, 1 / 20, 1 / 25, 1 / 50)
#: Slope from which on the count before treatment foretells later ones rather than not.
FORETELLS = 0.5
#: Classes of the scatter of plots over which differences of control are averaged.
_CLASSES, _CLASSES_OF_MIXTURES = 4, 8
#: Roles whose means are compared with the untreated as ratios.
DRAWN = (VariableRole.PEST, VariableRole.DAMAGE, VariableRole.NATURAL_ENEMY)


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """One variable: what is known of its group means on all days.

    Attributes
    ----------
    item : Assessed
    law : CourseLaw
    bases : tuple of int
        Treatments with which others are compared, the untreated first.
    aggregation : float
        k of the negative binomial; infinite where counts vary as Poisson, and of percentages.
    unit : float
        What one individual adds to a count.
    tell_moments : callable
        Tells the log means with their covariance, where they are asked for.
    start : StartSlope or None
        How far the count before treatment foretells later ones; None where it cannot be told.
    automatic : ControlMethod
        Formula for percent control where the choice is left to the data: Henderson-Tilton where
        the slope of `start` is nearer 1 than 0 and it is defined, else Abbott.
    """

    item: Assessed
    law: CourseLaw
    bases: tuple[int, ...]
    aggregation: float
    unit: float
    tell_moments: Callable[[], CourseMoments] = field(repr=False)
    start: StartSlope | None = None
    automatic: ControlMethod = ControlMethod.ABBOTT
    _ratios: dict[tuple[int | None, ControlMethod], LogLaw] = field(
        default_factory=dict, repr=False
    )

    @cached_property
    def moments(self) -> CourseMoments:
        """Log means with their covariance."""
        return self.tell_moments()

    def joint(self, method: ControlMethod) -> JointLogs:
        """Logarithms of all means together, adjusted as a method does."""
        formula = self._formula(method)
        slope = self.start if formula is ControlMethod.ADJUSTED else None
        power = 0.0 if formula is ControlMethod.ABBOTT else 1.0
        return JointLogs(
            moments=self.moments,
            untreated=self.bases[0],
            before=None if power == 0.0 else self.item.baseline,
            power=power if slope is None else slope.power,
            power_se=0.0 if slope is None else slope.se,
        )

    def ratios(self, base: int | None, method: ControlMethod) -> LogLaw:
        """Laws of `survival`: means after treatment as a share of those of one treatment.

        (treatments, days after). Without a base those of the means themselves.
        """
        formula = self._formula(method)
        if (base, formula) not in self._ratios:
            asked = self.quotient(np.flatnonzero(self.item.days > 0), formula, base)
            bases = self._together(formula) if base is None or base in self.bases else (base,)
            laws = self._slanted(asked, self.law.ratios(asked, bases), bases)
            keys = ((each, formula) for each in bases)
            self._ratios.update(zip(keys, laws, strict=True))
        return self._ratios[base, formula]

    def _together(self, formula: ControlMethod) -> tuple[int | None, ...]:
        """Bases whose laws are found at once; pests for each enemy need the means themselves."""
        return (*self.bases, None) if formula is ControlMethod.ABBOTT else self.bases

    def _slanted(
        self, asked: Quotient, laws: list[LogLaw], bases: Sequence[int | None]
    ) -> list[LogLaw]:
        """Allow for the error of the slope in ratios that are adjusted by it."""
        if asked.before is None or asked.power == 1.0 or self.start is None:
            return laws
        early = Quotient(days=np.array([asked.before], dtype=np.intp), base=asked.base)
        before = self.law.ratios(early, bases, laws[0].frequencies)
        return [
            law.slanted(one, self.start.se, self.start.df)
            for law, one in zip(laws, before, strict=True)
        ]

    def compared(
        self, day: int, method: ControlMethod, pairs: tuple[IntArray, IntArray], alpha: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Control of the first of each pair less that of the second, on one day by its place.

        Returns
        -------
        lower, upper, p : float array, shape (pairs,)
            Limits in percentage points; p is exact. Where plots share larger units, or the count
            before treatment is adjusted for by a slope, the limits are recovered from those of
            each control and how the two go together.
        """
        first, second = pairs
        base = self.bases[0]
        days = np.array([day], dtype=np.intp)
        asked = self.quotient(days, method, base)
        given = self.ratios(base, method).frequencies
        under, place = np.unique(first, return_inverse=True)
        bases = [int(code) for code in under]
        laws = self._slanted(asked, self.law.ratios(asked, bases, given), bases)
        # What is left of the second below what is left of the first.
        below = np.stack([law.below(1.0)[:, 0] for law in laws], axis=1)[second, place]
        p = 2.0 * np.minimum(below, 1.0 - below)
        if self._err_together(asked):
            low, high = self._recovered((first, second), (day, method), p, alpha)
        else:
            classes = self.law.classes(asked, given, _CLASSES)
            low, high = difference_limits(classes, (second, first, base), below, alpha)
        return 100.0 * low, 100.0 * high, p

    def _recovered(
        self,
        pairs: tuple[IntArray, IntArray],
        asked: tuple[int, ControlMethod],
        p: FloatArray,
        alpha: float,
    ) -> tuple[FloatArray, FloatArray]:
        """Limits of what the second of each pair leaves, less what the first leaves."""
        (first, second), (day, method) = pairs, asked
        place = int(np.flatnonzero(np.flatnonzero(self.item.days > 0) == day)[0])
        law, joint = self.ratios(self.bases[0], method), self.joint(method)
        low, middle, high = (
            part[:, place] for part in law.quantiles((alpha / 2.0, 0.5, 1.0 - alpha / 2.0))
        )
        together = np.array(
            [joint.shares(pair, day) for pair in zip(first.tolist(), second.tolist(), strict=True)]
        )
        return recovered_limits(
            (middle[second], low[second], high[second]),
            (middle[first], low[first], high[first]),
            together,
            p < alpha,
        )

    def beyond(
        self, method: ControlMethod, parts: Sequence[int], mixture: int, alpha: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Control by a mixture beyond what its parts let expect (Colby), on the days after.

        Returns
        -------
        lower, upper, p : float array, shape (days after,)
            Limits in percentage points; from logarithms where means err together.
        """
        base = self.bases[0]
        after = np.flatnonzero(self.item.days > 0)
        if self._err_together(self.quotient(after, method, base)):
            joint = self.joint(method)
            widths = np.eye(self.item.days.size)[after]
            found = [beyond_in_points(joint, mixture, list(parts), w, alpha) for w in widths]
            low, high, p = np.array(found).T
            return low, high, p
        given = self.ratios(base, method).frequencies
        exact = [
            excess_limits(
                self.law.classes(
                    self.quotient(after[[day]], method, base), given, _CLASSES_OF_MIXTURES
                ),
                parts,
                mixture,
                base,
                alpha,
            )
            for day in range(after.size)
        ]
        low, high, p = np.array(exact).T
        return 100.0 * low, 100.0 * high, p

    def _err_together(self, asked: Quotient) -> bool:
        """Whether the parts of a difference err together: in larger units, or by one slope."""
        slope = asked.before is not None and asked.power < 1.0
        return self.law.shared is not None or slope

    def quotient(self, days: IntArray, method: ControlMethod, base: int | None) -> Quotient:
        """The ratios that a method asks for, of days by their places."""
        formula = self._formula(method)
        if formula is ControlMethod.ABBOTT:
            return Quotient(days=days, base=base)
        adjusted = formula is ControlMethod.ADJUSTED and self.start is not None
        power = self.start.power if adjusted and self.start is not None else 1.0
        return Quotient(days=days, base=base, before=self.item.baseline, power=power)

    def _formula(self, method: ControlMethod) -> ControlMethod:
        return formula_of(method) if self.item.baseline is not None else ControlMethod.ABBOTT

    @property
    def foretold(self) -> bool:
        """Whether the count before treatment foretold later ones rather than not."""
        return self.start is not None and self.start.slope > FORETELLS

    @property
    def after(self) -> FloatArray:
        """Days after treatment."""
        days: FloatArray = self.item.days[self.item.days > 0]
        return days


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


def find_courses(assessed: tuple[Assessed, ...], plan: PlotPlan) -> dict[str, Course]:
    """Find the courses of all pests, damages and natural enemies, by name of the variable."""
    courses = {}
    for item in assessed:
        wanted = item.variable.role in DRAWN and item.variable.kind is not Kind.MEASUREMENT
        if not wanted or plan.untreated is None or not (item.days > 0).any():
            continue
        counted = item.variable.kind is Kind.COUNT
        unit = step_of(item) if counted else 1.0
        told: dict[str, Any] = {
            "kind": "count" if counted else "percent",
            "unit": unit,
            "items": item.examined,
            "units": plan.units,
        }
        law = course_law(plan.layout, item.values, **told)
        level = law.posterior.level
        start = _start(item, law)
        courses[item.variable.name] = Course(
            item=item,
            law=law,
            tell_moments=partial(course_moments, plan.layout, item.values, **told),
            bases=_bases(plan),
            aggregation=1.0 / level if counted and level > 0.0 else float("inf"),
            unit=unit,
            start=start,
            automatic=_automatic(item, plan, start),
        )
    return courses


def _bases(plan: PlotPlan) -> tuple[int, ...]:
    found = (plan.untreated, plan.reference)
    return tuple(code for code in found if code is not None)


def _start(item: Assessed, law: CourseLaw) -> StartSlope | None:
    if item.baseline is None:
        return None
    evidence = law.evidence
    return start_slope(
        evidence.deviations, evidence.precision, item.baseline, evidence.df / item.days.size
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


def control_limits(law: LogLaw, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Central interval of percent control, from the law of the ratio to the untreated."""
    low, high = law.quantiles((alpha / 2.0, 1.0 - alpha / 2.0))
    return 100.0 * (1.0 - high), 100.0 * (1.0 - low)
