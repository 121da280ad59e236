"""Residuals against fitted values: what the checks of the tests looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.figures.identity import identities, plain_line, shorten
from trialkit.figures.theme import INK, LABEL_SIZE, RULE, SOFT_INK, number_labels, report_theme

if TYPE_CHECKING:
    from plotnine import ggplot

    from trialkit.analysis import Analysis

WIDTH, HEIGHT = 8.0, 3.2
#: Studentized residuals beyond this are named.
NAMED = 3.0
#: Most names, the largest residuals first.
MOST_NAMED = 6
#: Residuals at which there are lines: among them those of 2, which few plots pass.
_EVEN = tuple(range(-12, 13, 2))
#: Characters of a name.
LONGEST = 24


def residuals(analysis: Analysis, variable: str) -> ggplot:
    """Draw the studentized residuals of all days of a variable against the fitted values.

    Both are on the scale of analysis. A band that widens to one side shows a spread that rises
    with the mean; a bow shows effects that do not add up on this scale.

    Parameters
    ----------
    analysis : Analysis
    variable : str

    Raises
    ------
    ValueError
        When there are no residuals.
    """
    from plotnine import (
        aes,
        geom_hline,
        geom_point,
        geom_text,
        ggplot,
        labs,
        scale_color_identity,
        scale_x_continuous,
        scale_y_continuous,
    )

    table = analysis.residuals
    rows = table[(table["variable"] == variable) & (table["measure"] == "count")]
    rows = rows[np.isfinite(rows["studentized"].to_numpy(dtype=float))]
    if rows.empty:
        raise ValueError(f"there are no residuals of {variable}")
    treatment = {plot.id: plot.treatment for plot in analysis.trial.plots}
    looks = identities(analysis.trial)
    frame = pd.DataFrame(
        {
            "fitted": rows["fitted"].to_numpy(dtype=float),
            "studentized": rows["studentized"].to_numpy(dtype=float),
            "colour": [looks[treatment[str(plot)]].colour for plot in rows["plot"]],
        }
    )
    figure = (
        ggplot(frame, aes("fitted", "studentized"))
        + geom_hline(yintercept=[-2.0, 0.0, 2.0], color=RULE, size=0.6)
        + geom_point(aes(color="colour"), size=1.6, alpha=0.75)
        + scale_color_identity()
        + scale_x_continuous(labels=number_labels)
        + scale_y_continuous(breaks=_EVEN, labels=number_labels)
        + labs(x="Fitted value, on the scale of analysis", y="Studentized residual")
        + report_theme(WIDTH, HEIGHT)
    )
    named = _named(rows)
    if not named.empty:
        figure += geom_text(
            aes("fitted", "studentized", label="text"),
            data=named,
            size=LABEL_SIZE,
            color=SOFT_INK if len(named) > 1 else INK,
            ha="left",
            nudge_x=0.01 * float(np.ptp(frame["fitted"]) or 1.0),
        )
    return figure


def _named(rows: pd.DataFrame) -> pd.DataFrame:
    far = rows[rows["studentized"].abs() >= NAMED]
    far = far.reindex(far["studentized"].abs().sort_values(ascending=False).index)[:MOST_NAMED]
    return pd.DataFrame(
        {
            "fitted": far["fitted"].to_numpy(dtype=float),
            "studentized": far["studentized"].to_numpy(dtype=float),
            "text": [
                shorten(plain_line(f"plot {plot}, day {day:g}"), LONGEST)
                for plot, day in zip(far["plot"], far["days_after"], strict=True)
            ],
        }
    )
