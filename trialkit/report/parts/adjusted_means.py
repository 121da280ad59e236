"""Means adjusted for the count before treatment: in the report where control is adjusted so."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.sentences import noun
from trialkit.report.captions import Spot, caption, range_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, Table, number_or_missing
from trialkit.report.parts.across import Line, across, span_text
from trialkit.report.parts.means import day_column
from trialkit.trial import ControlMethod, Variable


def adjusted_answer(context: Context) -> Iterator[Block]:
    """Adjusted means, where the control that the trial asks for is adjusted."""
    if context.trial.settings.control is ControlMethod.ADJUSTED:
        yield from _tables(context)


def adjusted_beside(context: Context) -> Iterator[Block]:
    """Adjusted means beside the tests, where they are not the answer."""
    if context.trial.settings.control is not ControlMethod.ADJUSTED:
        yield from _tables(context)


def _tables(context: Context) -> Iterator[Block]:
    known = set(context.table("adjusted_means").get("variable"))
    for variable in context.variables.values():
        if variable.name in known:
            yield _table(context, variable)


def _table(context: Context, variable: Variable) -> Table:
    rows = context.table("adjusted_means").where(variable=variable.name)
    digits = context.digits(variable.name, "count")
    days = sorted(set(rows["days_after"]))
    found = {(row["treatment"], row["days_after"]): row for row in rows.records()}
    lines = []
    for treatment in context.shown_treatments(rows):
        own = {day: found[treatment, day] for day in days if (treatment, day) in found}
        lines.append(
            Line(
                head=context.label(treatment),
                values={
                    day: number_or_missing(row["back_transformed"], "no plot was assessed")
                    for day, row in own.items()
                },
                spans={
                    day: span_text(row["lower"], row["upper"], digits) for day, row in own.items()
                },
            )
        )
    columns, body, _ = across(
        context, lines, [(day, day_column(context, day, digits)) for day in days], first="Treatment"
    )
    spots = [
        Spot(row["back_transformed"], row["treatment"], row["days_after"], digits)
        for row in rows.records()
    ]
    label = context.variable_label(variable.name)
    stated = range_caption(context, "adjusted", spots, noun=noun(variable))
    return Table(
        key=context.key("adjusted-means", variable.name),
        question=stated or caption("by_treatment", label=label),
        about=caption("adjusted_how", label=label),
        columns=columns,
        rows=body,
        sheet=f"Adjusted means {label}",
    )
