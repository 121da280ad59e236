"""What the treatments did to the crop and to yield."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.figures.marks import DIFFERS, marks
from trialkit.figures.means import scale_start
from trialkit.numerals import number, p_value
from trialkit.report.captions import caption, range_caption, shown_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, FigureBlock
from trialkit.report.numbers import write_share
from trialkit.report.parts.control import control_table
from trialkit.report.parts.means import mean_places, single_means
from trialkit.report.parts.persistence import persistence_of
from trialkit.report.parts.pest import MOST_FIGURES, courses_of_role
from trialkit.rows import Rows
from trialkit.trial import Variable, VariableRole


def asterisk(context: Context, rows: Rows) -> bool:
    """Whether some mean carries the sign of a difference from the untreated."""
    return DIFFERS in marks(context.analysis, rows).values()


def _tested(context: Context, variable: Variable, label: str) -> str:
    """State what the F test of a yield says; of one that was not tested, what the table shows."""
    p = context.rows("responses", variable.name, "yield").numbers("p")
    if not p:
        return caption("by_treatment", label=label)
    named = label_and_unit(label)[0]
    key = "differed" if p[0] < context.trial.settings.alpha else "not_differed"
    return caption(key, noun=named[:1].lower() + named[1:], p=p_value(p[0]))


def label_and_unit(label: str) -> tuple[str, str]:
    """Part a label such as "Grain, t/ha" into name and unit, which may be empty."""
    named, _, unit = label.rpartition(", ")
    measured = "/" in unit or " per " in unit
    return (named, unit) if named and measured else (label, "")


def course_of_damage(context: Context) -> Iterator[Block]:
    """Figures: damage over the days."""
    yield from courses_of_role(context, VariableRole.DAMAGE)


def damage(context: Context) -> Iterator[Block]:
    """Percent control of damage, and how long it held."""
    for variable in context.of_role(VariableRole.DAMAGE):
        table = control_table(context, variable)
        if table is not None:
            yield table
    yield from persistence_of(context, VariableRole.DAMAGE)


def crop_injury(context: Context) -> Iterator[Block]:
    """Figures: injury to the crop, and its stand and growth, over the days."""
    yield from courses_of_role(context, VariableRole.CROP_INJURY)
    yield from courses_of_role(context, VariableRole.CROP)


def yields(context: Context) -> Iterator[Block]:
    """Yield of each treatment, as a figure and a table."""
    drawn = 0
    level = write_share(1 - context.trial.settings.alpha)
    for variable in context.of_role(VariableRole.YIELD):
        rows = context.rows("means", variable.name, "yield")
        rows = rows.known("mean") if rows else rows
        if not rows:
            continue
        label = context.variable_label(variable.name)
        named, unit = label_and_unit(label)
        if drawn < MOST_FIGURES:
            drawn += 1
            spread = (rows[name] for name in ("back_transformed", "lower", "upper"))
            listed = ", ".join(
                f"{context.label(treatment)} {number(mean)}"
                for treatment, mean in zip(rows["treatment"], rows["mean"], strict=True)
            )
            yield FigureBlock(
                key=context.key("yield-figure", variable.name),
                kind="yield_means",
                variable=variable.name,
                alt=f"{label} by treatment: {listed}.",
                title=range_caption(
                    context,
                    "yields",
                    mean_places(context, variable.name, rows, "yield"),
                    noun=named[:1].lower() + named[1:],
                    unit=f" {unit}" if unit else "",
                )
                or "",
                caption=caption("yield_how", label=label, level=level)
                + (f" {DIFFERS} differs from the untreated." if asterisk(context, rows) else "")
                + (" The scale does not start at 0." if scale_start(*spread) > 0 else ""),
            )
        table = single_means(
            context,
            variable,
            "yield",
            shown_caption(context, variable) or _tested(context, variable, label),
            f"Yield {label}",
        )
        if table is not None:
            yield table
