"""What mixtures did beyond their parts: on every day, and over the whole time after treatment."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.carrier import Shown, targets
from trialkit.analysis.fits.courses import Course
from trialkit.analysis.fits.joint_logs import JointLogs, beyond_in_points
from trialkit.analysis.plots.responses import FloatArray, treatment_means
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.measures.mixtures import colby, colby_expected
from trialkit.measures.pest_days import pest_days, reduction
from trialkit.trial import ControlMethod, Treatment

TOO_FEW_DAYS = "fewer than two days after treatment on which all of them were assessed"


def _mixtures(basis: Basis) -> Iterator[tuple[Treatment, int, list[int]]]:
    """Mixtures whose parts are treatments of the trial, with the codes of both."""
    ids = basis.plan.treatments
    for item in basis.trial.treatments:
        if len(item.parts) >= 2 and all(part in ids for part in item.parts):
            yield item, ids.index(item.id), [ids.index(part) for part in item.parts]


def mixture_table(basis: Basis) -> pd.DataFrame:
    """Control of each mixture against what its parts let expect (Colby).

    The verdict goes by the test of the difference: ``more than expected``, ``less than expected``,
    or ``as expected`` where none was shown, which is no proof of independence.
    """
    plan = basis.plan
    if plan.untreated is None:
        return empty_table("mixtures")
    tables = []
    for course in targets(basis):
        shown = Shown(basis, course)
        for item, code, parts in _mixtures(basis):
            found = colby(shown.percent[parts], shown.percent[code])
            difference = found.difference
            known = np.isfinite(difference)
            lower, upper, p = (
                np.where(known, part, np.nan)
                for part in course.beyond(shown.method, parts, code, basis.settings.alpha)
            )
            size = shown.days.size
            tables.append(
                make_table(
                    "mixtures",
                    {
                        "variable": [course.item.variable.name] * size,
                        "days_after": shown.days,
                        "treatment": [item.id] * size,
                        "parts": ["+".join(item.parts)] * size,
                        "expected": found.expected,
                        "observed": shown.percent[code],
                        "difference": difference,
                        "lower": lower,
                        "upper": upper,
                        "p": p,
                        "verdict": [
                            _verdict(*row, basis.settings.alpha)
                            for row in zip(lower, upper, p, strict=True)
                        ],
                        "reason": [
                            None if np.isfinite(value) else "not defined on this day"
                            for value in difference
                        ],
                    },
                )
            )
    return join_tables("mixtures", tables)


def _verdict(lower: float, upper: float, p: float, alpha: float) -> str | None:
    if not np.isfinite(lower):
        return None
    if p > alpha or (lower < 0.0 < upper):
        return "as expected"
    return "more than expected" if lower >= 0.0 else "less than expected"


def mixture_period_table(basis: Basis) -> pd.DataFrame:
    """Mixtures against their expectation over all days after treatment, one row each.

    Colby's expectation is formed on every day and its pest-days are summed, so that control that
    changes over the days makes no difference of itself. ``observed`` and ``expected`` are percent
    control of the pest-days from the first day after treatment to the last, those of the untreated
    being 100. Where a count before treatment exists and the method is left to the data, treatments
    are adjusted for it as far as it foretold the later counts: ``adjustment`` is 0 where it did
    not (Abbott) and 1 where it did so fully (Henderson-Tilton).
    """
    plan = basis.plan
    if plan.untreated is None:
        return empty_table("mixture_periods")
    tables = []
    for course in targets(basis):
        if course.after.size < 2:
            continue
        adjustment = _adjustment(basis, course)
        means = treatment_means(course.item.values, plan)
        for item, code, parts in _mixtures(basis):
            used = [plan.untreated, code, *parts]
            assessed = np.isfinite(means[used]).all(axis=0) & (course.item.days > 0)
            one = _period(course, means[None], used, assessed, adjustment)[:, 0]
            known = bool(np.isfinite(one).all())
            lower = upper = p = np.nan
            if known:
                lower, upper, p = _beyond(
                    course, (code, parts), assessed, adjustment, basis.settings.alpha
                )
                # Where nothing was found the estimate lies at the end of the scale.
                lower, upper = min(lower, one[0] - one[1]), max(upper, one[0] - one[1])
            tables.append(
                make_table(
                    "mixture_periods",
                    {
                        "variable": [course.item.variable.name],
                        "treatment": [item.id],
                        "parts": ["+".join(item.parts)],
                        "days": [float(assessed.sum())],
                        "adjustment": [adjustment],
                        "expected": [one[1]],
                        "observed": [one[0]],
                        "difference": [one[0] - one[1]],
                        "lower": [lower],
                        "upper": [upper],
                        "p": [p],
                        "verdict": [_verdict(lower, upper, p, basis.settings.alpha)],
                        "reason": [None if known else TOO_FEW_DAYS],
                    },
                )
            )
    return join_tables("mixture_periods", tables)


def _beyond(
    course: Course,
    treatments: tuple[int, list[int]],
    assessed: np.ndarray[tuple[int], np.dtype[np.bool_]],
    adjustment: float,
    alpha: float,
) -> tuple[float, float, float]:
    """Limits and p of the control of the pest-days beyond expectation, on the log scale."""
    code, parts = treatments
    slope = course.start if 0.0 < adjustment < 1.0 else None
    joint = JointLogs(
        moments=course.moments,
        untreated=course.bases[0],
        before=course.item.baseline if adjustment > 0.0 else None,
        power=adjustment,
        power_se=0.0 if slope is None else slope.se,
    )
    widths = np.zeros(course.item.days.size)
    days = np.flatnonzero(assessed)
    steps = np.diff(course.item.days[days]) / 2.0
    widths[days[:-1]] += steps
    widths[days[1:]] += steps
    return beyond_in_points(joint, code, parts, widths, alpha)


def _adjustment(basis: Basis, course: Course) -> float:
    """Power of the count before treatment by which later counts are divided, 0 to 1.

    The slope that the plots show (`Course.start`) where the choice is left to them.
    """
    asked = basis.settings.control
    if course.item.baseline is None or asked is ControlMethod.ABBOTT:
        return 0.0
    if asked is not ControlMethod.AUTO and asked is not ControlMethod.ADJUSTED:
        return 1.0
    return 0.0 if course.start is None else course.start.power


def _period(
    course: Course,
    means: FloatArray,
    used: list[int],
    assessed: np.ndarray[tuple[int], np.dtype[np.bool_]],
    adjustment: float,
) -> FloatArray:
    """Observed and expected control of the pest-days, (2, m); NaN where undefined.

    ``means`` is (m, treatments, days); ``used`` the untreated, the mixture and its parts.
    """
    undefined = np.full((2, means.shape[0]), np.nan)
    if assessed.sum() < 2:
        return undefined
    counts = means[:, used][:, :, assessed]
    if adjustment > 0.0:
        before = means[:, used, course.item.baseline]
        if not (before > 0.0).all():
            return undefined
        counts = counts * ((before[:, [0]] / before) ** adjustment)[:, :, None]
    untreated, mixture, parts = counts[:, 0], counts[:, 1], counts[:, 2:]
    days = course.item.days[assessed]
    total = pest_days(days, untreated).pest_days
    with np.errstate(divide="ignore", invalid="ignore"):
        # Nothing in the untreated on a day: nothing to expect in the mixture either.
        left = np.where(untreated[:, None] > 0.0, parts / untreated[:, None], 0.0)
        expected = untreated * (1.0 - colby_expected(100.0 * (1.0 - left), axis=1).percent / 100.0)
    return np.stack(
        [reduction(pest_days(days, part).pest_days, total).percent for part in (mixture, expected)]
    )
