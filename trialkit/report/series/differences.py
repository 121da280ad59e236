"""How treatments differ from the reference, and rates of one product from each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.findings.series_beside import rate_pairs
from trialkit.report.document import Block, Column, Kind, Table, number_or_missing
from trialkit.report.series.captions import ranged, what_of
from trialkit.report.series.context import SeriesContext, span_of
from trialkit.report.series.control import judged
from trialkit.rows import defined
from trialkit.series.matched import SeriesVariable
from trialkit.series.rows import Asked
from trialkit.trial import VariableRole

Row = dict[str, Any]
#: Most pairs of treatments that are printed where there is neither a reference nor a pair of rates.
MOST_PAIRS = 15


def differences(context: SeriesContext) -> Iterator[Block]:
    """How treatments differ from the reference and rates of one product from each other."""
    for variable, main in judged(context, VariableRole.PEST):
        rows = [
            row
            for row in context.tables["combined_differences"].where(**main.where).records()
            if defined(row["ratio"])
        ]
        kept = [row for row in rows if _asked(context, row)] or rows[:MOST_PAIRS]
        if kept:
            yield _differences(context, (variable, main), kept, left_out=len(rows) - len(kept))


def _asked(context: SeriesContext, row: Row) -> bool:
    pairs = {frozenset(pair) for pair in rate_pairs(context.tables)}
    return row["kind"] == "reference" or frozenset((row["a"], row["b"])) in pairs


def _differences(
    context: SeriesContext, of: tuple[SeriesVariable, Asked], rows: list[Row], left_out: int
) -> Table:
    variable, asked = of
    rows.sort(key=lambda row: row["kind"] != "reference")
    margins = {row["margin"] for row in rows if defined(row["margin"])}
    margin = f"{margins.pop():g} points" if len(margins) == 1 else "the margin"
    words = {True: "yes", False: "not shown"}
    notes = [
        "Difference: control of the first less that of the second, in percentage points. "
        "Ratio: what the first leaves over what the second leaves. p-values are adjusted "
        "over all pairs of the same kind (Holm)."
    ]
    if left_out:
        notes.append(f"{left_out} more pairs are in the workbook.")
    return Table(
        key=context.key("differences", variable.name),
        question=ranged(
            f"estimated differences of {what_of(context, variable).lower()}",
            [
                (
                    float(row["points"]),
                    f"{context.label(row['a'])} against {context.label(row['b'])}",
                )
                for row in rows
            ],
            " points",
        )
        or f"Differences of {what_of(context, variable).lower()}",
        about=f"Differences over all trials: {what_of(context, variable).lower()}, "
        f"{context.days(asked)}.",
        columns=(
            Column(title="Treatment"),
            Column(title="Compared with"),
            Column(title="Trials", kind=Kind.NUMBER, digits=0),
            Column(title="Difference, points", kind=Kind.NUMBER, digits=0),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="Ratio of what is left", kind=Kind.NUMBER, digits=2),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="p-value", kind=Kind.P_VALUE),
            Column(title=f"Within {margin}"),
        ),
        rows=tuple(
            (
                context.label(row["a"]),
                context.label(row["b"]),
                number_or_missing(row["trials"]),
                number_or_missing(row["points"], row["note"]),
                span_of(row["points_lower"], row["points_upper"], 0),
                number_or_missing(row["ratio"], row["note"]),
                span_of(row["lower"], row["upper"], 2),
                number_or_missing(row["p_adjusted"], row["note"]),
                words.get(row["not_inferior"], ""),
            )
            for row in rows
        ),
        notes=tuple(notes),
        sheet="Differences",
    )
