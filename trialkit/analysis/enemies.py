"""What treatments did to natural enemies, and pests that rose where enemies were down."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import Course, limits, method_of, two_sided
from trialkit.analysis.responses import treatment_means
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
    was counted on the same day.
    """
    untreated = basis.plan.untreated
    if untreated is None:
        return empty_table("natural_enemies")
    pests = [item for item in basis.assessed if item.variable.role is VariableRole.PEST]
    tables = []
    for course in _courses(basis, VariableRole.NATURAL_ENEMY):
        found = _estimate(basis, course, untreated)
        drawn = course.control(untreated, method_of(course, basis.settings))
        lower, upper = limits(drawn, basis.settings.alpha)
        upper = np.maximum(upper, np.where(np.isfinite(found.percent), found.percent, -np.inf))
        p = two_sided(drawn)
        means = treatment_means(course.item.values, basis.plan)
        for j, day in enumerate(course.after):
            others = list(range(len(basis.plan.treatments)))
            own = np.array(others) == untreated
            known = np.isfinite(found.percent[others, j]) & ~own
            percent = np.where(known, found.percent[others, j], np.nan)
            enemy = means[others, np.flatnonzero(course.item.days == day)[0]]
            ratio = np.full(len(others), np.nan)
            for pest in pests[:1]:
                at = np.flatnonzero(pest.days == day)
                if at.size:
                    counted = treatment_means(pest.values, basis.plan)[others, at[0]]
                    ratio = pest_per_enemy(counted, enemy).value
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
                        "pest_per_enemy": ratio,
                        "reason": [
                            "the untreated itself" if mine else (text or None)
                            for mine, text in zip(own, found.reason[others, j], strict=True)
                        ],
                    },
                )
            )
    return join_tables("natural_enemies", tables)


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
