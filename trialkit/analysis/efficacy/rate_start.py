"""Whether a lower rate loses more, against the full rate, where more pests were at the start."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.carrier import pests
from trialkit.analysis.efficacy.rates import lower_rates
from trialkit.analysis.fits.courses import Course
from trialkit.analysis.plots.responses import FloatArray, treatment_means
from trialkit.analysis.result import empty_table, make_table
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.known_course import positive_laws
from trialkit.inference.laws.log_laws import LogLaw
from trialkit.inference.laws.scaled_changes import change_limits
from trialkit.inference.laws.start_slopes import SlopeDifference, slope_difference
from trialkit.inference.normal.linear import fit_layout
from trialkit.measures.pest_days import pest_days
from trialkit.trial import ControlMethod, Kind

PLOTS, BLOCKS = "plots", "blocks"
#: Range of the counts at the start, largest over smallest, from which something may be told: one
#: doubling (common practice, no source).
LEAST_RANGE = 2.0
SMALL_RANGE = (
    "the counts before treatment differ less than twofold: how the rates compare at other numbers "
    "the trial cannot tell"
)
#: Mean square of blocks over that of plots, of log counts before treatment, from which the count of
#: the block is taken (common practice, no source). It looks at counts before treatment alone.
BLOCK_RATIO = 2.0
_FEWEST_BLOCKS = 3
#: A slope on the log scale beyond this says nothing: a factor of ten million for each doubling.
_MOST_SLOPE = 16.0


@dataclass(frozen=True, kw_only=True, eq=False)
class _Start:
    """Counts before treatment of plots, or of their blocks, (n,); NaN where unknown."""

    level: str
    counts: FloatArray


def rate_start_table(basis: Basis) -> pd.DataFrame:
    """Interaction of lower rate against full rate with the count before treatment.

    One row a pest, lower rate and day after treatment, and one with no day for the pest-days of
    all days after it. ``ratio`` is by how much the pests left by the lower rate, as a multiple of
    those left by the full rate, grow with every doubling of the count before treatment; ``points``
    what such a doubling changes in the difference of control (lower less full rate, percentage
    points), the full rate's control staying as it is: minus the share of the untreated that the
    lower rate left (means of the same days), times the ratio less 1.

    ``level`` says whether the count before treatment is that of each plot or the mean of its block:
    of the block where blocks differed more before treatment than their plots did
    (`BLOCK_RATIO`), as a mean of many plots is less a matter of chance; slopes on counts of single
    plots come out too flat.
    Only for counts, and designs with one error.
    """
    if basis.plan.untreated is None or basis.plan.units:
        return empty_table("rate_start")
    rows: list[dict[str, object]] = []
    for course in pests(basis):
        item = course.item
        if item.variable.kind is not Kind.COUNT or item.baseline is None:
            continue
        start = _start(basis, course)
        for full, rates in lower_rates(basis):
            for code in rates:
                rows += _rows(basis, course, start, code, full)
    names = list(rows[0]) if rows else []
    return make_table("rate_start", {name: [row[name] for row in rows] for name in names})


def _start(basis: Basis, course: Course) -> _Start:
    layout = basis.plan.layout
    plots = course.item.values[:, course.item.baseline]
    plots = np.where(np.isfinite(plots), np.maximum(plots, course.unit / 2.0), np.nan)
    blocks = layout.blocking[0][1] if len(layout.blocking) == 1 else None
    if blocks is None or np.unique(blocks).size < _FEWEST_BLOCKS:
        return _Start(level=PLOTS, counts=plots)
    term = fit_layout(layout, np.log(plots))[0].terms[0]
    if not float(term.F[0]) >= BLOCK_RATIO:
        return _Start(level=PLOTS, counts=plots)
    own = [plots[(blocks == code) & np.isfinite(plots)] for code in np.unique(blocks)]
    means = np.array([each.mean() if each.size else np.nan for each in own])
    return _Start(level=BLOCKS, counts=means[np.searchsorted(np.unique(blocks), blocks)])


def _responses(course: Course) -> Iterator[tuple[float, FloatArray, float]]:
    """Day, values of the plots and worth of one individual: the whole time, then each day."""
    item = course.item
    later = item.days > 0
    if course.after.size > 1:
        area = pest_days(course.after, item.values[:, later])
        span = float(course.after[-1] - course.after[0])
        step = np.diff(course.after)
        weights = np.append(step, 0.0) / 2.0 + np.append(0.0, step) / 2.0
        # Individuals count as often as the days for which their assessment stands.
        worth = float((weights**2).sum() / weights.sum()) * course.unit
        yield float("nan"), area.per_day * span, worth
    for day in np.flatnonzero(later):
        yield float(item.days[day]), item.values[:, day], course.unit


def _rows(
    basis: Basis, course: Course, start: _Start, code: int, full: int
) -> Iterator[dict[str, object]]:
    plan, alpha = basis.plan, basis.settings.alpha
    own = np.isin(plan.treatment, (code, full)) & np.isfinite(start.counts)
    covered = start.counts[own]
    low, high = (covered.min(), covered.max()) if covered.size else (np.nan, np.nan)
    for day, values, worth in _responses(course):
        found = slope_difference(plan.layout, values, start.counts, code, full, unit=worth)
        means = treatment_means(values[:, None], plan)[:, 0]
        left = means[code] / means[plan.untreated] if means[plan.untreated] > 0 else np.nan
        lower, upper = found.limits(alpha)
        share = _share_left(basis, course, code, day, values)
        ends = _points_limits(share, found, alpha)
        ratio = _factor(found.slope)
        known = np.isfinite(ratio) & np.isfinite(left)
        small = bool(high < LEAST_RANGE * low)
        yield {
            "variable": course.item.variable.name,
            "days_after": day,
            "treatment": plan.treatments[code],
            "full": plan.treatments[full],
            "level": start.level,
            "start_lowest": low,
            "start_highest": high,
            "ratio": ratio,
            "ratio_lower": _factor(lower),
            "ratio_upper": _factor(upper),
            "points": -100.0 * left * (ratio - 1.0) if known else np.nan,
            "lower": ends[0] if known else np.nan,
            "upper": ends[1] if known else np.nan,
            "p": found.p,
            "note": SMALL_RANGE if small else None,
            "reason": found.reason or None,
        }


def _factor(slope: float) -> float:
    """Factor of a slope on the log scale; NaN where it is beyond anything that could be said."""
    return float(np.exp(slope)) if abs(slope) <= _MOST_SLOPE else float("nan")


def _share_left(
    basis: Basis, course: Course, code: int, day: float, values: FloatArray
) -> LogLaw | None:
    """Law of what a rate left of the untreated, on a day or over all days."""
    untreated = basis.plan.untreated
    if untreated is None:
        return None
    if np.isfinite(day):
        place = int(np.flatnonzero(course.after == day)[0])
        return course.ratios(untreated, ControlMethod.ABBOTT).on((code, place))
    if not np.nanmax(values, initial=0.0) > 0.0 or np.nanmin(values, initial=0.0) < 0.0:
        return None
    (law,) = positive_laws(basis.plan.layout, values[:, None])
    asked = Quotient(days=np.zeros(1, dtype=np.intp), base=untreated)
    return law.ratio(asked).on((code, 0))


def _points_limits(
    share: LogLaw | None, found: SlopeDifference, alpha: float
) -> tuple[float, float]:
    """Limits of the change of control: what the rate left, times by how much that grows."""
    if share is None or not np.isfinite(found.se):
        return float("nan"), float("nan")
    change = found.slope, found.se, found.df
    low, high = change_limits(share, change, alpha, most=_MOST_SLOPE)
    lower, upper = -100.0 * high, -100.0 * low
    # A limit as far out says only that the trial knows nothing of the slope.
    far = np.exp(_MOST_SLOPE)
    return (lower if lower > -far else float("nan"), upper if upper < far else float("nan"))
