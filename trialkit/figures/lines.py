"""Figures over days: the course of a variable, and of its control."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.figures.identity import (
    Identity,
    identities,
    measured_label,
    mix,
    plain_line,
    shorten,
    text_colour,
)
from trialkit.figures.means import dot_means
from trialkit.figures.placing import dodge, spread
from trialkit.figures.scales import Scale, course_scale
from trialkit.figures.theme import (
    LABEL_SIZE,
    PALE,
    POINTS,
    SOFT_INK,
    number_labels,
    report_theme,
    text_inches,
)

if TYPE_CHECKING:
    from plotnine import ggplot

    from trialkit.analysis import Analysis

WIDTH = 8.0
#: Room that axes and titles take, in inches.
SIDE, FOOT = 0.75, 0.75
LABEL_GAP = 1.45 * LABEL_SIZE / POINTS
LONGEST_LABEL = 34
#: Control below this is drawn at the edge of the figure.
LOWEST_CONTROL = -50.0
#: Lines of control that can carry the bars of their intervals and still be told apart.
MOST_BARS = 3


@dataclass(frozen=True, slots=True)
class Level:
    """A dashed line across the figure, and the words beside it."""

    at: float
    words: str


def course(analysis: Analysis, variable: str) -> ggplot:
    """Draw the mean of each treatment over the days, with its interval.

    Where the variable was assessed on one day only, the means stand one below the other.

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
    looks = identities(analysis.trial)
    if len(set(rows["days_after"])) == 1:
        return dot_means(rows.assign(point=rows["value"], letters=""), looks, label)
    scale = course_scale(rows["value"].tolist(), rows["upper"].tolist(), item.kind)
    level = None
    if item.threshold is not None and scale.low <= item.threshold <= scale.top:
        level = Level(item.threshold, f"action threshold {item.threshold:g}")
    return _lines(rows, looks, label, scale, level)


def control_course(analysis: Analysis, variable: str) -> ggplot:
    """Draw percent control of each treatment over the days, with the target.

    Values below `LOWEST_CONTROL` are drawn at the lower edge. Intervals are drawn for up to
    `MOST_BARS` treatments.

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
    if rows["treatment"].nunique() > MOST_BARS:
        rows = rows.assign(lower=math.nan, upper=math.nan)
    lowest = float(rows["value"].min())
    scale = Scale(max(LOWEST_CONTROL, min(0.0, lowest)), 104.0)
    target = analysis.trial.settings.control_target
    level = Level(target, f"target {target:g} %") if scale.low <= target <= scale.top else None
    return _lines(rows, identities(analysis.trial), "Control, %", scale, level)


@dataclass(frozen=True, slots=True)
class _Frame:
    """Measures of a figure: inches high, ends of the scale, days and the right edge."""

    height: float
    limits: tuple[float, float]
    days: tuple[float, ...]
    right: float
    per_inch: float


def _frame(rows: pd.DataFrame, labels: Sequence[str], limits: tuple[float, float]) -> _Frame:
    days = tuple(sorted(set(rows["days_after"])))
    widest = max(text_inches(label) for label in labels) + 0.25
    per_inch = (days[-1] - days[0]) / max(WIDTH - SIDE - widest, 2.0)
    return _Frame(
        height=max(4.2, len(labels) * LABEL_GAP + FOOT + 0.4),
        limits=limits,
        days=days,
        right=days[-1] + widest * per_inch,
        per_inch=per_inch,
    )


def _labels(
    rows: pd.DataFrame, looks: dict[str, Identity], level: Level | None, frame: _Frame
) -> pd.DataFrame:
    """Place a label right of each line, clear of its neighbours."""
    last = rows.sort_values("days_after", kind="stable").groupby("treatment", sort=False).tail(1)
    ends = pd.DataFrame(
        {
            "label": [shorten(looks[item].label, LONGEST_LABEL) for item in last["treatment"]],
            "x": last["days_after"].to_numpy(),
            "y": last["value"].to_numpy(),
            "colour": [looks[item].colour for item in last["treatment"]],
            "ink": [text_colour(looks[item].colour) for item in last["treatment"]],
        }
    )
    if level is not None:
        beside = [[level.words, frame.days[-1], level.at, SOFT_INK, SOFT_INK]]
        ends = pd.concat([ends, pd.DataFrame(beside, columns=ends.columns)], ignore_index=True)
    low, high = frame.limits
    gap = LABEL_GAP * (high - low) / (frame.height - FOOT)
    return ends.assign(
        yend=spread(ends["y"].tolist(), gap, low + gap / 2, high - gap / 2),
        xend=frame.days[-1] + 0.17 * frame.per_inch,
        text_at=frame.days[-1] + 0.21 * frame.per_inch,
    )


def _segments(
    drawn: pd.DataFrame, ends: pd.DataFrame, level: Level | None, frame: _Frame
) -> pd.DataFrame:
    """Join bars of intervals, leaders of labels and the level: all straight lines of one layer."""
    spans = drawn[drawn["lower"].notna() & drawn["upper"].notna()]
    parts = [
        pd.DataFrame(
            {
                "x": spans["x"],
                "y": spans["lower"],
                "xend": spans["x"],
                "yend": spans["upper"],
                "colour": [mix(colour, "#ffffff", PALE) for colour in spans["colour"]],
                "size": 0.6,
                "dashes": "solid",
                "layer": 1,
            }
        ),
        ends[["x", "y", "xend", "yend", "colour"]].assign(size=0.35, dashes="solid", layer=1),
    ]
    if level is not None:
        parts.append(
            pd.DataFrame(
                {
                    "x": [frame.days[0]],
                    "y": [level.at],
                    "xend": [frame.days[-1]],
                    "yend": [level.at],
                    "colour": [SOFT_INK],
                    "size": [0.5],
                    "dashes": ["dashed"],
                    "layer": [2],
                }
            )
        )
    return pd.concat([part for part in parts if not part.empty], ignore_index=True)


def _lines(
    rows: pd.DataFrame,
    looks: dict[str, Identity],
    title: str,
    scale: Scale,
    level: Level | None,
) -> ggplot:
    import plotnine as p9

    present = set(rows["treatment"])
    shown = [item for item in looks if item in present]
    limits = (scale.place(scale.low), scale.place(scale.top))
    rows = rows.assign(
        **{name: rows[name].map(scale.place) for name in ("value", "lower", "upper")}
    )
    if level is not None:
        level = Level(scale.place(level.at), level.words)
    labels = [shorten(looks[item].label, LONGEST_LABEL) for item in shown]
    frame = _frame(rows, [*labels, level.words] if level else labels, limits)
    width = (frame.days[-1] - frame.days[0]) * 0.012
    shifts = dict(zip(shown, dodge(len(shown), width), strict=True))
    drawn = rows.assign(
        x=rows["days_after"] + rows["treatment"].map(shifts).astype(float),
        y=rows["value"],
        colour=rows["treatment"].map({item: looks[item].colour for item in shown}),
        mark=rows["treatment"].map({item: looks[item].mark for item in shown}),
        dashes=rows["treatment"].map({item: looks[item].line for item in shown}),
    ).sort_values("x", kind="stable")
    ends = _labels(rows, looks, level, frame)
    plot = p9.ggplot()
    # added in place: each ``+`` would copy the plot
    plot += [
        p9.geom_segment(
            p9.aes(
                x="x",
                y="y",
                xend="xend",
                yend="yend",
                color="colour",
                size="size",
                linetype="dashes",
                group="layer",
            ),
            data=_segments(drawn, ends, level, frame),
        ),
        p9.geom_path(
            p9.aes(x="x", y="y", color="colour", linetype="dashes", group="treatment"),
            data=drawn,
            size=0.9,
        ),
        p9.geom_point(
            p9.aes(x="x", y="y", color="colour", fill="colour", shape="mark", group=1),
            data=drawn,
            size=2.2,
        ),
        p9.geom_text(
            p9.aes(x="text_at", y="yend", label="label", color="ink", group=1),
            data=ends,
            ha="left",
            va="center",
            size=LABEL_SIZE,
        ),
        p9.scale_color_identity(),
        p9.scale_fill_identity(),
        p9.scale_shape_identity(),
        p9.scale_size_identity(),
        p9.scale_linetype_identity(),
        p9.scale_x_continuous(
            breaks=_spaced(frame.days),
            labels=number_labels,
            limits=(frame.days[0] - width, frame.right),
            expand=(0.015, 0),
        ),
        p9.scale_y_continuous(limits=limits, expand=(0.02, 0), **_numbers(scale)),
        p9.labs(x="Days after the first application", y=shorten(plain_line(title), 60)),
        report_theme(WIDTH, frame.height),
    ]
    return plot


def _numbers(scale: Scale) -> dict[str, object]:
    """Numbers beside the scale: those of plotnine, or our own on a square-root scale."""
    if not scale.root:
        return {"labels": number_labels}
    values = scale.breaks()
    return {"breaks": [scale.place(value) for value in values], "labels": number_labels(values)}


def _spaced(days: Sequence[float]) -> list[float]:
    """Days that get a number on the axis: all, or as many as have room."""
    least = (days[-1] - days[0]) / 28
    kept = [days[0]]
    for day in days[1:]:
        if day - kept[-1] >= least and math.isfinite(day):
            kept.append(day)
    return kept
