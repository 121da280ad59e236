"""Figure of what treatments gain in yield in every trial of a series, and over all of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.figures.forest import (
    ALL_LINE,
    layers,
    lines_by_name,
    looks_in,
    panels_in,
    titled,
    trial_lines,
)
from trialkit.figures.theme import number_labels
from trialkit.series.rows import SeriesTables

if TYPE_CHECKING:
    from plotnine import ggplot

    from trialkit.series.result import SeriesAnalysis


def gains(series: SeriesAnalysis, variable: str, *treatments: str) -> ggplot:
    """Draw differences of a yield from the untreated, or the reference, a panel a treatment.

    A trial is an open circle with its interval; all trials together are a diamond with a thick
    interval.

    Parameters
    ----------
    series : SeriesAnalysis
    variable : str
        Of ``trial_differences``.
    *treatments : str
        Those that get a panel; all where none is named.

    Raises
    ------
    ValueError
        When no trial has such differences.
    """
    import plotnine as p9

    tables = SeriesTables(series)
    own = pd.DataFrame(dict(tables["trial_differences"].where(variable=variable).columns))
    if own.empty:
        raise ValueError(f"no trial has differences of {variable!r} from a base")
    own = own.rename(columns={"a": "treatment", "difference": "percent"})
    base = str(own["b"].iloc[0])
    names = [key for key in tables.trial_labels if key in set(own["trial"])]
    looks, panels = looks_in(tables), panels_in(tables, own, treatments)
    dots = titled(own, panels, looks)
    dots = dots.assign(line=dots["trial"].map(trial_lines(names)).astype(float))
    whole = titled(_over_all(tables, variable, base), panels, looks).assign(line=ALL_LINE)
    item = tables.variables[variable]
    unit = f", {item.unit}" if item.unit else ""
    plot = layers(dots, whole, p9.scale_x_continuous(labels=number_labels))
    plot += p9.labs(x=f"Difference from {tables.labels.get(base, base)}{unit}", y="")
    plot += lines_by_name(tables, names, len(panels))
    return plot


def _over_all(tables: SeriesTables, variable: str, base: str) -> pd.DataFrame:
    """Differences over all trials as treatment less base, whichever way the table has them."""
    made = []
    for row in tables.pairs(variable).records():
        if base not in (row["a"], row["b"]):
            continue
        turned = row["a"] == base
        sign = -1.0 if turned else 1.0
        low, high = sorted((sign * row["lower"], sign * row["upper"]))
        made.append(
            {
                "treatment": row["b"] if turned else row["a"],
                "percent": sign * row["difference"],
                "lower": low,
                "upper": high,
            }
        )
    columns = ["treatment", "percent", "lower", "upper"]
    found = pd.DataFrame(made, columns=columns).drop_duplicates("treatment", keep="last")
    # nowhere is it told where the next site lies
    return found.assign(predicted_lower=float("nan"), predicted_upper=float("nan"))
