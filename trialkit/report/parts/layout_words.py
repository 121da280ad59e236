"""The trial in a line: treatments, design, plots, applications, assessments."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from trialkit.analysis.supporting.incomplete_blocks import incomplete_by_design
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.trial import Design, Trial
from trialkit.words import DESIGNS

_DOT = " \N{MIDDLE DOT} "
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def long_date(when: date) -> str:
    """Write a date so that nobody takes the day for the month."""
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def design_line(trial: Trial) -> str:
    """Say in a line what was compared, how it was laid out, and when."""
    return _DOT.join(_pieces(trial))


def _pieces(trial: Trial) -> Iterator[str]:
    area = f", plots of {trial.plot_area_m2:g} m\N{SUPERSCRIPT TWO}" if trial.plot_area_m2 else ""
    yield f"{plural(len(trial.treatments), 'treatment')} in {layout(trial)}{area}"
    dates = sorted({item.date for item in trial.applications})
    if len(dates) == 1:
        yield f"one application, {long_date(dates[0])}"
    elif dates:
        span = f"{long_date(dates[0])} to {long_date(dates[-1])}"
        yield f"{plural(len(dates), 'application')}, {span}"
    elif trial.applied is not None:
        yield f"day 0: {long_date(trial.applied)}"
    days = sorted(set(trial.counts["day"].dropna()))
    if trial.undated:
        yield "one assessment"
    elif days:
        yield f"{plural(len(days), 'assessment')} to day {write_day(days[-1])}"
    if len(trial.yields) or len(trial.harvest):
        yield "harvested"


def layout(trial: Trial) -> str:
    """Say how plots were laid out: "4 randomised blocks", "24 completely randomised plots"."""
    blocks = len({plot.block for plot in trial.plots if plot.block is not None})
    if trial.design is Design.LATIN:
        return "a Latin square"
    if trial.design is Design.CRD or not blocks:
        if trial.design is Design.CRD:
            return f"{len(trial.plots)} completely randomised plots"
        return f"{plural(len(trial.plots), 'plot')} ({DESIGNS[trial.design]})"
    if incomplete_by_design(trial):
        return f"{blocks} incomplete blocks"
    names = {Design.SPLIT_PLOT: "split-plot blocks", Design.STRIP_PLOT: "strip-plot blocks"}
    return f"{blocks} {names.get(trial.design, 'randomised blocks')}"
