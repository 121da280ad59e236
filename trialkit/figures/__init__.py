"""Figures of an Analysis, made with plotnine; nothing here computes a statistic.

plotnine and matplotlib are imported when a figure is made, not before.

Examples
--------
>>> import trialkit
>>> analysis = trialkit.analyse(trialkit.example_trial("leaf_beetle_potato"))
>>> type(trialkit.figures.course(analysis, "larvae")).__name__
'ggplot'
"""

from __future__ import annotations

from trialkit.figures.field import field_days
from trialkit.figures.forest import control_windows, forest, series_means
from trialkit.figures.gains import gains
from trialkit.figures.lines import control_course, course
from trialkit.figures.means import pest_days_means, yield_means
from trialkit.figures.residuals import residuals
from trialkit.figures.svg import draw_svg

__all__ = [
    "control_course",
    "control_windows",
    "course",
    "draw_svg",
    "field_days",
    "forest",
    "gains",
    "pest_days_means",
    "residuals",
    "series_means",
    "yield_means",
]
