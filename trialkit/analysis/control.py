"""Percent control by treatment and day, by every method that the data allow."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.responses import Assessed, FloatArray, PlotPlan
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.measures import control as formulas
from trialkit.trial import ControlMethod, Kind, VariableRole

#: Roles of the variables on which control is computed.
CONTROLLED = (VariableRole.PEST, VariableRole.DAMAGE)


def treatment_means(values: FloatArray, plan: PlotPlan) -> FloatArray:
    """Arithmetic means of plots by treatment.

    Parameters
    ----------
    values : float array, shape (plots, days)
    plan : PlotPlan

    Returns
    -------
    float array, shape (treatments, days)
        NaN where no plot of a treatment was assessed.
    """
    known = np.isfinite(values)
    member = plan.treatment[None, :] == np.arange(len(plan.treatments))[:, None]
    number = member.astype(float) @ known
    total = member.astype(float) @ np.where(known, values, 0.0)
    means: FloatArray = np.divide(total, number, out=np.full(total.shape, np.nan), where=number > 0)
    return means


def chosen_method(settings_method: ControlMethod, item: Assessed) -> ControlMethod:
    """Resolve ``auto``: Henderson-Tilton where there is a count before treatment, else Abbott."""
    if settings_method is not ControlMethod.AUTO:
        return settings_method
    return ControlMethod.ABBOTT if item.baseline is None else ControlMethod.HENDERSON_TILTON


def _by_method(means: FloatArray, item: Assessed, untreated: int) -> dict[str, formulas.Control]:
    after = np.flatnonzero(item.days > 0)
    treated, check = means[:, after], means[untreated, after]
    found = {ControlMethod.ABBOTT.value: formulas.abbott(treated, check)}
    if item.baseline is None:
        return found
    treated_before = means[:, [item.baseline]]
    check_before = means[untreated, item.baseline]
    four = (treated, treated_before, check, check_before)
    found[ControlMethod.HENDERSON_TILTON.value] = formulas.henderson_tilton(*four)
    found[ControlMethod.SUN_SHEPARD.value] = formulas.sun_shepard(*four)
    if item.variable.kind is Kind.COUNT:
        # Percent dead since the count before treatment, signed where numbers rose: with
        # b = 100 (1 - Ta / Tb) and k = 100 (1 - Ca / Cb) the formula of Schneider-Orelli comes
        # to the same fraction, which does not cancel where k is near 100.
        found[ControlMethod.SCHNEIDER_ORELLI.value] = formulas.henderson_tilton(*four)
    return found


def control_table(
    assessed: tuple[Assessed, ...], plan: PlotPlan, setting: ControlMethod
) -> pd.DataFrame:
    """Percent control of every treatment but the untreated, on every day after treatment."""
    if plan.untreated is None:
        return empty_table("control")
    others = [code for code in range(len(plan.treatments)) if code != plan.untreated]
    ids = [plan.treatments[code] for code in others]
    tables = []
    for item in assessed:
        days = item.days[item.days > 0]
        if item.variable.role not in CONTROLLED or days.size == 0:
            continue
        found = _by_method(treatment_means(item.values, plan), item, plan.untreated)
        method_shown = chosen_method(setting, item).value
        for method, control in found.items():
            size = len(ids) * days.size
            tables.append(
                make_table(
                    "control",
                    {
                        "variable": [item.variable.name] * size,
                        "days_after": np.repeat(days, len(ids)),
                        "treatment": ids * days.size,
                        "method": [method] * size,
                        "percent": control.percent[others].T.ravel(),
                        "reason": [text or None for text in control.reason[others].T.ravel()],
                        "chosen": [method == method_shown] * size,
                    },
                )
            )
    return join_tables("control", tables)
