"""Figures of one mean a treatment: yield, pest-days, a single assessment."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.figures.identity import (
    GREY,
    Identity,
    identities,
    measured_label,
    mix,
    plain_line,
    shorten,
    two_lines,
)
from trialkit.figures.marks import marks
from trialkit.figures.theme import INK, LABEL_SIZE, PALE, number_labels, report_theme
from trialkit.rows import Rows

if TYPE_CHECKING:
    from plotnine import ggplot

    from trialkit.analysis import Analysis

WIDTH = 8.0
#: Height of a row of one line and of two, and room for the scale, in inches.
ROW, TWO_LINES, FOOT = 0.25, 0.32, 0.75
#: Characters in a line of a name.
NAME_WIDTH = 34
#: Of more treatments than this a figure of dots shows the lowest and the highest alone.
MOST_DOTS = 30
#: A scale starts at 0 unless its lowest value is above this share of its highest.
CROWDED = 0.6


def yield_means(analysis: Analysis, variable: str) -> ggplot:
    """Draw the mean yield of each treatment with its interval and letters.

    Parameters
    ----------
    analysis : Analysis
    variable : str

    Raises
    ------
    ValueError
        When there are no such means.
    """
    return _of_measure(analysis, variable, "yield", measured_label(analysis.trial, variable))


def pest_days_means(analysis: Analysis, variable: str) -> ggplot:
    """Draw the mean pest-days of each treatment with its interval and letters.

    Parameters
    ----------
    analysis : Analysis
    variable : str

    Raises
    ------
    ValueError
        When there are no such means.
    """
    title = f"{measured_label(analysis.trial, variable)} \u00d7 days"
    return _of_measure(analysis, variable, "pest_days", title)


def _of_measure(analysis: Analysis, variable: str, measure: str, title: str) -> ggplot:
    table = analysis.means
    rows = table[(table["variable"] == variable) & (table["measure"] == measure)]
    rows = rows.assign(point=rows["back_transformed"].fillna(rows["mean"]))
    rows = rows[rows["point"].notna()]
    beside = marks(analysis, Rows.of(rows))
    rows = rows.assign(letters=[beside.get((0.0, item), "") for item in rows["treatment"]])
    if rows.empty:
        raise ValueError(f"no {measure} of {variable!r} in this analysis")
    return dot_means(rows, identities(analysis.trial), title)


#: Columns that the scale has to hold.
_SCALED = ("point", "back_transformed", "lower", "upper")


def scale_start(*columns: Iterable[float]) -> float:
    """Choose where the scale of the means starts: at 0, unless that would crowd them.

    Parameters
    ----------
    *columns : iterable of float
        What the scale has to hold, means and limits; NaN are left out.
    """
    shown = [value for column in columns for value in column if value == value]
    least, most = min(shown, default=0.0), max(shown, default=0.0)
    if not least > CROWDED * most:
        return min(0.0, least)
    return max(0.0, least - 0.2 * (most - least))


def _shown(rows: pd.DataFrame, looks: dict[str, Identity]) -> list[str]:
    """Treatments in the order of the trial; of very many the extremes, in order of their means."""
    present = set(rows["treatment"])
    if len(present) <= MOST_DOTS:
        return [item for item in looks if item in present]
    ordered = rows.sort_values("point", kind="stable")["treatment"].tolist()
    half = MOST_DOTS // 2
    kept = {*ordered[:half], *ordered[-half:], *(i for i in present if looks[i].colour == GREY)}
    return [item for item in reversed(ordered) if item in kept]


def dot_means(rows: pd.DataFrame, looks: dict[str, Identity], title: str) -> ggplot:
    """Draw one dot a treatment, treatments down, with intervals and letters.

    Parameters
    ----------
    rows : DataFrame
        ``treatment``, ``point``, ``lower``, ``upper``, ``letters``.
    looks : dict
        Identity by treatment id.
    title : str
        What the scale measures.
    """
    import plotnine as p9

    shown = _shown(rows, looks)
    rows = rows[rows["treatment"].isin(shown)]
    names = [two_lines(looks[item].label, NAME_WIDTH) for item in shown]
    height = len(shown) * (TWO_LINES if any("\n" in name for name in names) else ROW) + FOOT
    places = {item: float(len(shown) - index) for index, item in enumerate(shown)}
    far = rows[["point", "upper"]].max(axis=1)
    low = scale_start(*(rows[name] for name in _SCALED if name in rows))
    span = (float(far.max()) - low) or 1.0
    drawn = rows.assign(
        place=rows["treatment"].map(places).astype(float),
        colour=rows["treatment"].map({item: looks[item].colour for item in shown}),
        mark=rows["treatment"].map({item: looks[item].mark for item in shown}),
        lower=rows["lower"].clip(lower=low),
        text_at=far + 0.025 * span,
        letters=rows["letters"].fillna(""),
    )
    plot = p9.ggplot()
    plot += [
        *_dots(drawn),
        p9.scale_color_identity(),
        p9.scale_fill_identity(),
        p9.scale_shape_identity(),
        p9.scale_x_continuous(
            limits=(low, low + 1.1 * span), labels=number_labels, expand=(0.01, 0)
        ),
        p9.scale_y_continuous(
            breaks=list(places.values()),
            labels=names,
            limits=(0.5, len(shown) + 0.5),
            expand=(0, 0),
        ),
        p9.labs(x=shorten(plain_line(title), 70), y=""),
        report_theme(WIDTH, height, across=True),
    ]
    return plot


def _dots(drawn: pd.DataFrame) -> list[object]:
    """Layers of intervals, dots and letters, each where there are any."""
    import plotnine as p9

    spans = drawn[drawn["lower"].notna() & drawn["upper"].notna()]
    layers: list[object] = []
    if not spans.empty:
        pale = [mix(colour, "#ffffff", PALE) for colour in spans["colour"]]
        layers.append(
            p9.geom_segment(
                p9.aes(x="lower", y="place", xend="upper", yend="place", color="pale", group=1),
                data=spans.assign(pale=pale),
                size=1.1,
            )
        )
    layers.append(
        p9.geom_point(
            p9.aes(x="point", y="place", color="colour", fill="colour", shape="mark", group=1),
            data=drawn,
            size=2.8,
        )
    )
    lettered = drawn[drawn["letters"].ne("")]
    if not lettered.empty:
        layers.append(
            p9.geom_text(
                p9.aes(x="text_at", y="place", label="letters", group=1),
                data=lettered,
                color=INK,
                ha="left",
                size=LABEL_SIZE,
            )
        )
    return layers
