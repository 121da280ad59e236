"""The whole period in one number: areas under the curve against the untreated."""

from __future__ import annotations

from collections.abc import Sequence, Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.courses import DRAWN, control_limits
from trialkit.analysis.plots.responses import FloatArray, treatment_means
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.known_course import positive_laws
from trialkit.inference.laws.log_laws import LogLaw
from trialkit.measures.control import abbott
from trialkit.measures.natural_enemies import class_of_interval
from trialkit.trial import Variable, VariableRole


def reduction_table(basis: Basis) -> pd.DataFrame:
    """Reduction of pest-days by treatment, with its interval; of natural enemies with its class.

    Measures are ``pest_days``, and where the variable has a threshold ``pest_days_above`` it and
    ``days_above`` it (which has no interval: days are bounded on both sides). The classes are those
    of the IOBC field scheme in which the interval lies, for the whole period.
    """
    untreated = basis.plan.untreated
    if untreated is None:
        return empty_table("reductions")
    found: list[tuple[Variable, str, FloatArray]] = []
    for item, area in basis.areas:
        if item.variable.role not in DRAWN:
            continue
        values = {"pest_days": _of_whole_span(area.pest_days, area.per_day, area.days)}
        above = basis.above.get(item.variable.name)
        if above is not None:
            values["pest_days_above"] = above.pest_days_above
            values["days_above"] = above.days_above
        found += [
            (item.variable, measure, plots)
            for measure, plots in values.items()
            if np.isfinite(plots).any()
        ]
    laws = _ratios(basis, found, untreated)
    return table_of_parts(
        "reductions",
        [
            _rows(basis, variable, measure, plots, laws.get((variable.name, measure)), untreated)
            for variable, measure, plots in found
        ],
    )


def _ratios(
    basis: Basis, found: Sequence[tuple[Variable, str, FloatArray]], untreated: int
) -> dict[tuple[str, str], LogLaw]:
    """Laws of the ratios to the untreated of all areas in which there is anything, (t, 1).

    An area below zero, as of a measurement on a scale without a nought, has no ratio.
    """
    areas = [
        (variable.name, measure, plots)
        for variable, measure, plots in found
        if measure != "days_above" and np.nanmax(plots) > 0.0 and np.nanmin(plots) >= 0.0
    ]
    if not areas:
        return {}
    laws = positive_laws(
        basis.plan.layout,
        np.column_stack([plots for _, _, plots in areas]),
        units=basis.plan.units,
    )
    asked = Quotient(days=np.zeros(1, dtype=np.intp), base=untreated)
    return {
        (name, measure): law.ratio(asked)
        for (name, measure, _), law in zip(areas, laws, strict=True)
    }


def _of_whole_span(area: FloatArray, per_day: FloatArray, days: FloatArray) -> FloatArray:
    span = np.nanmax(days) if np.isfinite(days).any() else np.nan
    whole: FloatArray = np.where(days == span, area, per_day * span)
    return whole


def _rows(
    basis: Basis,
    variable: Variable,
    measure: str,
    plots: FloatArray,
    law: LogLaw | None,
    untreated: int,
) -> dict[str, Sized]:
    means = treatment_means(plots[:, None], basis.plan)[:, 0]
    found = abbott(means, means[untreated])
    lower = upper = p = np.full(means.size, np.nan)
    if law is not None:
        lower, upper = (ends[:, 0] for ends in control_limits(law, basis.settings.alpha))
        upper = np.maximum(upper, found.percent)
        p = law.two_sided(1.0)[:, 0]
    own = np.arange(means.size) == untreated
    known = np.isfinite(found.percent) & ~own
    percent = np.where(known, found.percent, np.nan)
    classed = variable.role is VariableRole.NATURAL_ENEMY and measure == "pest_days"
    ends = np.where(known, lower, np.nan), np.where(known, upper, np.nan)
    harm = class_of_interval(*ends) if classed else [""] * means.size
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
