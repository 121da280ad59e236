"""Percent control of each block on its own: data to look at, not the estimate."""

from __future__ import annotations

from collections.abc import Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.control import CONTROLLED, percent_control
from trialkit.analysis.fits.courses import chosen_method
from trialkit.analysis.plots.responses import FloatArray, codes_of, treatment_means
from trialkit.analysis.result import empty_table, table_of_parts


def block_control_table(basis: Basis) -> pd.DataFrame:
    """Percent control within each block by the method shown, after treatment.

    Several plots of a treatment in a block are averaged. The average of these percentages is not
    the control of the treatment means and is biased (see `trialkit.measures.control.abbott`): a
    block in which the untreated happens to stand low pulls it down further than one in which it
    stands high lifts it.
    """
    plan, blocks = basis.plan, [plot.block for plot in basis.trial.plots]
    if plan.untreated is None or len(set(blocks)) < 2 or None in blocks:
        return empty_table("block_control")
    code = codes_of(blocks)
    names = np.array(list(dict.fromkeys(str(block) for block in blocks)), dtype=object)
    own = code == np.arange(names.size)[:, None]
    ids = [plan.treatments[i] for i in plan.others]
    parts: list[dict[str, Sized]] = []
    for item in basis.assessed:
        days: FloatArray = item.days[item.days > 0]
        if item.variable.role not in CONTROLLED or days.size == 0:
            continue
        course = basis.courses.get(item.variable.name)
        method = chosen_method(basis.settings.control, item, course)
        means = treatment_means(np.where(own[:, :, None], item.values, np.nan), plan)
        found = percent_control(means, item, plan.untreated, method, course)
        size = names.size * days.size * len(ids)
        parts.append(
            {
                "variable": [item.variable.name] * size,
                "days_after": np.tile(np.repeat(days, len(ids)), names.size),
                "block": np.repeat(names, days.size * len(ids)),
                "treatment": ids * (days.size * names.size),
                "method": [method.value] * size,
                "percent": found.percent[:, plan.others].swapaxes(1, 2).ravel(),
                "reason": [
                    text or None for text in found.reason[:, plan.others].swapaxes(1, 2).ravel()
                ],
            }
        )
    return table_of_parts("block_control", parts)
