"""How long the target was held, over all trials."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.result import make_table, table_of_parts
from trialkit.inference.pooling.durations import median_duration
from trialkit.series.control_tables import Columns
from trialkit.series.matched import HELD_ROWS, Matched

#: What is to be known of a row.
OTHER_TARGET = "another target than that of the series: left out"
FEW = "fewer than six trials: they do not bound the median"
#: Trials from which on a median can have limits at 95 % (the sign test of six values).
LEAST_BOUNDED = 6


def trial_held(matched: Matched) -> pd.DataFrame:
    """How long the target was held in every trial."""
    rows = _sorted(matched)
    columns: Columns = {name: rows[name].tolist() for name in HELD_ROWS}
    other = [not _same(target, matched) for target in columns["target"]]
    columns["note"] = [
        OTHER_TARGET if differs else note if isinstance(note, str) else None
        for differs, note in zip(other, columns["note"], strict=True)
    ]
    return make_table("trial_held", columns)


def combined_held(matched: Matched) -> pd.DataFrame:
    """How long the target was held over all trials that had the target of the series."""
    rows = _sorted(matched)
    rows = rows[np.array([_same(target, matched) for target in rows["target"]], dtype=bool)]
    parts: list[Columns] = []
    for (variable, treatment), own in rows.groupby(["variable", "treatment"], sort=False):
        days = own["days"].to_numpy(dtype=float)
        unseen = own["to_the_last"].to_numpy(dtype=bool)
        found = median_duration(days, unseen, alpha=matched.settings.alpha)
        bounded = days.size >= LEAST_BOUNDED
        parts.append(
            {
                "variable": [variable],
                "treatment": [treatment],
                "trials": [float(days.size)],
                "target": [matched.settings.target],
                "never": [float((days == 0.0).sum())],
                "to_the_last": [float(unseen.sum())],
                "days": [found.median],
                "lower": [found.lower if bounded else np.nan],
                "upper": [found.upper if bounded else np.nan],
                "shortest": [float(days.min())],
                "longest": [float(days.max())],
                "note": [None if bounded else FEW],
            }
        )
    return table_of_parts("combined_held", parts)


def _same(target: float, matched: Matched) -> bool:
    return abs(float(target) - matched.settings.target) < 1e-9


def _sorted(matched: Matched) -> pd.DataFrame:
    """Rows in the order of variables, treatments and trials of the series."""
    rows = matched.held
    order = {
        "variable": [item.name for item in matched.variables],
        "treatment": [name for name, _ in matched.treatments],
        "trial": [trial.key for trial in matched.trials],
    }
    places = [
        tuple(names.index(row[name]) for name, names in order.items())
        for row in rows.to_dict("records")
    ]
    return rows.iloc[sorted(range(len(places)), key=places.__getitem__)]
