"""Courses over days as a split-plot in time, with what corrects their degrees of freedom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.desk.second_route.agreement import Tally
from trialkit.desk.second_route.plain import sequential
from trialkit.desk.second_route.plots import (
    SCALES,
    PlotValues,
    Row,
    frame_of,
    full_rank,
    key_of,
    terms_of,
)
from trialkit.trial import Trial

_CORRECTED = ("split-plot in time", "Greenhouse-Geisser", "Huynh-Feldt")


def compare_courses(
    trial: Trial, data: PlotValues, tables: Mapping[str, Sequence[Row]], tally: Tally
) -> None:
    """Level against plots; course against plots by days, as it is and corrected.

    Epsilon of Greenhouse SW & Geisser S 1959, Psychometrika 24:95-112, and of Huynh H & Feldt LS
    1976, J. Educ. Stat. 1:69-82, as corrected by Lecoutre B 1991, J. Educ. Stat. 16:371-372
    (references from memory).
    """
    rows = tables.get("course_tests", [])
    if rows and trial.design.has_larger_units:
        tally.skip("Courses over days in split-plots and strip-plots.")
        return
    scales = {key_of(item): item["transform"] for item in tables.get("responses", [])}
    for row in rows:
        if row["test"] not in _CORRECTED:
            tally.skip(f"Courses over days by {row['test']}: statsmodels has no such covariance.")
            continue
        wide = _days(data, row["variable"])
        values = wide.dropna()
        if len(values) < 3:
            continue
        scale = SCALES[scales[row["variable"], "count", wide.columns[0]]]
        frame = frame_of(trial, values.iloc[:, 0].reindex(wide.index), "none")
        found = _test(row, scale(values.to_numpy(dtype=float)), terms_of(trial, frame))
        name = f"{row['variable']}, {row['source']}, {row['test']}"
        for column, number in found.items():
            unit = {"p": 1.0, "F": max(number, 1e-3)}.get(column, 0.0)
            tally.note("course_tests", column, row[column], number, name, unit=unit)


def _days(data: PlotValues, variable: str) -> pd.DataFrame:
    days = sorted(
        key[2] for key in data.values if key[:2] == (variable, "count") and key[2] > 0
    )  # fmt: skip
    wide = pd.concat([data.values[variable, "count", day] for day in days], axis=1, keys=days)
    return wide.loc[:, wide.notna().any().to_numpy()]


def _test(row: Row, table: Any, terms: Sequence[tuple[str, Any]]) -> dict[str, float]:
    number = table.shape[1]
    contrasts = np.linalg.svd(np.eye(number) - 1 / number)[0][:, : number - 1]
    if row["source"] == "treatment":
        each = [sequential(table.mean(axis=1) * np.sqrt(number), terms)]
    else:
        each = [sequential(table @ part, terms) for part in contrasts.T]
    df, df_error = each[0]["treatment"][0], each[0]["error"][0]
    square, left = (sum(one[name][1] for one in each) for name in ("treatment", "error"))
    if df < 1 or df_error < 1 or left <= 0:
        return {}
    times = float(len(each))
    if row["test"] != _CORRECTED[0]:
        times *= _epsilon(row["test"], table @ contrasts, terms, df_error)
    f = square / df / (left / df_error)
    found = {"df": df * times, "df_error": df_error * times, "F": f}
    return {**found, "p": float(stats.f.sf(f, df * times, df_error * times))}


def _epsilon(test: str, inside: Any, terms: Sequence[tuple[str, Any]], df_error: float) -> float:
    from statsmodels.api import OLS

    matrix = full_rank(np.hstack([np.ones((len(inside), 1)), *(part for _, part in terms)]))
    residuals = np.column_stack([OLS(part, matrix).fit().resid for part in inside.T])
    squares, p = residuals.T @ residuals, inside.shape[1]
    greenhouse = np.trace(squares) ** 2 / (p * np.trace(squares @ squares))
    if test == "Greenhouse-Geisser":
        return float(greenhouse)
    below = p * (df_error - p * greenhouse)
    huynh = ((df_error + 1) * p * greenhouse - 2) / below if below > 0 else 1.0
    return float(min(1.0, huynh))
