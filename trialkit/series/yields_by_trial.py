"""Yields and measurements of single trials as tables: their errors, and what treatments gained."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.result import table_of_parts
from trialkit.inference.pooling.environments import bartlett
from trialkit.series.control_tables import Columns
from trialkit.series.matched import Matched
from trialkit.series.yields import Harvest


def error_variances(asked: Sequence[Harvest]) -> pd.DataFrame:
    """Error variance of every trial, and whether they are equal."""
    parts: list[Columns] = []
    for one in asked:
        variance = np.array([part.error_variance for part in one.means])
        df = np.array([part.df for part in one.means])
        level = np.array([float(part.means.mean()) for part in one.means])
        size = variance.size
        parts.append(
            {
                "variable": [one.variable.name] * size,
                "trial": [part.trial for part in one.means],
                "error_variance": variance,
                "df": df,
                "cv_percent": 100.0 * np.sqrt(variance) / np.where(level > 0.0, level, np.nan),
                "p": np.full(size, bartlett(variance, df)),
            }
        )
    return table_of_parts("error_variances", parts)


def base_of(matched: Matched, treatments: Sequence[str]) -> str | None:
    """With what single trials are compared: the untreated, else the reference."""
    wanted = (matched.settings.untreated, matched.settings.reference)
    return next((name for name in wanted if name in treatments), None)


def trial_differences(matched: Matched, asked: Sequence[Harvest]) -> pd.DataFrame:
    """Differences from the untreated, else from the reference, in every trial by its own error."""
    parts: list[Columns] = []
    for one in asked:
        base = base_of(matched, one.treatments)
        for part in one.means:
            if base not in part.treatments:
                continue
            names = [name for name in part.treatments if name != base]
            rows = np.eye(len(part.treatments))[[part.treatments.index(name) for name in names]]
            rows[:, part.treatments.index(base)] -= 1.0
            unit = np.einsum("qi,ij,qj->q", rows, part.unit_covariance, rows)
            half = special.stdtrit(part.df, 1.0 - matched.settings.alpha / 2.0) * np.sqrt(
                part.error_variance * np.maximum(unit, 0.0)
            )
            difference = rows @ part.means
            parts.append(
                {
                    "variable": [one.variable.name] * len(names),
                    "a": names,
                    "b": [base] * len(names),
                    "trial": [part.trial] * len(names),
                    "difference": difference,
                    "lower": difference - half,
                    "upper": difference + half,
                    "df": np.full(len(names), part.df),
                    "note": [part.note] * len(names),
                }
            )
    return table_of_parts("trial_differences", parts)
