"""Lower rates where more pests were there before treatment."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.numerals import number
from trialkit.plain_text import capital
from trialkit.report.context import Context
from trialkit.report.document import Block, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import as_number, write_share
from trialkit.report.parts.across import (
    Line,
    Place,
    across,
    by_treatment,
    day_heads,
    interval_words,
    span_text,
)
from trialkit.rows import Rows
from trialkit.trial import Variable, VariableRole

WHOLE, SHOWN = "whole", "*"


def rate_start(context: Context) -> Iterator[Block]:
    """Tables: what a doubling of the count before treatment changes between rates."""
    for variable in context.of_role(VariableRole.PEST):
        rows = context.rows("rate_start", variable.name)
        if rows and rows.knows("points"):
            yield _table(context, variable, rows)


def _table(context: Context, variable: Variable, rows: Rows) -> Table:
    alpha = context.trial.settings.alpha
    lines = []
    grouped = by_treatment(rows)
    for treatment in context.shown_treatments(rows):
        own = grouped[treatment]
        cells: dict[Place, dict[str, Any]] = {_place(row): row for row in own}
        spans = {place: span_text(row["lower"], row["upper"]) for place, row in cells.items()}
        lines.append(
            Line(
                head=f"{context.label(treatment)}, against {context.label(str(own[0]['full']))}",
                values={
                    place: number_or_missing(row["points"], row["reason"])
                    for place, row in cells.items()
                },
                spans={place: text for place, text in spans.items() if text},
                signs={
                    place: SHOWN if as_number(row["p"]) < alpha else ""
                    for place, row in cells.items()
                },
            )
        )
    heads = day_heads(context, rows.known("days_after"), "points")
    if len(rows.known("days_after")) < len(rows):
        head = Column(title="All days after treatment", kind=Kind.NUMBER, digits=0)
        heads = [(WHOLE, head), *heads]
    columns, body, _ = across(context, lines, heads, first="Lower rate")
    label = context.variable_label(variable.name)
    return Table(
        key=context.key("rate-start", variable.name),
        question=f"{label}: change in control of lower rates against the full rate with each "
        "doubling of starting numbers, percentage points",
        columns=columns,
        rows=body,
        notes=tuple(_notes(context, rows)),
        sheet=f"Rates and start {label}",
    )


def _place(row: dict[str, Any]) -> Place:
    day = as_number(row["days_after"])
    return day if math.isfinite(day) else WHOLE


def _notes(context: Context, rows: Rows) -> Iterator[str]:
    alpha = context.trial.settings.alpha
    lowest, highest = min(rows.numbers("start_lowest")), max(rows.numbers("start_highest"))
    shown = any(p < alpha for p in rows["p"])
    of = "their blocks, on average" if rows["level"][0] == "blocks" else "their plots"
    yield (
        "Below zero, the lower rate loses more as starting numbers rise. Small figures are "
        f"{interval_words(context)}s."
        + (f" {SHOWN} significant (each test on its own, {write_share(alpha)})." if shown else "")
        + " An interval that includes 0 does not rule the risk out."
    )
    yield (
        f"Counts before treatment ranged from {number(lowest)} to {number(highest)} in {of}; the "
        "trial says nothing about other numbers."
        + (
            " The count of one plot is partly chance, so the change is underestimated."
            if rows["level"][0] == "plots"
            else ""
        )
    )
    yield (
        "Log-linear model of the counts (negative binomial): blocks, treatments, and a slope of "
        "each treatment on the logarithm of the count before it."
    )
    for note in dict.fromkeys(text for text in rows["note"] if isinstance(text, str)):
        yield f"{capital(note)}."
