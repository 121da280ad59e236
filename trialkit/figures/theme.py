"""What all figures share: paper, type and rules."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.numerals import MINUS, THOUSANDS

if TYPE_CHECKING:
    from plotnine import theme

INK = "#1c1c1c"
SOFT_INK = "#444444"
RULE = "#dddddd"
#: Share of white in the bars of intervals.
PALE = 0.45
#: Size of the labels in points.
LABEL_SIZE = 9.0


def report_theme(width: float, height: float, *, across: bool = False) -> theme:
    """Make the theme of a figure.

    Parameters
    ----------
    width, height : float
        Inches.
    across : bool
        Rules run from top to bottom, for figures whose scale runs across.
    """
    from plotnine import element_blank, element_line, element_rect, element_text, theme

    rule = element_line(color=RULE, size=0.6)
    return theme(
        figure_size=(width, height),
        legend_position="none",
        panel_background=element_rect(fill="white"),
        plot_background=element_rect(fill="white"),
        panel_grid_major_x=rule if across else element_blank(),
        panel_grid_major_y=element_blank() if across else rule,
        panel_grid_minor=element_blank(),
        panel_border=element_blank(),
        axis_ticks=element_blank(),
        axis_line_x=element_line(color=SOFT_INK, size=0.6),
        axis_text=element_text(color=SOFT_INK, size=LABEL_SIZE),
        axis_title=element_text(color=INK, size=LABEL_SIZE + 1),
        text=element_text(color=INK),
    )


def panel_theme() -> theme:
    """What small panels add: their titles to the left, without a box."""
    from plotnine import element_blank, element_text, theme

    return theme(
        strip_background=element_blank(),
        strip_text=element_text(
            color=INK,
            size=LABEL_SIZE - 0.5,
            ha="left",
            va="bottom",
            lineheight=1.05,
            margin={"t": 5, "b": 5, "units": "pt"},
        ),
        axis_text=element_text(color=SOFT_INK, size=LABEL_SIZE - 1.5),
        panel_spacing_x=0.018,
        panel_spacing_y=0.03,
    )


def number_labels(values: Sequence[float]) -> list[str]:
    """Write the numbers of an axis, with true minus signs."""
    return [f"{value:,.10g}".replace(",", THOUSANDS).replace("-", MINUS) for value in values]
