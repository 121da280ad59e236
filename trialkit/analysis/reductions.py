"""The whole period in one number: areas under the curve against the untreated."""

from __future__ import annotations

from collections.abc import Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.courses import DRAWN, DRAWS, limits, two_sided
from trialkit.analysis.responses import FloatArray, treatment_means
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.course_draws import course_draws
from trialkit.measures.control import abbott
from trialkit.measures.natural_enemies import field_class
from trialkit.trial import Variable, VariableRole


def reduction_table(basis: Basis) -> pd.DataFrame:
    """Reduction of pest-days by treatment, with its interval; of natural enemies with its class.

    Measures are ``pest_days``, and where the variable has a threshold ``pest_days_above`` it and
    ``days_above`` it (which has no interval: days are bounded on both sides). The class is that of
    the IOBC field scheme, for the whole period.
    """
    untreated = basis.plan.untreated
    if untreated is None:
        return empty_table("reductions")
    parts: list[dict[str, Sized]] = []
    for item, area in basis.areas:
        if item.variable.role not in DRAWN:
            continue
        values = {"pest_days": _of_whole_span(area.pest_days, area.per_day, area.days)}
        above = basis.above.get(item.variable.name)
        if above is not None:
            values["pest_days_above"] = above.pest_days_above
            values["days_above"] = above.days_above
        for measure, plots in values.items():
            if np.isfinite(plots).any():
                parts.append(_rows(basis, item.variable, measure, plots, untreated))
    return table_of_parts("reductions", parts)


def _of_whole_span(area: FloatArray, per_day: FloatArray, days: FloatArray) -> FloatArray:
    span = np.nanmax(days) if np.isfinite(days).any() else np.nan
    whole: FloatArray = np.where(days == span, area, per_day * span)
    return whole


def _rows(
    basis: Basis, variable: Variable, measure: str, plots: FloatArray, untreated: int
) -> dict[str, Sized]:
    means = treatment_means(plots[:, None], basis.plan)[:, 0]
    found = abbott(means, means[untreated])
    lower = upper = p = np.full(means.size, np.nan)
    largest = float(np.nanmax(plots))
    if measure != "days_above" and largest > 0:
        drawn = course_draws(
            basis.plan.layout,
            plots[:, None],
            kind="positive",
            units=basis.plan.units,
            draws=DRAWS,
            seed=basis.settings.seed,
        ).means[:, :, 0]
        reduced = 100.0 * (1.0 - drawn / drawn[:, [untreated]])
        lower, upper = limits(reduced, basis.settings.alpha)
        upper = np.maximum(upper, found.percent)
        p = two_sided(reduced)
    own = np.arange(means.size) == untreated
    known = np.isfinite(found.percent) & ~own
    percent = np.where(known, found.percent, np.nan)
    classed = variable.role is VariableRole.NATURAL_ENEMY and measure == "pest_days"
    harm = field_class(percent).label if classed else np.full(means.size, "", dtype=object)
    return {
        "variable": [variable.name] * means.size,
        "measure": [measure] * means.size,
        "treatment": list(basis.plan.treatments),
        "mean": means,
        "percent": percent,
        "lower": np.where(known, lower, np.nan),
        "upper": np.where(known, upper, np.nan),
        "p": np.where(known, p, np.nan),
        "harm_class": [text or None for text in harm],
        "reason": [
            "the untreated itself" if mine else (text or None)
            for mine, text in zip(own, found.reason, strict=True)
        ],
    }
