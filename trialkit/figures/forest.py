"""Figures of a series of trials: every trial and all together, and control over the windows.

Control stands on a scale of what is left: from 80 to 90 % is as far as from 60 to 80 %, since in
each case half of what was left is gone. Intervals are then even to both sides of their estimate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.figures.identity import (
    Identity,
    looks_of,
    mix,
    plain_line,
    shorten,
    text_colour,
    two_lines,
)
from trialkit.figures.means import dot_means
from trialkit.figures.scales import HIGHEST, LOWEST, place_of
from trialkit.figures.theme import INK, PALE, SOFT_INK, panel_theme, report_theme
from trialkit.numerals import MINUS
from trialkit.series.rows import CONTROLLED, Asked, SeriesTables
from trialkit.trial import VariableRole

if TYPE_CHECKING:
    from plotnine import ggplot

    from trialkit.series.result import SeriesAnalysis

WIDTH = 8.0
#: Height of a line of a forest, of what stands around its panels, and of a panel of windows.
ROW, HEAD, FOOT, PANEL = 0.155, 0.4, 0.55, 1.3
#: Most panels beside each other, and the tallest figure that a page has room for, in inches.
COLUMNS, TALLEST = 3, 9.6
#: Most trials that stand by name, more are lines without; most dots of a treatment and window.
MOST_NAMED, MOST_DOTS = 50, 40
#: Where the scale may have a number.
_TICKS = (-100.0, -50.0, 0.0, 30.0, 50.0, 65.0, 80.0, 90.0, 95.0, 98.0, 99.0, 99.5)
#: Least distance of two numbers of the scale, as a share of its length.
_APART = 0.13
ALL, ALL_LINE = "All trials", 0.9
#: Longest names of a trial beside a forest.
_NAME = 24


@dataclass(frozen=True, slots=True)
class _Frame:
    """The scale of a figure: its ends, as places, and the numbers on it."""

    low: float
    high: float

    @classmethod
    def around(cls, values: Sequence[float], target: float | None) -> _Frame:
        known = [place_of(value) for value in values if not math.isnan(value)]
        ends = [0.0, place_of(90.0), *known] + ([place_of(target)] if target is not None else [])
        room = 0.03 * (max(ends) - min(ends))
        return cls(min(ends) - room, max(ends) + room)

    def ticks(self) -> list[float]:
        """Values that get a number, none too close to the one before it; 0 is among them."""
        inside = [value for value in _TICKS if self.low <= place_of(value) <= self.high]
        apart = _APART * (self.high - self.low)
        kept = [0.0]
        for value in [value for value in inside if value > 0.0]:
            if place_of(value) - place_of(kept[-1]) >= apart:
                kept.append(value)
        for value in [value for value in reversed(inside) if value < 0.0]:
            if place_of(kept[0]) - place_of(value) >= apart:
                kept.insert(0, value)
        return kept


def looks_in(tables: SeriesTables) -> dict[str, Identity]:
    """Label, colour and mark of each treatment of a series."""
    return looks_of(
        (name, plain_line(label), name == tables.untreated) for name, label in tables.labels.items()
    )


def _drawn(rows: pd.DataFrame, frame: _Frame, *columns: str) -> pd.DataFrame:
    """Places of percentages on the scale, at its ends where they lie beyond; unknown stays so."""
    return rows.assign(
        **{
            name: [
                math.nan if math.isnan(value) else min(max(place_of(value), frame.low), frame.high)
                for value in rows[name]
            ]
            for name in columns
        }
    )


def panels_of_forest(trials: int) -> int:
    """How many treatments have room for a panel in one forest of so many trials."""
    return COLUMNS * max(1, int((TALLEST - FOOT) / (HEAD + ROW * (trials + 2))))


#: The same for control over the days.
PANELS_OF_WINDOWS = COLUMNS * int((TALLEST - FOOT) / (PANEL + 0.2))


def panels_in(tables: SeriesTables, rows: pd.DataFrame, chosen: tuple[str, ...]) -> list[str]:
    """Treatments that get a panel: those that were chosen and have rows."""
    present = set(rows["treatment"]) & set(chosen or tables.treated)
    return [name for name in tables.treated if name in present]


def titled(frame: pd.DataFrame, panels: list[str], looks: dict[str, Identity]) -> pd.DataFrame:
    """Give every row the title of its panel, and the colours of its treatment."""
    titles = {name: two_lines(looks[name].label, 30) for name in panels}
    for place, name in enumerate(panels):  # names that are alike once shortened are numbered
        if list(titles.values()).count(titles[name]) > 1:
            titles[name] = two_lines(f"{place + 1}: {looks[name].label}", 30)
    kept = frame[frame["treatment"].isin(panels)]
    order = list(dict.fromkeys(titles[name] for name in panels))
    return kept.assign(
        panel=pd.Categorical([titles[name] for name in kept["treatment"]], order),
        colour=[text_colour(looks[name].colour) for name in kept["treatment"]],
        pale=[mix(looks[name].colour, "#ffffff", PALE) for name in kept["treatment"]],
    )


def _asked(series: SeriesAnalysis, asked: Asked) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Control by trial and over all trials of one comparison."""

    def of(table: pd.DataFrame) -> pd.DataFrame:
        keep = table["percent"].notna()
        for column, value in asked.where.items():
            keep &= table[column] == value
        return table[keep]

    return of(series.trial_control), of(series.combined_control)


def forest(
    series: SeriesAnalysis, variable: str, measure: str, window: str, *treatments: str
) -> ggplot:
    """Draw control in every trial and over all of them, a panel a treatment.

    A trial is an open circle with its interval; all trials together are a diamond with a thick
    interval, and the thin line through it is where the next site is expected.

    Parameters
    ----------
    series : SeriesAnalysis
    variable, measure, window : str
        Of ``trial_control`` and ``combined_control``.
    *treatments : str
        Those that get a panel; all where none is named.

    Raises
    ------
    ValueError
        When no trial has control of that.
    """
    import plotnine as p9

    tables = SeriesTables(series)
    trials, pooled = _asked(series, Asked(variable, measure, window))
    if trials.empty:
        raise ValueError(f"no trial has control of {variable!r}, {window}")
    looks, panels = looks_in(tables), panels_in(tables, trials, treatments)
    names = [key for key in tables.trial_labels if key in set(trials["trial"])]
    lines = trial_lines(names)
    target = _target(tables, variable)
    spans = ("percent", "lower", "upper")
    ends = [value for part in (trials, pooled) for name in spans for value in part[name]]
    frame = _Frame.around(ends, target)
    dots = _drawn(titled(trials, panels, looks), frame, "percent", "lower", "upper")
    dots = dots.assign(line=dots["trial"].map(lines).astype(float))
    whole = _drawn(titled(pooled, panels, looks), frame, *_POOLED).assign(line=ALL_LINE)
    plot = layers(dots, whole, *_target_line(target), _scale(frame))
    plot += p9.labs(x=_axis(tables, variable, target), y="")
    plot += lines_by_name(tables, names, len(panels))
    return plot


def lines_by_name(tables: SeriesTables, names: list[str], panels: int) -> list[Any]:
    """A line a trial by its name, all trials at the foot, in so many panels."""
    import plotnine as p9

    rows = math.ceil(panels / COLUMNS)
    height = min(FOOT + rows * (HEAD + ROW * (len(names) + 2)), TALLEST)
    lines = trial_lines(names)
    named = names if len(names) <= MOST_NAMED else []
    return [
        p9.scale_y_continuous(
            breaks=[*(lines[key] for key in named), ALL_LINE],
            labels=[*(shorten(tables.trial_labels[key], _NAME) for key in named), ALL],
            limits=(0.3, len(names) + 1.6),
            expand=(0, 0),
        ),
        p9.facet_wrap("panel", ncol=min(COLUMNS, max(panels, 1))),
        report_theme(WIDTH, height, across=True),
        panel_theme(),
    ]


def trial_lines(names: list[str]) -> dict[str, float]:
    """Where the line of each trial lies, the first at the top."""
    return {key: float(len(names) - place + 1) for place, key in enumerate(names)}


_POOLED = ("percent", "lower", "upper", "predicted_lower", "predicted_upper")


def segments(data: pd.DataFrame, ends: tuple[str, str], colour: str, size: float) -> list[Any]:
    """Lines across from one column to another, of rows that have both."""
    import plotnine as p9

    known = data[data[ends[0]].notna() & data[ends[1]].notna()]
    if known.empty:
        return []
    across = p9.aes(x=ends[0], xend=ends[1], y="line", yend="line", color=colour, group=1)
    return [p9.geom_segment(across, data=known, size=size)]


def layers(dots: pd.DataFrame, whole: pd.DataFrame, *beside: Any) -> ggplot:
    """Draw trials and all of them together by places across, and what stands beside: the scale."""
    import plotnine as p9

    whole = whole.assign(ink=INK, soft=SOFT_INK)
    plot = p9.ggplot()
    plot += [
        p9.geom_vline(xintercept=0.0, color=SOFT_INK, size=0.5),
        *segments(dots, ("lower", "upper"), "pale", 0.9),
        *_circles(dots),
        *segments(whole, ("predicted_lower", "predicted_upper"), "soft", 0.5),
        *segments(whole, ("lower", "upper"), "colour", 1.9),
        p9.geom_point(p9.aes(x="percent", y="line", color="ink", group=1), data=whole, **_DIAMOND),
        p9.scale_color_identity(),
        *beside,
    ]
    return plot


def _target(tables: SeriesTables, variable: str) -> float | None:
    """The target of control, for what is to be controlled."""
    wanted = tables.variables[variable].role in CONTROLLED
    return tables.matched.settings.target if wanted else None


def _axis(tables: SeriesTables, variable: str, target: float | None) -> str:
    pest = tables.variables[variable].role is VariableRole.PEST
    return f"{'Control' if pest else 'Reduction'}, %" + (" (dashed: target)" if target else "")


def _target_line(target: float | None, *, upright: bool = True) -> list[Any]:
    import plotnine as p9

    if target is None:
        return []
    look: dict[str, Any] = {"color": SOFT_INK, "size": 0.5, "linetype": "dashed"}
    at = place_of(target)
    return [
        p9.geom_vline(xintercept=at, **look) if upright else p9.geom_hline(yintercept=at, **look)
    ]


def _circles(dots: pd.DataFrame) -> list[Any]:
    """Open circles; values beyond the scale are arrows at its edge."""
    import plotnine as p9

    left, right = dots["percent"] <= place_of(LOWEST), dots["percent"] >= place_of(HIGHEST)
    return [
        p9.geom_point(
            p9.aes(x="percent", y="line", color="colour", group=1),
            data=part,
            fill="white",
            shape=shape,
            size=1.7,
            stroke=0.6,
        )
        for shape, part in (("o", dots[~left & ~right]), ("<", dots[left]), (">", dots[right]))
        if not part.empty
    ]


_DIAMOND: dict[str, Any] = {"shape": "D", "size": 2.0, "fill": INK}


def _scale(frame: _Frame, *, upright: bool = False) -> Any:
    import plotnine as p9

    make = p9.scale_y_continuous if upright else p9.scale_x_continuous
    ticks = frame.ticks()
    return make(
        breaks=[place_of(value) for value in ticks],
        labels=[f"{value:g}".replace("-", MINUS) for value in ticks],
        limits=(frame.low, frame.high),
        expand=(0.01, 0),
    )


def control_windows(series: SeriesAnalysis, variable: str, *treatments: str) -> ggplot:
    """Draw control over all trials in each window of days, a panel a treatment.

    Grey circles are the trials, diamonds all of them together with a thick interval; the thin
    line is where the next site is expected.

    Parameters
    ----------
    series : SeriesAnalysis
    variable : str
    *treatments : str
        Those that get a panel; all where none is named.

    Raises
    ------
    ValueError
        When control of the variable is not known in two windows or more.
    """
    import plotnine as p9

    tables = SeriesTables(series)
    windows = [asked for asked in tables.asked(variable) if asked.measure == "control"]
    if len(windows) < 2:
        raise ValueError(f"no two windows with control of {variable!r} in this series")
    places = {asked.window: float(place) for place, asked in enumerate(windows, start=1)}
    parts = [_asked(series, asked) for asked in windows]
    trials, pooled = (pd.concat([part[i] for part in parts], ignore_index=True) for i in (0, 1))
    looks, panels = looks_in(tables), panels_in(tables, pooled, treatments)
    target = _target(tables, variable)
    ends = [value for name in _POOLED for value in pooled[name]]
    frame = _Frame.around([*trials["percent"], *ends], target)
    dots = _drawn(titled(_thinned(trials), panels, looks), frame, "percent")
    dots = dots.assign(at=dots["window"].map(places).astype(float))
    whole = _drawn(titled(pooled, panels, looks), frame, *_POOLED)
    whole = whole.assign(at=whole["window"].map(places).astype(float), ink=INK, soft=SOFT_INK)
    columns = min(COLUMNS, max(len(panels), 1))
    plot = p9.ggplot()
    plot += [
        p9.geom_hline(yintercept=0.0, color=SOFT_INK, size=0.5),
        *_target_line(target, upright=False),
        p9.geom_point(
            p9.aes(x="at", y="percent", group=1),
            data=dots.assign(at=dots["at"] - 0.22),
            color="#8a8a8a",
            fill="white",
            shape="o",
            size=1.2,
            stroke=0.5,
        ),
        *_upright(whole, ("predicted_lower", "predicted_upper"), "soft", 0.5),
        *_upright(whole, ("lower", "upper"), "colour", 1.9),
        p9.geom_line(p9.aes(x="at", y="percent", color="colour", group=1), data=whole, size=0.6),
        p9.geom_point(p9.aes(x="at", y="percent", color="ink", group=1), data=whole, **_DIAMOND),
        p9.scale_color_identity(),
        _scale(frame, upright=True),
        p9.scale_x_continuous(
            breaks=list(places.values()),
            labels=[name.replace("-", "\N{EN DASH}") for name in places],
            limits=(0.5, len(places) + 0.4),
            expand=(0, 0),
        ),
        p9.facet_wrap("panel", ncol=columns),
        p9.labs(x="Days after the first application", y=_axis(tables, variable, target)),
        report_theme(WIDTH, FOOT + math.ceil(len(panels) / columns) * (PANEL + 0.2)),
        panel_theme(),
    ]
    return plot


def _thinned(trials: pd.DataFrame) -> pd.DataFrame:
    """Of very many trials those at even steps of their control, for each treatment and window."""
    groups = trials.groupby(["window", "treatment"], sort=False)
    order = groups["percent"].rank(method="first") - 1.0
    step = (groups["percent"].transform("size") - 1).clip(lower=1) / (MOST_DOTS - 1)
    crowded = groups["percent"].transform("size") > MOST_DOTS
    return trials[~crowded | ((order / step).round() * step).round().eq(order)]


def _upright(data: pd.DataFrame, ends: tuple[str, str], colour: str, size: float) -> list[Any]:
    import plotnine as p9

    known = data[data[ends[0]].notna() & data[ends[1]].notna()]
    if known.empty:
        return []
    along = p9.aes(x="at", xend="at", y=ends[0], yend=ends[1], color=colour, group=1)
    return [p9.geom_segment(along, data=known, size=size)]


def series_means(series: SeriesAnalysis, variable: str) -> ggplot:
    """Draw the mean of each treatment over all trials with its interval and letters.

    Parameters
    ----------
    series : SeriesAnalysis
    variable : str

    Raises
    ------
    ValueError
        When there are no such means.
    """
    tables = SeriesTables(series)
    rows = pd.DataFrame(dict(tables.means(variable).columns))
    rows = rows[rows["mean"].notna()] if len(rows) else rows
    if rows.empty:
        raise ValueError(f"no means of {variable!r} in this series")
    item = tables.variables[variable]
    title = (
        f"{item.label}, {item.unit}" if item.unit and item.unit not in item.label else item.label
    )
    return dot_means(rows.assign(point=rows["mean"]), looks_in(tables), title)
