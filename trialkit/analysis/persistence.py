"""How long each treatment held the target, from the course of its percent control."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.result import empty_table, make_table
from trialkit.measures.persistence import persistence
from trialkit.trial import Trial


def persistence_table(control: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """Knockdown, peak, last day at the target and rebound of every treatment."""
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
        found = persistence(days, course, trial.settings.control_target)
        size = len(wide)
        held = np.isfinite(found.holds_until_day)
        tables.append(
            make_table(
                "persistence",
                {
                    "variable": [variable] * size,
                    "treatment": list(wide.index),
                    "target": [trial.settings.control_target] * size,
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
    return pd.concat(tables, ignore_index=True) if tables else empty_table("persistence")
