"""The field on each day: what was counted in every plot, where the plots lie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.figures.identity import mix, plain_line, text_on
from trialkit.figures.plot_values import PlotValues, plot_values
from trialkit.figures.theme import INK, LABEL_SIZE, report_theme
from trialkit.numerals import day as write_day
from trialkit.numerals import fixed
from trialkit.rows import Rows
from trialkit.trial import Trial

if TYPE_CHECKING:
    from plotnine import ggplot

    from trialkit.analysis import Analysis

WIDTH = 8.0
#: Most panels, and how many of them stand beside each other.
MOST_DAYS, COLUMNS = 8, 4
#: The darkest ink, and how much of it the highest value gets.
DARK, FULL = "#1f4f7a", 0.92
#: Fields with more plots than this have no numbers on their tiles.
MOST_NUMBERED = 48
#: Usual and most height of a row of plots, and room for the day above them, in inches.
ROW, TALLEST, HEAD = 0.24, 0.34, 0.34
#: Most plots beside each other in fields whose days stand side by side; those of wider fields stand
#: one below the other, each row of plots so high, in inches.
MOST_BESIDE, WIDE_ROW = 40, 0.1
#: Frame of a tile, in points; thinner where it would hide the tile.
FRAME, FRAMED = 0.8, 0.07
#: Between two days, in plots; how much of a tile the frame of the untreated takes.
BETWEEN, INSET = 0.8, {"width": 0.9, "height": 0.9}
#: Most height of a panel without numbers, in inches.
DEEPEST = 2.4


def field_days(analysis: Analysis, variable: str) -> ggplot:
    """Draw the values of the plots where they lie, a panel a day: the darker, the more.

    All days share one scale, of square roots, so that low values are told apart too. Plots of the
    untreated are framed.

    Parameters
    ----------
    analysis : Analysis
    variable : str

    Raises
    ------
    ValueError
        When plots have no place, or nothing was assessed.
    """
    from plotnine import (
        aes,
        coord_fixed,
        element_blank,
        geom_text,
        geom_tile,
        ggplot,
        scale_color_identity,
        scale_fill_identity,
        scale_x_continuous,
        scale_y_continuous,
        theme,
    )

    frame = _tiles(analysis.trial, variable)
    if frame.empty:
        raise ValueError(f"{variable!r} has no values on a map")
    numbered = len(analysis.trial.plots) <= MOST_NUMBERED
    sheet = _sheet(frame, numbered=numbered)
    frame = sheet.tiles
    line = min(FRAME, FRAMED * 72.0 * sheet.step)
    own = frame[frame["untreated"]]
    figure = (
        ggplot(frame, aes("column", "row"))
        + geom_tile(aes(fill="colour"), color="white", size=line, width=1.0, height=1.0)
        + geom_tile(fill="none", data=own, color=INK, size=0.75 * line, **INSET)
        + geom_text(aes(label="panel"), data=sheet.heads, size=LABEL_SIZE, ha="left", va="bottom")
        + scale_x_continuous(limits=sheet.wide)
        + scale_y_continuous(limits=sheet.deep, expand=(0, 0))
        + scale_fill_identity()
        + scale_color_identity()
        + coord_fixed(ratio=sheet.high / sheet.step)
        + report_theme(WIDTH, sheet.height)
        + theme(
            axis_text=element_blank(),
            axis_line_x=element_blank(),
            axis_title=element_blank(),
            panel_grid=element_blank(),
            panel_grid_major_y=element_blank(),
        )
    )
    if numbered:
        figure += geom_text(aes(label="text", color="ink"), size=_size(frame["text"], sheet.step))
    return figure


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """All days side by side in one panel, which is drawn in half the time of a panel a day.

    Attributes
    ----------
    tiles, heads : DataFrame
        Plots and the words above each day, in places of the panel.
    wide, deep : tuple of float
        Limits of the panel, in plots.
    step, high, height : float
        Width and height of a plot, and height of the figure, in inches.
    """

    tiles: pd.DataFrame
    heads: pd.DataFrame
    wide: tuple[float, float]
    deep: tuple[float, float]
    step: float
    high: float
    height: float


def _sheet(frame: pd.DataFrame, *, numbered: bool) -> _Sheet:
    """Lay out the days of a field; tiles are broader than high where the field allows."""
    panels = frame["panel"].unique().tolist()
    columns = frame["column"].max() - frame["column"].min() + 1
    across = min(len(panels), COLUMNS if columns <= MOST_BESIDE else 1)
    deep = frame["row"].max() - frame["row"].min() + 1
    step = WIDTH / across * 0.94 / (columns + BETWEEN)
    high = min(max(ROW, 0.45 * step), max(step * 1.2, WIDE_ROW), TALLEST)
    if not numbered:  # nothing has to be read from a tile
        high = min(high, DEEPEST / deep)
    order = frame["panel"].map(panels.index)
    tiles = frame.assign(
        column=frame["column"] + (order % across) * (columns + BETWEEN),
        row=frame["row"] - (order // across) * (deep + HEAD / high),
    )
    heads = tiles.groupby("panel", sort=False).agg(column=("column", "min"), row=("row", "max"))
    heads = heads.assign(column=heads["column"] - 0.5, row=heads["row"] + 0.5 + 0.07 / high)
    left = tiles["column"].min()
    return _Sheet(
        tiles=tiles,
        heads=heads.reset_index(),
        wide=(left - 0.6, left + across * (columns + BETWEEN)),
        deep=(tiles["row"].min() - 0.6, tiles["row"].max() + 0.5 + HEAD / high),
        step=step,
        high=high,
        height=math.ceil(len(panels) / across) * (deep * high + HEAD) + 0.1,
    )


def _size(texts: pd.Series, step: float) -> float:
    """Points at which the longest number fits its tile."""
    longest = max(map(len, texts), default=1)
    return min(LABEL_SIZE - 1.5, max(4.0, 72.0 * step * 0.86 / (0.66 * max(longest, 2))))


def map_days(values: PlotValues) -> list[float]:
    """Days that the figure shows: all, or so many of them that the first and last are among."""
    days = [
        day
        for place, day in enumerate(values.days)
        if any(row[place] == row[place] for row in values.values)
    ]
    if len(days) <= MOST_DAYS:
        return days
    steps = [round(k * (len(days) - 1) / (MOST_DAYS - 1)) for k in range(MOST_DAYS)]
    return [days[step] for step in steps]


def _tiles(trial: Trial, variable: str) -> pd.DataFrame:
    counts = trial.counts[trial.counts["variable"] == variable]
    values = plot_values(trial, variable, Rows.of(counts))
    top = max((value for value in values.known if value > 0), default=1.0)
    digits = _decimals(values.known, top)
    places = {plot.id: plot for plot in trial.plots}
    tiles = []
    for day in map_days(values):
        place = values.days.index(day)
        for name, row in zip(values.plots, values.values, strict=True):
            plot, value = places[name], row[place]
            if plot.row is None or plot.column is None:
                continue
            known = value == value
            share = FULL * math.sqrt(max(value, 0.0) / top) if known else 0.0
            colour = mix("#f4f6f8", DARK, share) if known else "#ffffff"
            tiles.append(
                {
                    "panel": plain_line("" if trial.undated else f"day {write_day(day)}"),
                    "column": float(plot.column),
                    "row": -float(plot.row),
                    "colour": colour,
                    "ink": text_on(colour),
                    "text": fixed(value, digits) if known else "\N{EN DASH}",
                    "untreated": plot.treatment == trial.untreated,
                }
            )
    return pd.DataFrame(tiles)


def _decimals(known: list[float], top: float) -> int:
    """Decimals on the tiles: as entered, and none where numbers are large."""
    if top >= 20 or all(value.is_integer() for value in known):
        return 0
    return 1 if top >= 2 else 2
