"""What treatments did to natural enemies, and pests that rose where enemies were down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import Course, limits, method_of, two_sided
from trialkit.analysis.responses import FloatArray, treatment_means
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.measures import control as formulas
from trialkit.measures.natural_enemies import field_class, pest_per_enemy, resurgence
from trialkit.trial import ControlMethod, VariableRole

#: Percent above the untreated from which a pest is said to have risen beyond it (common practice,
#: no source).
PEST_ABOVE = 25.0


def _courses(basis: Basis, role: VariableRole) -> list[Course]:
    return [course for course in basis.courses.values() if course.item.variable.role is role]


def _estimate(basis: Basis, course: Course, untreated: int) -> formulas.Control:
    """Reduction against the untreated by the method of the settings, (treatments, days after)."""
    means = treatment_means(course.item.values, basis.plan)
    after = course.item.days > 0
    treated, check = means[:, after], means[untreated, after]
    baseline = course.item.baseline
    if baseline is None or method_of(course, basis.settings) is ControlMethod.ABBOTT:
        return formulas.abbott(treated, check)
    before = means[:, [baseline]]
    return formulas.henderson_tilton(treated, before, check, before[untreated])


def enemy_table(basis: Basis) -> pd.DataFrame:
    """Reduction of natural enemies by day, with its interval and class.

    The class is that of the estimate (IOBC field scheme); with few enemies the interval often
    spans several classes, so read them together. ``pest_per_enemy`` is for the first pest that
    was counted on the same day: a quotient of treatment means, with its interval, and
    ``pest_per_enemy_p`` tests whether it is that of the untreated. The courses of pest and enemy
    are drawn apart from each other.
    """
    untreated = basis.plan.untreated
    if untreated is None:
        return empty_table("natural_enemies")
    pests = _courses(basis, VariableRole.PEST)[:1]
    tables = []
    for course in _courses(basis, VariableRole.NATURAL_ENEMY):
        found = _estimate(basis, course, untreated)
        drawn = course.control(untreated, method_of(course, basis.settings))
        lower, upper = limits(drawn, basis.settings.alpha)
        upper = np.maximum(upper, np.where(np.isfinite(found.percent), found.percent, -np.inf))
        p = two_sided(drawn)
        for j, day in enumerate(course.after):
            others = list(range(len(basis.plan.treatments)))
            own = np.array(others) == untreated
            known = np.isfinite(found.percent[others, j]) & ~own
            percent = np.where(known, found.percent[others, j], np.nan)
            at = int(np.flatnonzero(course.item.days == day)[0])
            ratio = _Ratio.none(len(others))
            for pest in pests:
                same = np.flatnonzero(pest.item.days == day)
                if same.size:
                    ratio = _ratio(basis, pest, int(same[0]), course, at, untreated)
            tables.append(
                make_table(
                    "natural_enemies",
                    {
                        "variable": [course.item.variable.name] * len(others),
                        "days_after": [float(day)] * len(others),
                        "treatment": [basis.plan.treatments[i] for i in others],
                        "percent": percent,
                        "lower": np.where(known, lower[others, j], np.nan),
                        "upper": np.where(known, upper[others, j], np.nan),
                        "p": np.where(known, p[others, j], np.nan),
                        "harm_class": [text or None for text in field_class(percent).label],
                        "pest_per_enemy": ratio.value,
                        "pest_per_enemy_lower": ratio.lower,
                        "pest_per_enemy_upper": ratio.upper,
                        "pest_per_enemy_p": ratio.p,
                        "reason": [
                            "the untreated itself" if mine else (text or None)
                            for mine, text in zip(own, found.reason[others, j], strict=True)
                        ],
                    },
                )
            )
    return join_tables("natural_enemies", tables)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ratio:
    """Pests for each enemy by treatment, with limits and the test against the untreated."""

    value: FloatArray
    lower: FloatArray
    upper: FloatArray
    p: FloatArray

    @classmethod
    def none(cls, size: int) -> _Ratio:
        nothing = np.full(size, np.nan)
        return cls(value=nothing, lower=nothing, upper=nothing, p=nothing)


def _ratio(
    basis: Basis, pest: Course, pest_day: int, enemy: Course, enemy_day: int, untreated: int
) -> _Ratio:
    """Pests for each enemy of all treatments on one day."""
    pests = treatment_means(pest.item.values, basis.plan)[:, pest_day]
    enemies = treatment_means(enemy.item.values, basis.plan)[:, enemy_day]
    value = pest_per_enemy(pests, enemies).value
    drawn = pest.means[:, :, pest_day] / enemy.means[:, :, enemy_day]
    lower, upper = limits(drawn, basis.settings.alpha)
    known = np.isfinite(value)
    # With no enemy found there is no quotient, but it is at least so large.
    none_found = np.isfinite(pests) & (enemies == 0.0) & (pests > 0.0)
    p = two_sided(np.log(drawn / drawn[:, [untreated]]))
    other = np.arange(value.size) != untreated
    return _Ratio(
        value=value,
        lower=np.where(known | none_found, lower, np.nan),
        upper=np.where(known, upper, np.nan),
        p=np.where((known | none_found) & other & known[untreated], p, np.nan),
    )


def with_harm_classes(basis: Basis, reductions: pd.DataFrame) -> pd.DataFrame:
    """Class the reductions of natural enemies over the whole period (IOBC field scheme)."""
    enemies = {
        item.variable.name
        for item in basis.assessed
        if item.variable.role is VariableRole.NATURAL_ENEMY
    }
    classed = reductions["variable"].isin(enemies) & (reductions["measure"] == "pest_days")
    percent = np.where(classed, reductions["percent"].to_numpy(dtype=float), np.nan)
    labels = [text or None for text in field_class(percent).label]
    return reductions.assign(harm_class=pd.Series(labels, index=reductions.index, dtype=object))


def resurgence_table(basis: Basis) -> pd.DataFrame:
    """Treatments with fewer enemies than the untreated, and later more pests.

    Fewer enemies must have been shown (limit of the interval above 0); the pest must stand more
    than `PEST_ABOVE` percent above the untreated; ``lower`` and ``upper`` tell how sure that is.
    """
    untreated = basis.plan.untreated
    if untreated is None:
        return empty_table("resurgence")
    tables = []
    for enemy in _courses(basis, VariableRole.NATURAL_ENEMY):
        shown = enemy.control(untreated, method_of(enemy, basis.settings))
        down, _ = limits(shown, basis.settings.alpha)
        fewer = _estimate(basis, enemy, untreated).percent
        for pest in _courses(basis, VariableRole.PEST):
            control = _estimate(basis, pest, untreated).percent
            low, high = limits(
                pest.control(untreated, method_of(pest, basis.settings)), basis.settings.alpha
            )
            found = resurgence(
                enemy.after, down, pest.after, control, enemies_down=1.0, pest_above=PEST_ABOVE
            )
            flagged = np.flatnonzero(found.flag)
            flagged = flagged[flagged != untreated]
            if not flagged.size:
                continue
            at_enemy = np.searchsorted(enemy.after, found.enemies_down_day[flagged])
            at_pest = np.searchsorted(pest.after, found.pest_above_day[flagged])
            tables.append(
                make_table(
                    "resurgence",
                    {
                        "variable": [pest.item.variable.name] * flagged.size,
                        "enemy": [enemy.item.variable.name] * flagged.size,
                        "treatment": [basis.plan.treatments[i] for i in flagged],
                        "enemy_day": found.enemies_down_day[flagged],
                        "enemy_percent": fewer[flagged, at_enemy],
                        "pest_day": found.pest_above_day[flagged],
                        "pest_percent": -control[flagged, at_pest],
                        "lower": -high[flagged, at_pest],
                        "upper": -low[flagged, at_pest],
                    },
                )
            )
    return join_tables("resurgence", tables)
