"""The Analysis: what was computed for a trial, as tidy tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import pandas as pd

from trialkit.problems import Problem
from trialkit.trial import Trial

#: Columns of every table, in order, each with its type: text, number, whole or flag.
COLUMNS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "anova": {
            "variable": "text",
            "measure": "text",
            "days_after": "number",
            "transform": "text",
            "source": "text",
            "df": "number",
            "sum_sq": "number",
            "mean_sq": "number",
            "F": "number",
            "p": "number",
        },
        "means": {
            "variable": "text",
            "measure": "text",
            "days_after": "number",
            "treatment": "text",
            "n": "number",
            "mean": "number",
            "mean_analysed": "number",
            "se": "number",
            "lower": "number",
            "upper": "number",
            "back_transformed": "number",
            "letters": "text",
        },
        "comparisons": {
            "variable": "text",
            "measure": "text",
            "days_after": "number",
            "a": "text",
            "b": "text",
            "difference": "number",
            "se": "number",
            "p_adjusted": "number",
            "method": "text",
            "lower": "number",
            "upper": "number",
            "different": "flag",
        },
        "control": {
            "variable": "text",
            "days_after": "number",
            "treatment": "text",
            "method": "text",
            "percent": "number",
            "lower": "number",
            "upper": "number",
            "reason": "text",
            "chosen": "flag",
        },
        "pest_days": {
            "variable": "text",
            "plot": "text",
            "treatment": "text",
            "pest_days": "number",
            "days": "number",
            "per_day": "number",
            "bridged": "number",
            "reason": "text",
        },
        "persistence": {
            "variable": "text",
            "treatment": "text",
            "target": "number",
            "knockdown_percent": "number",
            "peak_percent": "number",
            "peak_day": "number",
            "holds_until_day": "number",
            "lower": "number",
            "upper": "number",
            "censored": "flag",
            "rebound_percent": "number",
            "last_percent": "number",
            "last_day": "number",
            "reason": "text",
        },
        "course": {
            "variable": "text",
            "days_after": "number",
            "treatment": "text",
            "n": "number",
            "mean": "number",
            "lower": "number",
            "upper": "number",
        },
        "responses": {
            "variable": "text",
            "measure": "text",
            "days_after": "number",
            "transform": "text",
            "comparison": "text",
            "n_plots": "number",
            "n_missing": "number",
            "grand_mean": "number",
            "cv_percent": "number",
            "df_error": "number",
            "ms_error": "number",
            "F": "number",
            "p": "number",
            "note": "text",
        },
        "choices": {
            "variable": "text",
            "transform": "text",
            "slope": "number",
            "cells": "number",
            "rule": "text",
        },
    }
)


def empty_table(name: str) -> pd.DataFrame:
    """Make one of the tables without rows."""
    return make_table(name, {})


def make_table(name: str, columns: Mapping[str, object]) -> pd.DataFrame:
    """Make one of the tables from its columns, with their types and in their order.

    Parameters
    ----------
    name : str
        A key of `COLUMNS`.
    columns : mapping of str to sequence
        Columns not given are empty (missing numbers, no text).
    """
    length = max((len(values) for values in columns.values()), default=0)  # type: ignore[arg-type]
    made: dict[str, pd.Series] = {}
    for column, kind in COLUMNS[name].items():
        values = columns.get(column)
        if kind == "number":
            made[column] = pd.Series(
                [float("nan")] * length if values is None else values, dtype=float
            )
        elif kind == "flag":
            made[column] = pd.Series([None] * length if values is None else values, dtype=object)
        else:
            made[column] = pd.Series([None] * length if values is None else values, dtype=object)
    unknown = set(columns) - set(made)
    if unknown:
        raise KeyError(f"{name} has no column {sorted(unknown)}")
    return pd.DataFrame(made)


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis:
    """Everything computed for one trial.

    Every table is a tidy DataFrame with the columns of `COLUMNS`; what is undefined is NaN
    (None in text and flags), with a reason or a note in the same row.

    Attributes
    ----------
    trial : Trial
    anova : DataFrame
        One row a response and source of variation; sums of squares are sequential, blocks
        (rows, columns) first, treatments last.
    means : DataFrame
        One row a response and treatment. ``mean`` is the arithmetic mean as counted,
        ``mean_analysed`` the least-squares mean on the scale of analysis with standard error
        ``se``; ``back_transformed`` with ``lower`` and ``upper`` is that mean and its interval
        brought back to the counted scale; in ``letters`` "a" marks the largest mean.
    comparisons : DataFrame
        One row a response and pair: difference a minus b on the scale of analysis.
    control : DataFrame
        Percent control by variable, day, treatment and method; ``chosen`` marks the method
        that the report shows.
    pest_days : DataFrame
        Area under the curve by variable and plot, with the days that it spans, its value per
        day and the number of missing assessments that were bridged.
    persistence : DataFrame
        How long each treatment held the target.
    course : DataFrame
        Mean as counted by treatment and day, with its interval, for the figures.
    responses : DataFrame
        One row a response: the fit in a line.
    choices : DataFrame
        One row a variable: the transform and why.
    problems : tuple of Problem
        Everything odd, from reading and from the analysis.
    """

    trial: Trial
    anova: pd.DataFrame = field(default_factory=lambda: empty_table("anova"))
    means: pd.DataFrame = field(default_factory=lambda: empty_table("means"))
    comparisons: pd.DataFrame = field(default_factory=lambda: empty_table("comparisons"))
    control: pd.DataFrame = field(default_factory=lambda: empty_table("control"))
    pest_days: pd.DataFrame = field(default_factory=lambda: empty_table("pest_days"))
    persistence: pd.DataFrame = field(default_factory=lambda: empty_table("persistence"))
    course: pd.DataFrame = field(default_factory=lambda: empty_table("course"))
    responses: pd.DataFrame = field(default_factory=lambda: empty_table("responses"))
    choices: pd.DataFrame = field(default_factory=lambda: empty_table("choices"))
    problems: tuple[Problem, ...] = ()

    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables by name, in the order of the record."""
        return {name: getattr(self, name) for name in COLUMNS}
