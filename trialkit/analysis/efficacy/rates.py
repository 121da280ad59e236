"""Whether a lower rate of a product held up against the full rate: by day, and in persistence."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.carrier import Shown, targets
from trialkit.analysis.fits.draws import two_sided
from trialkit.analysis.plots.responses import FloatArray
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.analysis.supporting.contrasts import rate_series
from trialkit.measures.persistence import time_held

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
        shown = Shown(basis, course, plan.untreated)
        for full, rates in lower_rates(basis):
            for code in rates:
                difference = shown.percent[code] - shown.percent[full]
                lower, upper, _ = shown.interval(
                    shown.draws[:, code] - shown.draws[:, full], difference
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


def rate_persistence_table(basis: Basis) -> pd.DataFrame:
    """Days for which a lower rate held the target, less those of the full rate.

    Days are counted up to the last assessment: of two rates that both held to the end nothing
    more is known, and a difference is then the least that it can be. A rate that never reached the
    target held it for 0 days.
    """
    plan, target = basis.plan, basis.settings.control_target
    if plan.untreated is None:
        return empty_table("rate_persistence")
    rows: list[dict[str, object]] = []
    for course in targets(basis):
        shown = Shown(basis, course, plan.untreated)
        if shown.days.size < 2:
            continue
        for full, rates in lower_rates(basis):
            codes = [full, *rates]
            held, censored = _days_held(shown.days, shown.percent[codes], target)
            drawn, _ = _days_held(shown.days, shown.draws[:, codes], target)
            for place, code in enumerate(rates, start=1):
                gap = drawn[:, place] - drawn[:, 0]
                alpha = basis.settings.alpha
                low, high = np.quantile(
                    gap, [alpha / 2.0, 1.0 - alpha / 2.0], method="inverted_cdf"
                )
                rows.append(
                    {
                        "variable": course.item.variable.name,
                        "treatment": plan.treatments[code],
                        "full": plan.treatments[full],
                        "holds_until_day": held[place],
                        "full_holds_until_day": held[0],
                        "difference": held[place] - held[0],
                        "lower": low,
                        "upper": high,
                        "p": float(two_sided(gap)),
                        "note": TO_THE_END if censored[[0, place]].any() else None,
                    }
                )
    names = list(rows[0]) if rows else []
    return make_table("rate_persistence", {name: [row[name] for row in rows] for name in names})


def _days_held(
    days: FloatArray, percent: FloatArray, target: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    found = time_held(days, percent, target)
    held: FloatArray = np.where(np.isfinite(found.holds_until_day), found.holds_until_day, 0.0)
    return held, found.censored
