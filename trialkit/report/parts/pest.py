"""How the pest developed."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.figures.lines import MOST_PANELS
from trialkit.figures.means import MOST_DOTS
from trialkit.figures.scales import course_scale
from trialkit.findings.pressure import level_in_untreated
from trialkit.findings.sentences import Teller
from trialkit.numerals import day as write_day
from trialkit.numerals import number
from trialkit.report.captions import caption, counted, sentence
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    FigureBlock,
)
from trialkit.report.numbers import write_share
from trialkit.rows import Rows
from trialkit.trial import Variable, VariableRole
from trialkit.words import SCALES

#: Most variables of one role that get a figure.
MOST_FIGURES = 2


def course_figure(context: Context, variable: Variable) -> FigureBlock | None:
    """Make the place for the course of one variable."""
    rows = context.rows("course", variable.name)
    rows = rows.known("mean") if rows else rows
    if not rows:
        return None
    label = context.variable_label(variable.name)
    days = sorted(set(rows["days_after"]))
    level = write_share(1 - context.trial.settings.alpha)
    many = len(set(rows["treatment"])) > MOST_PANELS
    if many:
        days = days[-1:]
    note = ""
    if len(days) > 1:
        note = course_scale(rows["mean"], rows["upper"], variable.kind).note()
    spans = ""
    if rows.knows("lower"):
        drawn = "Bands" if len(days) > 1 else "Bars"
        spans = f" {drawn}: {_intervals(context, variable.name, level)}."
    how = caption("course_how", extremes=extremes_words(many))
    return FigureBlock(
        key=context.key("course", variable.name),
        kind="course",
        variable=variable.name,
        alt=f"{label} by treatment, {days_text(days)}. {_ends(context, rows)}",
        title=_course_title(context, variable, days),
        caption=f"{how}{spans} {note}".strip(),
    )


def _course_title(context: Context, variable: Variable, days: list[float]) -> str:
    """State how high a variable stood in the untreated, where there is one."""
    told = level_in_untreated(Teller(context.tables), variable)
    if told is not None and len(days) > 1:
        return sentence(told).removesuffix(".")
    label = context.variable_label(variable.name)
    if len(days) == 1:
        return caption("course_one", label=label, day=write_day(days[0]))
    return caption("course_many", label=label, number=counted(len(days)))


def extremes_words(many: bool) -> str:
    """Say that a figure shows the extremes of very many treatments alone."""
    return f", the {MOST_DOTS // 2} lowest and highest of the last day" if many else ""


def _intervals(context: Context, variable: str, level: str) -> str:
    """Say of what the bands of a course, or the bars of one day, are intervals."""
    modelled = [
        source == "negative binomial" for source in context.rows("course", variable)["interval"]
    ]
    scales = context.rows("choices", variable)["transform"]
    scale = str(scales[0]) if scales else "none"
    if all(modelled):
        return f"{level} intervals (count model)"
    if scale == "none":
        return f"{level} intervals"
    back = f"{level} intervals, back-transformed from the {SCALES.get(scale, scale)} scale"
    if any(modelled):
        return f"{level} intervals (count model; on days without one, {back})"
    return back


def days_text(days: list[float]) -> str:
    """Say on which days something was assessed, the first and the last."""
    if len(days) == 1:
        return f"on day {write_day(days[0])}"
    return f"from day {write_day(days[0])} to day {write_day(days[-1])}"


def _ends(context: Context, rows: Rows) -> str:
    end = max(rows["days_after"])
    last = rows.where(days_after=end)
    parts = [
        f"{context.label(treatment)} {number(mean)}"
        for treatment, mean in zip(last["treatment"], last["mean"], strict=True)
    ]
    return f"On day {write_day(end)}: {', '.join(parts)}."


def courses_of_role(context: Context, *roles: VariableRole) -> Iterator[Block]:
    """Figures of the course of the variables of these roles."""
    for variable in context.of_role(*roles)[:MOST_FIGURES]:
        figure = course_figure(context, variable)
        if figure is not None:
            yield figure


def course_of_pest(context: Context) -> Iterator[Block]:
    """Figures: the pest over the days."""
    yield from courses_of_role(context, VariableRole.PEST)
