"""How long one trial held its target, in the names of the series."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.rows import one_nan
from trialkit.series.matched import HELD_ROWS, TrialMatch, nothing_held


def held_of(tables: Mapping[str, pd.DataFrame], match: TrialMatch) -> pd.DataFrame:
    """Days until which the treatments of a trial held its target, from its own table.

    A treatment that stands for several of the trial has the mean of their days where all ended,
    else the most that was seen. Rows without a day whose course was never at the target have 0.
    """
    table = tables.get("persistence")
    if table is None or table.empty:
        return nothing_held()
    found: dict[tuple[str, str], list[dict[str, object]]] = {}
    for row in table.to_dict("records"):
        variable = match.variables.get(str(row["variable"]))
        treatment = match.treatments.get(str(row["treatment"]))
        if variable is None or treatment is None or not np.isfinite(one_nan(row["target"])):
            continue
        never = np.isfinite(one_nan(row["peak_percent"])) and not np.isfinite(
            one_nan(row["holds_until_day"])
        )
        days = 0.0 if never else one_nan(row["holds_until_day"])
        if np.isfinite(days):
            found.setdefault((variable, treatment), []).append(
                {
                    "trial": match.trial,
                    "variable": variable,
                    "treatment": treatment,
                    "target": one_nan(row["target"]),
                    "days": days,
                    "lower": one_nan(row["lower"]),
                    "upper": one_nan(row["upper"]),
                    "to_the_last": bool(row["censored"]) and not never,
                    "note": None,
                }
            )
    rows = [_one(lines) for lines in found.values()]
    return pd.DataFrame(rows, columns=list(HELD_ROWS)) if rows else nothing_held()


def _one(lines: list[dict[str, object]]) -> dict[str, object]:
    """One row for the treatments of a trial that are one in the series."""
    if len(lines) == 1:
        return lines[0]
    days = [one_nan(line["days"]) for line in lines]
    unseen = any(line["to_the_last"] for line in lines)
    return lines[0] | {
        "days": max(days) if unseen else float(np.mean(days)),
        "lower": np.nan,
        "upper": np.nan,
        "to_the_last": unseen,
        "note": f"of {len(lines)} treatments of the trial",
    }
