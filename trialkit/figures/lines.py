"""Figures over days: the course of a variable, and of its control."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.figures.identity import (
    GREY,
    identities,
    measured_label,
    mix,
    plain_line,
    two_lines,
)
from trialkit.figures.means import dot_means
from trialkit.figures.placing import Curve, free_spot
from trialkit.figures.scales import Scale, course_scale
from trialkit.figures.theme import SOFT_INK, number_labels, panel_theme, report_theme
from trialkit.trial import TreatmentRole, Trial
from trialkit.words import day_zero

if TYPE_CHECKING:
    from plotnine import geom_point, geom_segment, geom_text, ggplot

    from trialkit.analysis import Analysis

WIDTH = 8.0
#: Room that axes take, and height of a row of panels, in inches.
FOOT, PANEL = 0.7, 1.2
#: Room of a character: of the title beside the panels, and of a number below them, in inches.
TITLE_CHARACTER, NUMBER_CHARACTER = 0.078, 0.066
#: Room that words beside a level take: of a character, and of their height, in inches.
LEVEL_CHARACTER, LEVEL_HEIGHT = 0.062, 0.17
#: Most panels beside each other.
COLUMNS = 4
#: More treatments than this get no panel each: they stand in order, as on the last day.
MOST_PANELS = 24
#: Control below this is drawn at the edge of the figure.
LOWEST_CONTROL = -50.0


@dataclass(frozen=True, slots=True)
class Level:
    """A dashed line across each panel, and the words beside it."""

    at: float
    words: str


def course(analysis: Analysis, variable: str) -> ggplot:
    """Draw the mean of each treatment over the days, a panel a treatment.

    Behind each stand the untreated and the reference in grey. Where the variable was assessed on
    one day only, the means stand one below the other.

    Parameters
    ----------
    analysis : Analysis
    variable : str

    Raises
    ------
    ValueError
        When the variable was not assessed.
    """
    rows = analysis.course[analysis.course["variable"] == variable]
    rows = rows[rows["mean"].notna()].rename(columns={"mean": "value"})
    if rows.empty:
        raise ValueError(f"no course of {variable!r} in this analysis")
    item = analysis.trial.variable(variable)
    label = measured_label(analysis.trial, variable)
    if len(set(rows["days_after"])) == 1 or rows["treatment"].nunique() > MOST_PANELS:
        last = rows[rows["days_after"] == rows["days_after"].max()]
        looks = identities(analysis.trial)
        return dot_means(last.assign(point=last["value"], letters=""), looks, label)
    scale = course_scale(rows["value"].tolist(), rows["upper"].tolist(), item.kind)
    level = None
    if item.threshold is not None and scale.low <= item.threshold <= scale.top:
        level = Level(item.threshold, f"threshold {item.threshold:g}")
    return _panels(analysis.trial, rows, label, scale, level)


def control_course(analysis: Analysis, variable: str) -> ggplot:
    """Draw percent control of each treatment over the days, a panel a treatment.

    Values and intervals below `LOWEST_CONTROL` end at the edge of the panel in an arrow.

    Parameters
    ----------
    analysis : Analysis
    variable : str

    Raises
    ------
    ValueError
        When control of the variable is not known on two days or more.
    """
    rows = analysis.control[analysis.control["variable"] == variable]
    rows = rows[rows["chosen"].eq(True) & rows["percent"].notna()]
    if rows["days_after"].nunique() < 2:
        raise ValueError(f"no course of the control of {variable!r} in this analysis")
    rows = rows.rename(columns={"percent": "value"})
    if rows["treatment"].nunique() > MOST_PANELS:
        last = rows[rows["days_after"] == rows["days_after"].max()]
        looks = identities(analysis.trial)
        return dot_means(last.assign(point=last["value"], letters=""), looks, "Control, %")
    lowest = float(rows["value"].min())
    scale = Scale(max(LOWEST_CONTROL, min(0.0, lowest)), 104.0)
    target = analysis.trial.settings.control_target
    level = Level(target, f"target {target:g}%") if scale.low <= target <= scale.top else None
    return _panels(analysis.trial, rows, "Control, %", scale, level)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Which treatments get a panel and which stand behind all, and how the panels lie."""

    panels: list[str]
    behind: list[str]
    titles: dict[str, str]
    columns: int

    @property
    def height(self) -> float:
        return FOOT + self._panel_height

    @property
    def title_width(self) -> int:
        """Characters of the title beside the panels that fit into their height."""
        return max(16, min(60, int(self._panel_height / TITLE_CHARACTER)))

    @property
    def _panel_height(self) -> float:
        return PANEL * math.ceil(len(self.panels) / self.columns)


def _grid(trial: Trial, rows: pd.DataFrame) -> _Grid:
    looks = identities(trial)
    present = [item for item in trial.treatments if item.id in set(rows["treatment"])]
    grey = (TreatmentRole.UNTREATED, TreatmentRole.REFERENCE)
    behind = [item.id for item in present if item.role in grey or item.id == trial.untreated]
    panels = [item.id for item in present if item.id != trial.untreated] or behind
    # As many rows as columns of the page ask for, and these filled evenly: 5 are 3 and 2.
    deep = max(math.ceil(len(panels) / COLUMNS), 1)
    columns = max(math.ceil(len(panels) / deep), 2)
    titles = {item: two_lines(looks[item].label) for item in panels}
    return _Grid(panels, behind, titles, columns)


def _placed(rows: pd.DataFrame, scale: Scale) -> pd.DataFrame:
    """Bring values to places on the paper, and mark those beyond the ends of the scale."""
    beyond = rows["value"].lt(scale.low) | rows["value"].gt(scale.top)
    placed = {name: rows[name].map(scale.place) for name in ("value", "lower", "upper")}
    return rows.assign(**placed, beyond=beyond, down=rows["value"].lt(scale.low))


def _courses(own: pd.DataFrame, behind: pd.DataFrame) -> list[object]:
    """Layers of the treatment of each panel, before the others in grey."""
    import plotnine as p9

    return [
        p9.geom_ribbon(
            p9.aes(x="days_after", ymin="lower", ymax="upper", fill="fill", group="treatment"),
            data=own[own["lower"].notna() & own["upper"].notna()],
        ),
        p9.geom_path(
            p9.aes(x="days_after", y="value", linetype="dashes", group="treatment"),
            data=behind,
            color=GREY,
            size=0.55,
        ),
        p9.geom_path(
            p9.aes(x="days_after", y="value", color="colour", group="treatment"), data=own, size=0.9
        ),
        p9.geom_point(
            p9.aes(x="days_after", y="value", color="colour", group=1),
            data=own[~own["beyond"]],
            size=1.7,
        ),
    ]


def _panels(
    trial: Trial, rows: pd.DataFrame, title: str, scale: Scale, level: Level | None
) -> ggplot:
    import plotnine as p9

    grid, looks = _grid(trial, rows), identities(trial)
    placed = _placed(rows, scale).sort_values("days_after", kind="stable")
    order = [grid.titles[item] for item in grid.panels]

    def in_panel(frame: pd.DataFrame, names: pd.Series) -> pd.DataFrame:
        return frame.assign(panel=pd.Categorical(names, categories=order, ordered=True))

    own = placed[placed["treatment"].isin(grid.panels)]
    own = in_panel(own, own["treatment"].map(grid.titles)).assign(
        colour=own["treatment"].map({item: looks[item].colour for item in grid.panels}),
        fill=own["treatment"].map({i: mix(looks[i].colour, "#ffffff", 0.72) for i in grid.panels}),
    )
    grey = placed[placed["treatment"].isin(grid.behind)]
    behind = pd.concat(
        [
            in_panel(part := grey[grey["treatment"] != item], pd.Series(name, index=part.index))
            for item, name in grid.titles.items()
        ],
        ignore_index=True,
    ).assign(dashes=lambda frame: frame["treatment"].map(_dashes(trial)))
    limits = (scale.place(scale.low), scale.place(scale.top))
    days = tuple(sorted(set(rows["days_after"])))
    width = WIDTH / grid.columns
    numbered = _spaced(days, width)
    drawn = pd.concat([own, behind], ignore_index=True)
    beside = two_lines(plain_line(title), grid.title_width)
    plot = p9.ggplot()
    # added in place: each ``+`` would copy the plot
    plot += [
        *_courses(own, behind),
        *(_level_line(level, scale, order, drawn, width) if level is not None else []),
        *_arrows(own[own["beyond"]]),
        p9.facet_wrap("panel", ncol=grid.columns),
        p9.scale_color_identity(),
        p9.scale_fill_identity(),
        p9.scale_linetype_identity(),
        p9.scale_x_continuous(breaks=numbered, labels=number_labels, expand=(0.03, 0)),
        p9.scale_y_continuous(limits=limits, expand=(0.03, 0), **_numbers(scale)),
        p9.labs(x=f"Days after {day_zero(trial)}", y=beside),
        report_theme(WIDTH, grid.height),
        panel_theme(),
    ]
    return plot


def _dashes(trial: Trial) -> dict[str, str]:
    """The untreated is a solid line of grey, a reference a dashed one."""
    return {
        item.id: "solid" if item.id == trial.untreated else "dashed" for item in trial.treatments
    }


def _level_line(
    level: Level, scale: Scale, order: list[str], drawn: pd.DataFrame, width: float
) -> list[geom_segment | geom_text]:
    """A dotted line in every panel, named once, where the fewest lines cross the words."""
    import plotnine as p9

    days = (float(drawn["days_after"].min()), float(drawn["days_after"].max()))
    ends = (scale.place(scale.low), scale.place(scale.top))
    box = (
        len(level.words) * LEVEL_CHARACTER / width * (days[1] - days[0]),
        LEVEL_HEIGHT / PANEL * (ends[1] - ends[0]),
    )
    curves = [_curves(drawn[drawn["panel"] == panel]) for panel in order]
    spot = free_spot(curves, scale.place(level.at), box, days, ends)
    line = pd.DataFrame(
        {
            "x": days[0],
            "xend": days[1],
            "y": scale.place(level.at),
            "panel": pd.Categorical(pd.Series(order), categories=pd.Index(order), ordered=True),
        }
    )
    return [
        p9.geom_segment(
            p9.aes(x="x", xend="xend", y="y", yend="y"),
            data=line,
            color=SOFT_INK,
            size=0.45,
            linetype="dotted",
        ),
        p9.geom_text(
            p9.aes(x="xend" if spot.right else "x", y="y"),
            data=line.iloc[[spot.panel]],
            label=level.words,
            color=SOFT_INK,
            size=7,
            ha="right" if spot.right else "left",
            va="bottom" if spot.above else "top",
        ),
    ]


def _curves(drawn: pd.DataFrame) -> list[Curve]:
    """The lines of one panel."""
    parts = (part.dropna(subset="value") for _, part in drawn.groupby("treatment", sort=False))
    return [(part["days_after"].to_numpy(float), part["value"].to_numpy(float)) for part in parts]


def _arrows(outside: pd.DataFrame) -> list[geom_point]:
    """Points beyond the scale: an arrow at its edge, no false point."""
    import plotnine as p9

    return [
        p9.geom_point(
            p9.aes(x="days_after", y="value", fill="colour", group=1),
            data=part,
            shape=shape,
            size=2.2,
            stroke=0,
        )
        for shape, part in (("v", outside[outside["down"]]), ("^", outside[~outside["down"]]))
        if not part.empty
    ]


def _numbers(scale: Scale) -> dict[str, object]:
    """Numbers beside the scale: those of plotnine, or our own on a square-root scale."""
    if not scale.root:
        return {"labels": number_labels}
    values = scale.breaks()
    return {"breaks": [scale.place(value) for value in values], "labels": number_labels(values)}


def _spaced(days: Sequence[float], width: float) -> list[float]:
    """Days that get a number on the axis: all, or as many as have room in a panel so wide."""
    longest = max(map(len, number_labels(days)))
    room = (longest + 0.7) * NUMBER_CHARACTER
    least = (days[-1] - days[0]) * room / (0.9 * width)
    kept = [days[0]]
    for day in days[1:]:
        if day - kept[-1] >= least and math.isfinite(day):
            kept.append(day)
    return kept
