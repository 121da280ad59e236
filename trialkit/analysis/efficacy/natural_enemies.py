"""What treatments did to natural enemies, and pests that rose where enemies were down."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.control import percent_control
from trialkit.analysis.fits.courses import Course, control_limits, method_of
from trialkit.analysis.plots.responses import FloatArray, IntArray, treatment_means
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.log_laws import Frequencies, LogLaw
from trialkit.measures.natural_enemies import class_of_interval, pest_per_enemy
from trialkit.trial import ControlMethod, VariableRole

#: Pests for each enemy, its limits and the test against the untreated, as the table names them.
PER_ENEMY = ("pest_per_enemy", "pest_per_enemy_lower", "pest_per_enemy_upper", "pest_per_enemy_p")


def _courses(basis: Basis, role: VariableRole) -> list[Course]:
    return [course for course in basis.courses.values() if course.item.variable.role is role]


@dataclass(frozen=True, kw_only=True, eq=False)
class EnemyReduction:
    """Reduction of one natural enemy against the untreated, all (treatments, days after).

    Attributes
    ----------
    course : Course
    percent, reason
        The estimate by the method of the settings, and why there is none.
    lower, upper, p
        Central interval, and the two-sided p-value of no reduction.
    """

    course: Course
    percent: FloatArray
    reason: NDArray[np.object_]
    lower: FloatArray
    upper: FloatArray
    p: FloatArray


def enemy_reductions(basis: Basis) -> tuple[EnemyReduction, ...]:
    """Reduction of every natural enemy on every day after treatment."""
    untreated = basis.plan.untreated
    if untreated is None:
        return ()
    found = []
    for course in _courses(basis, VariableRole.NATURAL_ENEMY):
        method = method_of(course, basis.settings)
        means = treatment_means(course.item.values, basis.plan)
        control = percent_control(means, course.item, untreated, method, course)
        law = course.ratios(untreated, method)
        lower, upper = control_limits(law, basis.settings.alpha)
        found.append(
            EnemyReduction(
                course=course,
                percent=control.percent,
                reason=control.reason,
                lower=lower,
                upper=upper,
                p=law.two_sided(1.0),
            )
        )
    return tuple(found)


def enemy_table(basis: Basis, reductions: Sequence[EnemyReduction]) -> pd.DataFrame:
    """Reduction of natural enemies by day, with its interval and class.

    The classes (IOBC field scheme) are those in which the interval lies. ``pest_per_enemy`` is
    for the first pest that was counted on the same day: a quotient of treatment means, with its
    interval, and
    ``pest_per_enemy_p`` tests whether it is that of the untreated. The courses of pest and enemy
    are taken as independent of each other.
    """
    ids, untreated = basis.plan.treatments, basis.plan.untreated
    if untreated is None:
        return empty_table("natural_enemies")
    pests = _courses(basis, VariableRole.PEST)[:1]
    own = np.arange(len(ids))[:, None] == untreated
    parts: list[dict[str, Sized]] = []
    for found in reductions:
        days = found.course.after
        known = np.isfinite(found.percent) & ~own
        percent = np.where(known, found.percent, np.nan)
        # Nothing left is 100 % in this trial; the true reduction is at most that.
        upper = np.maximum(found.upper, np.where(known, percent, -np.inf))
        reason = np.where(own, "the untreated itself", found.reason)
        numbers = {
            "percent": percent,
            "lower": np.where(known, found.lower, np.nan),
            "upper": np.where(known, upper, np.nan),
            "p": np.where(known, found.p, np.nan),
            **_pests_per_enemy(basis, pests, found.course, untreated),
        }
        parts.append(
            {
                "variable": [found.course.item.variable.name] * known.size,
                "days_after": np.repeat(days, len(ids)),
                "treatment": list(ids) * days.size,
                **{name: values.T.ravel() for name, values in numbers.items()},
                "harm_class": [
                    text or None
                    for text in class_of_interval(
                        numbers["lower"].T.ravel(), numbers["upper"].T.ravel()
                    )
                ],
                "reason": [text or None for text in reason.T.ravel()],
            }
        )
    return table_of_parts("natural_enemies", parts)


def _pests_per_enemy(
    basis: Basis, pests: Sequence[Course], enemy: Course, untreated: int
) -> dict[str, FloatArray]:
    """Columns of `PER_ENEMY`, (treatments, days after); NaN where the pest was not counted."""
    shape = (len(basis.plan.treatments), enemy.after.size)
    found = {name: np.full(shape, np.nan) for name in PER_ENEMY}
    for pest in pests:
        same = np.flatnonzero(np.isin(enemy.after, pest.item.days))
        of_enemy = np.searchsorted(enemy.item.days, enemy.after[same])
        of_pest = np.searchsorted(pest.item.days, enemy.after[same])
        ratios = _ratios(basis, pest, of_pest, enemy, of_enemy, untreated)
        for name, values in zip(PER_ENEMY, ratios, strict=True):
            found[name][:, same] = values
    return found


def _ratios(
    basis: Basis,
    pest: Course,
    of_pest: IntArray,
    enemy: Course,
    of_enemy: IntArray,
    untreated: int,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Pests for each enemy, limits and p-value; the same days by their places in both courses."""
    pests = treatment_means(pest.item.values, basis.plan)[:, of_pest]
    enemies = treatment_means(enemy.item.values, basis.plan)[:, of_enemy]
    value = pest_per_enemy(pests, enemies).value
    alpha = basis.settings.alpha
    own, against = _per_enemy(pest, of_pest, enemy, of_enemy, (None, untreated))
    lower, upper = own.quantiles((alpha / 2.0, 1.0 - alpha / 2.0))
    known = np.isfinite(value)
    # With no enemy found there is no quotient, but it is at least so large.
    none_found = np.isfinite(pests) & (enemies == 0.0) & (pests > 0.0)
    p = against.two_sided(1.0)
    other = np.arange(len(value))[:, None] != untreated
    return (
        value,
        np.where(known | none_found, lower, np.nan),
        np.where(known, upper, np.nan),
        np.where((known | none_found) & other & known[untreated], p, np.nan),
    )


def _per_enemy(
    pest: Course,
    of_pest: IntArray,
    enemy: Course,
    of_enemy: IntArray,
    bases: tuple[int | None, ...],
) -> list[LogLaw]:
    """Laws of pests for each enemy, against each of the bases; both are independent."""
    sides = ((pest, of_pest), (enemy, of_enemy))
    reach = [course.ratios(None, ControlMethod.ABBOTT).frequencies for course, _ in sides]
    # What suits one of two factors suits the product.
    common = min(reach, key=lambda frequencies: frequencies.reach)
    above, under = (
        _means_on(course, days, bases, None if own is common else common)
        for (course, days), own in zip(sides, reach, strict=True)
    )
    return [one.times(other.inverse()) for one, other in zip(above, under, strict=True)]


def _means_on(
    course: Course,
    days: IntArray,
    bases: tuple[int | None, ...],
    frequencies: Frequencies | None,
) -> list[LogLaw]:
    """Laws of means on some days against each base; on other frequencies than its own, if any."""
    if frequencies is None:
        place = np.searchsorted(course.after, course.item.days[days])
        laws = [course.ratios(base, ControlMethod.ABBOTT) for base in bases]
        return [law.on((slice(None), place)) for law in laws]
    return course.law.ratios(Quotient(days=days, base=None), bases, frequencies)


def resurgence_table(
    basis: Basis, reductions: Sequence[EnemyReduction], claims: pd.DataFrame
) -> pd.DataFrame:
    """Treatments with fewer enemies than the untreated and, as the claims say, later more pests.

    The day named is that on which the pest, as counted, stood highest against the untreated after
    the enemies were down (limit of their interval above 0, or their first count); ``lower`` and
    ``upper`` are the interval of that day on its own.
    """
    untreated = basis.plan.untreated
    shown = claims[
        (claims["question"] == "resurgence")
        & claims["shown"].eq(True)
        & (claims["direction"] == "higher")
    ]
    if untreated is None or shown.empty:
        return empty_table("resurgence")
    pests = {course.item.variable.name: course for course in _courses(basis, VariableRole.PEST)}
    place = {name: code for code, name in enumerate(basis.plan.treatments)}
    parts: list[dict[str, Sized]] = []
    for name, treatment, p in zip(shown["variable"], shown["a"], shown["p_adjusted"], strict=True):
        if name in pests and reductions:
            code = place[treatment]
            enemy = max(reductions, key=lambda item: _most_down(item, code))
            parts.append(_risen(basis, enemy, pests[name], (code, untreated), float(p)))
    return table_of_parts("resurgence", parts)


def _most_down(enemy: EnemyReduction, code: int) -> float:
    lower = enemy.lower[code]
    return float(np.nanmax(lower)) if np.isfinite(lower).any() else -np.inf


def _risen(
    basis: Basis, enemy: EnemyReduction, pest: Course, pair: tuple[int, int], p: float
) -> dict[str, Sized]:
    code, untreated = pair
    down = np.flatnonzero(enemy.lower[code] > 0.0)
    at_enemy = int(down[0]) if down.size else 0
    if not (pest.after > enemy.course.after[at_enemy]).any():
        at_enemy = 0  # the claim looks at all days after the first count of the enemies
    enemy_day = float(enemy.course.after[at_enemy])
    after = pest.item.days > 0
    means = treatment_means(pest.item.values, basis.plan)[:, after]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(pest.after > enemy_day, means[code] / means[untreated], np.nan)
    most = int(np.nanargmax(ratio))
    law = pest.ratios(untreated, ControlMethod.ABBOTT)
    low, high = (ends[code, most] for ends in control_limits(law, basis.settings.alpha))
    return {
        "variable": [pest.item.variable.name],
        "enemy": [enemy.course.item.variable.name],
        "treatment": [basis.plan.treatments[code]],
        "enemy_day": [enemy_day],
        "enemy_percent": [enemy.percent[code, at_enemy]],
        "pest_day": [float(pest.after[most])],
        "pest_mean": [means[code, most]],
        "untreated_mean": [means[untreated, most]],
        "pest_percent": [100.0 * (ratio[most] - 1.0) if np.isfinite(ratio[most]) else np.nan],
        "lower": [-float(high)],
        "upper": [-float(low)],
        "p": [p],
    }
