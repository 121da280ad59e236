"""How long each treatment held the target, from the course of its percent control."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.result import join_tables, make_table
from trialkit.measures.persistence import persistence


def persistence_table(basis: Basis) -> pd.DataFrame:
    """Knockdown, peak, last day at the target and rebound of every treatment."""
    control, target = basis.control, basis.settings.control_target
    shown = control[control["chosen"].to_numpy(dtype=bool)]
    tables = []
    for variable in dict.fromkeys(shown["variable"]):
        rows = shown[shown["variable"] == variable]
        wide = rows.pivot_table(
            index="treatment",
            columns="days_after",
            values="percent",
            sort=False,
            dropna=False,
            aggfunc="first",
        )
        days = np.sort(wide.columns.to_numpy(dtype=float))
        if days.size < 2:
            continue
        course = wide[list(days)].to_numpy(dtype=float)
        found = persistence(days, course, target)
        size = len(wide)
        held = np.isfinite(found.holds_until_day)
        tables.append(
            make_table(
                "persistence",
                {
                    "variable": [variable] * size,
                    "treatment": list(wide.index),
                    "target": [target] * size,
                    "knockdown_percent": found.knockdown_percent,
                    "peak_percent": found.peak_percent,
                    "peak_day": found.peak_day,
                    "holds_until_day": found.holds_until_day,
                    "censored": [
                        bool(flag) if known else None
                        for flag, known in zip(found.censored, held, strict=True)
                    ],
                    "rebound_percent": found.rebound_percent,
                    "last_percent": found.last_percent,
                    "last_day": found.last_day,
                    "reason": [text or None for text in found.reason],
                },
            )
        )
    return join_tables("persistence", tables)
