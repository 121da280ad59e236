"""Percent control of each block on its own: data to look at, not the estimate."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.control import CONTROLLED, control_by_method
from trialkit.analysis.courses import chosen_method
from trialkit.analysis.responses import FloatArray, codes_of, treatment_means
from trialkit.analysis.result import empty_table, join_tables, make_table


def block_control_table(basis: Basis) -> pd.DataFrame:
    """Percent control within each block by the method shown, after treatment.

    Several plots of a treatment in a block are averaged. The average of these percentages is not
    the control of the treatment means and is biased (``measures.control.mean_of_blocks``): a
    block in which the untreated happens to stand low pulls it down further than one in which it
    stands high lifts it.
    """
    plan, blocks = basis.plan, [plot.block for plot in basis.trial.plots]
    if plan.untreated is None or len(set(blocks)) < 2 or None in blocks:
        return empty_table("block_control")
    code = codes_of(blocks)
    names = list(dict.fromkeys(str(block) for block in blocks))
    others = [i for i in range(len(plan.treatments)) if i != plan.untreated]
    ids = [plan.treatments[i] for i in others]
    tables = []
    for item in basis.assessed:
        days: FloatArray = item.days[item.days > 0]
        if item.variable.role not in CONTROLLED or days.size == 0:
            continue
        method = chosen_method(basis.settings.control, item).value
        found = [
            control_by_method(
                treatment_means(np.where((code == b)[:, None], item.values, np.nan), plan),
                item,
                plan.untreated,
            )[method]
            for b in range(len(names))
        ]
        percent = np.array([part.percent[others].T for part in found])
        reason = np.array([part.reason[others].T for part in found], dtype=object)
        size = percent.size
        tables.append(
            make_table(
                "block_control",
                {
                    "variable": [item.variable.name] * size,
                    "days_after": np.tile(np.repeat(days, len(ids)), len(names)),
                    "block": np.repeat(np.array(names, dtype=object), days.size * len(ids)),
                    "treatment": ids * (days.size * len(names)),
                    "method": [method] * size,
                    "percent": percent.ravel(),
                    "reason": [text or None for text in reason.ravel()],
                },
            )
        )
    return join_tables("block_control", tables)
