"""Plot values of a recorded trial, averaged and brought to scale by general libraries."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trialkit.trial import Design, Trial, VariableRole
from trialkit.trial_tables import EXAMINED

Row = Mapping[str, Any]
Key = tuple[Any, ...]
KEYS = ("variable", "measure", "days_after")
#: What is left of a column, as a share of its length, where those before it give it.
_DEPENDENT = 1e-9
#: What kg on 1 m2 come to.
_PER_AREA = {"t/ha": 10.0, "kg/ha": 10_000.0}

#: Scales of analysis, written a second time on purpose.
SCALES: Mapping[str, Callable[[Any], Any]] = {
    "none": lambda v: v,
    "sqrt": lambda v: np.sqrt(v + 0.5),
    "log": lambda v: np.log10(v + 1),
    "arcsine": lambda v: np.arcsin(np.sqrt(v / 100)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotValues:
    """Plot values of every response that averages and areas give, on the scale as counted.

    Attributes
    ----------
    values : dict of tuple to Series
        By variable, measure and day, a value for each plot.
    examined : dict of tuple to Series
        Of shares k of n, by variable and day: n of each plot.
    steps : dict of str to float
        What one individual adds to a plot value of a variable.
    areas : dict of str to Series
        Pest-days of each plot, from its first count to its last.
    """

    values: dict[Key, pd.Series] = field(default_factory=dict)
    examined: dict[tuple[str, float], pd.Series] = field(default_factory=dict)
    steps: dict[str, float] = field(default_factory=dict)
    areas: dict[str, pd.Series] = field(default_factory=dict)


def plot_values(trial: Trial) -> PlotValues:
    """Average samples to plots, and take areas over the days, by numpy and pandas alone."""
    found = PlotValues()
    plots = [plot.id for plot in trial.plots]
    counts = trial.counts[trial.counts["value"].notna()]
    for name, own in counts.groupby("variable"):
        variable = str(name)
        weighed = EXAMINED in own and bool((own[EXAMINED] > 0).all())
        weights = own[EXAMINED] if weighed else pd.Series(1.0, index=own.index)
        sums = (
            own.assign(total=own["value"] * weights, weight=weights, number=1.0)
            .groupby(["plot", "day"])[["total", "weight", "number"]]
            .sum()
        )
        sums = sums.assign(mean=sums["total"] / sums["weight"]).reset_index()
        mean, weight = (
            sums.pivot_table(index="plot", columns="day", values=what).reindex(plots)
            for what in ("mean", "weight")
        )
        for day in mean.columns.to_numpy(dtype=float):
            found.values[variable, "count", day] = mean[day]
            if weighed:
                found.examined[variable, day] = weight[day]
        found.steps[variable] = 1.0 / float(sums["number"].median())
        if mean.shape[1] > 1:
            area, spread = _areas(mean)
            found.areas[variable] = area
            found.values[variable, "pest_days", None] = spread
    for name, own in trial.yields.groupby("variable"):
        found.values[str(name), "yield", None] = own.set_index("plot")["value"].reindex(plots)
    harvested = [
        item.name
        for item in trial.variables
        if item.role is VariableRole.YIELD and (item.name, "yield", None) not in found.values
    ]
    if len(harvested) == 1 and trial.settings.yield_unit in _PER_AREA:
        found.values[harvested[0], "yield", None] = _harvested(trial).reindex(plots)
    return found


def _harvested(trial: Trial) -> pd.Series:
    """Mass over area at the standard moisture; NaN where it was typed in other units."""
    own = trial.harvest.set_index("plot")
    area = own["harvested_area_m2"].fillna(trial.plot_area_m2 or np.nan)
    value = own["harvested_kg"] / area * _PER_AREA[trial.settings.yield_unit]
    standard = trial.settings.standard_moisture_percent
    return value if standard is None else value * (100 - own["moisture_percent"]) / (100 - standard)


def _areas(period: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Area of each plot from its first count to its last, and brought to the whole period."""
    days = period.columns.to_numpy(dtype=float)
    area, spread = [], []
    for counted in period.to_numpy(dtype=float):
        there = np.isfinite(counted)
        own = days[there]
        enough = own.size > 1
        area.append(float(np.trapezoid(counted[there], own)) if enough else np.nan)
        spread.append(area[-1] * (days[-1] - days[0]) / (own[-1] - own[0]) if enough else np.nan)
    return pd.Series(area, index=period.index), pd.Series(spread, index=period.index)


def named(key: Key) -> str:
    """Name of a response."""
    return f"{key[0]}, {key[1]}" + (f", day {key[2]:g}" if key[2] is not None else "")


def key_of(row: Row) -> Key:
    """Response that a row belongs to."""
    return tuple(row.get(name) for name in KEYS)


def rows_at(tables: Mapping[str, Sequence[Row]], table: str, key: Key) -> Iterator[Row]:
    """Rows of a table that belong to one response."""
    return (row for row in tables.get(table, []) if key_of(row) == key)


def frame_of(trial: Trial, values: pd.Series, transform: str) -> pd.DataFrame:
    """Plots that have a value, with ``y`` on a scale and what the design knows of them."""
    plots = trial.plots
    frame = pd.DataFrame(
        {
            "y": SCALES[transform](values.to_numpy(dtype=float)),
            "t": [plot.treatment for plot in plots],
            "block": [plot.block for plot in plots],
            "row": [str(plot.row) for plot in plots],
            "column": [str(plot.column) for plot in plots],
            "main": [plot.main_factor for plot in plots],
            "sub": [plot.sub_factor for plot in plots],
            "unit": [plot.main_plot for plot in plots],
        },
        index=[plot.id for plot in plots],
    )
    return frame[frame["y"].notna()]


def grouping(trial: Trial) -> tuple[str, ...]:
    """Columns by which plots, or main plots, are grouped."""
    if Design.LATIN in {trial.design, trial.main_plots}:
        return ("row", "column")
    if trial.design is Design.CRD or all(plot.block is None for plot in trial.plots):
        return ()
    return ("block",)


def indicator(*columns: pd.Series) -> Any:
    """One column of 0 and 1 for each level, or combination of levels, that is there."""
    codes = pd.MultiIndex.from_arrays([column.astype(str) for column in columns])
    return pd.get_dummies(pd.Series(codes.to_flat_index().map(str))).to_numpy(dtype=float)


def terms_of(trial: Trial, frame: pd.DataFrame) -> list[tuple[str, Any]]:
    """Name each source and give its columns, in the order in which they are fitted."""
    terms = [(name, indicator(frame[name])) for name in grouping(trial)]
    if not trial.design.has_larger_units:
        return [*terms, ("treatment", indicator(frame["t"]))]
    crossed = [frame[name] for name in grouping(trial)]
    whole = frame["unit"].notna().all() and trial.design is Design.SPLIT_PLOT
    units = [frame["unit"]] if whole else [*crossed, frame["main"]]
    terms += [("main", indicator(frame["main"])), ("error_main", indicator(*units))]
    terms.append(("sub", indicator(frame["sub"])))
    if trial.design is Design.STRIP_PLOT:
        terms.append(("error_sub", indicator(*crossed, frame["sub"])))
    return [*terms, ("main:sub", indicator(frame["main"], frame["sub"]))]


def errors_of(design: Design) -> dict[str, str]:
    """Which error each source is tested against, where that is not the error of the plots."""
    if design is Design.STRIP_PLOT:
        return {"main": "error_main", "sub": "error_sub"}
    return {"main": "error_main"} if design is Design.SPLIT_PLOT else {}


def full_rank(matrix: Any) -> Any:
    """Columns of a matrix that the ones before them do not already give."""
    return matrix[:, independent(matrix)]


def independent(matrix: Any) -> Any:
    """Places of the columns that the ones before them do not already give."""
    kept: list[int] = []
    base = np.zeros((len(matrix), 0))
    for place, column in enumerate(matrix.T):
        left = column - base @ (base.T @ column)
        left = left - base @ (base.T @ left)  # twice is enough (Kahan, from memory)
        size = np.linalg.norm(left)
        if size > _DEPENDENT * max(float(np.linalg.norm(column)), 1e-300):
            kept.append(place)
            base = np.column_stack([base, left / size])
    return np.array(kept, dtype=int)
