"""The tables of a trial: their columns, and each without rows."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

COUNT_COLUMNS = ("plot", "variable", "day", "sample", "value")
#: Day of an assessment whose day was not given: above 0, for it is no count before treatment, and
#: too short to be one.
UNDATED = 2.0**-20
#: Further column of counts where a variable is k of n: how many units the percentage is of.
EXAMINED = "examined"
YIELD_COLUMNS = ("plot", "variable", "value")
HARVEST_COLUMNS = (
    "plot",
    "harvested_kg",
    "harvested_lb",
    "harvested_area_m2",
    "harvested_area_ft2",
    "moisture_percent",
)


def empty_counts() -> pd.DataFrame:
    """Make a table of counts without rows, with its types."""
    return pd.DataFrame(
        {
            "plot": pd.Series([], dtype=object),
            "variable": pd.Series([], dtype=object),
            "day": pd.Series([], dtype=float),
            "sample": pd.Series([], dtype=object),
            "value": pd.Series([], dtype=float),
        }
    )


def numbers_examined(counts: pd.DataFrame) -> pd.Series:
    """How many units each row of counts is the share of; NaN where it is none, or missing."""
    if EXAMINED in counts:
        return counts[EXAMINED]
    return pd.Series(float("nan"), index=counts.index, dtype=float)


def empty_yields() -> pd.DataFrame:
    """Make a table of yields without rows, with its types."""
    return empty_counts()[list(YIELD_COLUMNS)]


def empty_harvest() -> pd.DataFrame:
    """Make a table of harvested masses without rows, with its types."""
    return pd.DataFrame(
        {name: pd.Series([], dtype=object if name == "plot" else float) for name in HARVEST_COLUMNS}
    )


def same_table(mine: pd.DataFrame, theirs: pd.DataFrame) -> bool:
    """Whether two tables hold the same, whatever types pandas keeps their text in."""
    if list(mine.columns) != list(theirs.columns) or len(mine) != len(theirs):
        return False
    return all(_same_column(mine[name], theirs[name]) for name in mine.columns)


def _same_column(mine: pd.Series, theirs: pd.Series) -> bool:
    missing = mine.isna().to_numpy()
    if not (missing == theirs.isna().to_numpy()).all():
        return False
    return mine[~missing].tolist() == theirs[~missing].tolist()


#: What was put out of a treatment on one application; ``application`` is None for all of them.
DOSE_COLUMNS = ("treatment", "application", "rate", "rate_unit", "actual")
#: How an assessment was done; ``day`` NaN for all days, ``variable`` None for all variables.
ASSESSMENT_COLUMNS = (
    "day",
    "variable",
    "growth_stage",
    "assessor",
    "method",
    "sample_size",
    "notes",
)
WEATHER_COLUMNS = ("date",)
EVENT_COLUMNS = ("date", "what", "kind", "plots")
#: What an event can be, as the column kind says it.
EVENT_KINDS = ("deviation", "damage", "maintenance", "other")
#: Beyond these no number can be of a plot or of what was put out on it: sums of squares would
#: leave what a computer can count with.
LARGEST, SMALLEST = 1e15, 1e-15
_NUMBERS = frozenset({"rate", "actual", "day"})


def _empty(columns: tuple[str, ...]) -> pd.DataFrame:
    return _template(columns).copy()


@cache
def _template(columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(
        {name: pd.Series([], dtype=float if name in _NUMBERS else object) for name in columns}
    )


def out_of_bounds(value: float) -> bool:
    """Whether a number is too large, or too near to 0, to be one of a plot; NaN is not."""
    size = abs(value)
    return size > LARGEST or 0.0 < size < SMALLEST


def any_out_of_bounds(values: NDArray[np.float64]) -> bool:
    """Whether one of many numbers is out of bounds."""
    size = np.abs(values)
    return bool(((size > LARGEST) | ((size > 0.0) & (size < SMALLEST))).any())


def text_column(items: Iterable[object]) -> pd.Series:
    """Make a column of texts (or dates) in which None stays None."""
    return pd.Series(list(items), dtype=object)


def empty_doses() -> pd.DataFrame:
    """Make a table of doses without rows, with its types."""
    return _empty(DOSE_COLUMNS)


def empty_assessments() -> pd.DataFrame:
    """Make a table of how assessments were done, without rows, with its types."""
    return _empty(ASSESSMENT_COLUMNS)


def empty_weather() -> pd.DataFrame:
    """Make a table of the weather without rows, with its types."""
    return _empty(WEATHER_COLUMNS)


def empty_events() -> pd.DataFrame:
    """Make a table of events without rows, with its types."""
    return _empty(EVENT_COLUMNS)
