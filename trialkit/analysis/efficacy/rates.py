"""Whether a lower rate of a product held up against the full rate: by day, and in persistence."""

from __future__ import annotations

from collections.abc import Sequence, Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.carrier import Shown, targets
from trialkit.analysis.efficacy.persistence import FittedDays, TargetHeld
from trialkit.analysis.result import empty_table, join_tables, make_table, table_of_parts
from trialkit.analysis.supporting.contrasts import rate_series

TO_THE_END = "held to the last assessment, so that more is not known"


def lower_rates(basis: Basis) -> list[tuple[int, list[int]]]:
    """Code of the full rate of each product, and of its lower rates, highest first."""
    return [
        (series.treatments[-1], list(series.treatments[-2::-1]))
        for series in rate_series(basis.trial)
    ]


def rate_table(basis: Basis) -> pd.DataFrame:
    """Lower rates against the full rate of the same product, day by day.

    ``difference`` is control of the lower rate less that of the full rate, in percentage points,
    with its two-sided interval. A lower rate is not inferior on a day where the lower limit
    stays above minus the margin; that holds at half of alpha.
    """
    plan, margin = basis.plan, basis.settings.noninferiority_margin
    if plan.untreated is None:
        return empty_table("rates")
    tables = []
    for course in targets(basis):
        shown = Shown(basis, course)
        after = np.flatnonzero(course.item.days > 0)
        for full, rates in lower_rates(basis):
            for code in rates:
                difference = shown.percent[code] - shown.percent[full]
                pair = np.array([code]), np.array([full])
                ends = [
                    course.compared(int(day), shown.method, pair, shown.alpha)[:2] for day in after
                ]
                known = np.isfinite(difference)
                lower, upper = (
                    np.where(known, end, np.nan) for end in np.concatenate(ends, axis=1)
                )
                size = shown.days.size
                tables.append(
                    make_table(
                        "rates",
                        {
                            "variable": [course.item.variable.name] * size,
                            "days_after": shown.days,
                            "treatment": [plan.treatments[code]] * size,
                            "full": [plan.treatments[full]] * size,
                            "control": shown.percent[code],
                            "control_full": shown.percent[full],
                            "difference": difference,
                            "lower": lower,
                            "upper": upper,
                            "margin": [margin] * size,
                            "not_inferior": [
                                bool(low >= -margin) if np.isfinite(low) else None for low in lower
                            ],
                            "reason": [
                                None if np.isfinite(value) else "not defined on this day"
                                for value in difference
                            ],
                        },
                    )
                )
    return join_tables("rates", tables)


def rate_persistence_table(basis: Basis, held: Sequence[TargetHeld]) -> pd.DataFrame:
    """Days for which a lower rate held the target, less those of the full rate.

    The courses and tests of `persistence_difference_table`, one comparison a row. Days are counted
    up to the last assessment: of two rates that both held to the end nothing more is known, and a
    difference is then the least that it can be. A rate that never reached the target held it for 0
    days.
    """
    wanted = {course.item.variable.name for course in targets(basis)}
    parts: list[dict[str, Sized]] = []
    for item in held:
        name = item.control.item.variable.name
        if name in wanted and item.fitted is not None:
            parts += [
                _held_by(basis, item, item.fitted, full, rates)
                for full, rates in lower_rates(basis)
                if basis.plan.untreated not in (full, *rates)
            ]
    return table_of_parts("rate_persistence", parts)


def _held_by(
    basis: Basis, item: TargetHeld, fitted: FittedDays, full: int, rates: list[int]
) -> dict[str, Sized]:
    """Rows of the lower rates of one product."""
    plan = basis.plan
    found = fitted.compare(
        np.array(rates, dtype=np.intp),
        np.full(len(rates), full, dtype=np.intp),
        basis.settings.alpha,
    )
    places = [plan.others.index(code) for code in (full, *rates)]
    days = np.where(item.never, 0.0, item.until)[places]
    ends = item.censored[places]
    known = np.isfinite(days[1:] - days[0])
    return {
        "variable": [item.control.item.variable.name] * len(rates),
        "treatment": [plan.treatments[code] for code in rates],
        "full": [plan.treatments[full]] * len(rates),
        "holds_until_day": days[1:],
        "full_holds_until_day": np.full(len(rates), days[0]),
        "difference": days[1:] - days[0],
        "lower": np.where(known, found.lower, np.nan),
        "upper": np.where(known, found.upper, np.nan),
        "p": np.where(known, found.p, np.nan),
        "note": [TO_THE_END if ends[0] or end else None for end in ends[1:]],
    }
