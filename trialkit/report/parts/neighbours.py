"""Neighbouring plots, edges, and what treatments and blocks leave over on the map."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.figures.identity import mix, plain_line
from trialkit.findings.phrases import series
from trialkit.numerals import day as write_day
from trialkit.report.captions import caption
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    FieldMap,
    Kind,
    MapPlot,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import write_number
from trialkit.report.parts.field import map_numbers, printed_in_full
from trialkit.rows import Rows
from trialkit.trial import Design, Variable, VariableRole

#: What stands beside the treatment in the value expected of a plot.
_ALLOWED = {
    Design.CRD: "treatment",
    Design.RCBD: "treatment and block",
    Design.LATIN: "treatment, row and column",
    Design.SPLIT_PLOT: "treatment, block and main plot",
    Design.STRIP_PLOT: "treatment, block and strips",
}

NEIGHBOURS, EDGE = "neighbouring plots", "edge of the trial"
#: Late days that are shown.
MOST_DAYS = 3
#: Residuals beyond this have the full colour.
FULL = 2.5
#: Plots with residuals beyond this are named where there is no map of them, and how many at most.
BEYOND, MOST_NAMED = 3, 20
HIGH, LOW = "#d9822b", "#2f78b7"


def neighbours(context: Context) -> Iterator[Block]:
    """Tables of neighbours and edge where either mattered; else a sentence that neither did."""
    alpha = context.trial.settings.alpha
    for variable in context.of_role(VariableRole.PEST):
        rows = context.rows("neighbours", variable.name)
        known = rows.numbers("p") if rows else []
        if known and min(known) < alpha:
            yield from _neighbours(context, [variable])
            yield Paragraph(
                "Pests that move between plots make control in small plots look shorter than it "
                "may be in a field without untreated neighbours."
            )
        elif known:
            yield Paragraph(
                f"{context.variable_label(variable.name)}: no influence of neighbouring plots or "
                f"the trial's edge was detected (all p \u2265 {min(known):.2f})."
            )


def neighbours_beside(context: Context) -> Iterator[Block]:
    """Tables of neighbours and edge where neither mattered."""
    alpha = context.trial.settings.alpha
    for variable in context.of_role(VariableRole.PEST):
        rows = context.rows("neighbours", variable.name)
        if rows and min(rows.numbers("p"), default=0.0) >= alpha:
            yield from _neighbours(context, [variable])


def _neighbours(context: Context, variables: list[Variable]) -> Iterator[Block]:
    for variable in variables:
        rows = context.rows("neighbours", variable.name)
        rows = rows.known("p") if rows else rows
        if not rows:
            continue
        days = sorted(set(rows["days_after"]))[-MOST_DAYS:]
        found = {(row["days_after"], row["question"]): row for row in rows.records()}
        label = context.variable_label(variable.name)
        yield Table(
            key=context.key("neighbours", variable.name),
            question=f"{label}: influence of neighbouring plots and of the trial's edge",
            columns=(
                Column(title="Day"),
                Column(title="Neighbours as counted on"),
                Column(title="Slope on the neighbours", kind=Kind.NUMBER, digits=2),
                Column(title="p-value, neighbours", kind=Kind.P_VALUE),
                Column(title="Edge less inside", kind=Kind.NUMBER, digits=2),
                Column(title="p-value, edge", kind=Kind.P_VALUE),
            ),
            rows=tuple(_row(day, found) for day in days),
            notes=tuple(_notes(found, days)),
            sheet=f"Neighbours {label}",
        )


def _row(day: float, found: dict[tuple[float, str], dict[str, Any]]) -> tuple[Cell, ...]:
    beside, edge = found.get((day, NEIGHBOURS), {}), found.get((day, EDGE), {})
    before = beside.get("before", math.nan)
    return (
        f"Day {write_day(day)}",
        f"day {write_day(before)}" if math.isfinite(before) else "",
        number_or_missing(beside.get("slope")),
        number_or_missing(beside.get("p")),
        number_or_missing(edge.get("slope")),
        number_or_missing(edge.get("p")),
    )


def _notes(found: dict[tuple[float, str], dict[str, Any]], days: list[float]) -> Iterator[str]:
    yield (
        "Permutation tests between plots treated alike, within blocks, on log10(count + 1). Slope: "
        "on the neighbours at the assessment before."
    )
    for question, words in ((NEIGHBOURS, "Neighbours"), (EDGE, "Edge")):
        row = found.get((days[-1], question))
        if row and isinstance(row["note"], str):
            yield f"{words}, day {write_day(days[-1])}: {row['note']}. Weaker effects are missed."


def residual_maps(context: Context) -> Iterator[Block]:
    """Map: what treatments and blocks leave over of the first pest over the whole period."""
    placed = {
        plot.id: plot
        for plot in context.trial.plots
        if plot.row is not None and plot.column is not None
    }
    if len({(plot.row, plot.column) for plot in placed.values()}) < len(placed):
        return  # several plots in one place, as where rows and columns are those of main plots
    for variable in context.of_role(VariableRole.PEST)[:1]:
        rows = context.rows("residuals", variable.name, "pest_days")
        rows = rows.known("studentized") if rows else rows
        rows = rows.keep(plot in placed for plot in rows.get("plot"))
        if len(rows) < 4:
            continue
        if not printed_in_full(context):
            yield Paragraph(_largest_residuals(context, variable.name, rows))
            continue
        yield _residual_map(context, variable.name, rows, placed)
        yield Paragraph(
            "Studentized residuals of the area under the curve: orange above, blue below the value "
            f"expected from {_ALLOWED[context.trial.design]}. "
            "Patches suggest infestation from one side or soil differences. "
            "Check single plots beyond 3 in the field book."
        )


def _largest_residuals(context: Context, variable: str, rows: Rows) -> str:
    """Name the plots that a map of residuals would show darkest, where plots are very many."""
    slots: dict[str, str | int] = {
        "label": context.variable_label(variable),
        "plots": len(rows),
        "limit": BEYOND,
    }
    found = zip(rows["studentized"], rows["plot"], strict=True)
    far = sorted((pair for pair in found if abs(pair[0]) > BEYOND), key=lambda pair: -abs(pair[0]))
    if not far:
        return caption("residuals_apart_none", **slots)
    names = series([f"{plain_line(plot)} ({_signed(value)})" for value, plot in far[:MOST_NAMED]])
    key = "residuals_apart" if len(far) <= MOST_NAMED else "residuals_apart_most"
    return caption(key, count=len(far), number=len(far), names=names, **slots)


def _signed(value: float) -> str:
    return ("+" if round(value, 1) > 0 else "") + write_number(value, 1)


def _residual_map(context: Context, variable: str, rows: Rows, placed: dict[str, Any]) -> FieldMap:
    plots = []
    for row in rows.records():
        plot, value = placed[row["plot"]], float(row["studentized"])
        plots.append(
            MapPlot(
                row=plot.row,
                column=plot.column,
                plot=plain_line(plot.id),
                treatment=plain_line(plot.treatment),
                block=plain_line(plot.block or ""),
                colour=residual_colour(value),
                value=_signed(value),
            )
        )
    return FieldMap(
        key=context.key("residual-map", variable),
        caption=f"{context.variable_label(variable)}: residuals (plot, treatment, residual)",
        plots=tuple(plots),
        legend=(),
        rows=map_numbers({plot.row for plot in plots}),
        columns=map_numbers({plot.column for plot in plots}),
    )


def residual_colour(value: float) -> str:
    """Colour of a residual: white at 0, orange above, blue below, pale enough for black text."""
    share = 0.75 * min(abs(value) / FULL, 1.0)
    return mix("#ffffff", HIGH if value > 0 else LOW, share)
