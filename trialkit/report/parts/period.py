"""The whole period in one number: pest-days, their reduction, and time above the threshold."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.figures.marks import marks
from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.report.captions import caption, range_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import as_number, decimals_for_size, percent_digits
from trialkit.report.parts.across import interval_words, span_text
from trialkit.report.parts.means import marks_note, mean_places, precision_note
from trialkit.rows import Rows
from trialkit.trial import Variable, VariableRole

ByTreatment = dict[str, dict[str, Any]]
#: Limits of a reduction below this, in percent, only say that next to nothing is known.
LOWEST_LIMIT = -1000.0


def pest_days(context: Context) -> Iterator[Block]:
    """Tables of pest-days, one a pest; where no pest was counted, of damage."""
    pests = context.of_role(VariableRole.PEST)
    yield from _areas(context, pests or context.of_role(VariableRole.DAMAGE))


def damage_areas(context: Context) -> Iterator[Block]:
    """Tables of the area under the curve of damage, beside pests that were counted."""
    if context.of_role(VariableRole.PEST):
        yield from _areas(context, context.of_role(VariableRole.DAMAGE))


def _areas(context: Context, variables: list[Variable]) -> Iterator[Block]:
    for variable in variables:
        plots = context.rows("pest_days", variable.name)
        means = context.rows("means", variable.name, "pest_days")
        if plots and means and means.knows("mean"):
            yield _table(context, variable, plots, means)


def reductions_of(context: Context, variable: str, measure: str) -> ByTreatment:
    """Rows of the reductions of one measure by treatment; none where nothing is known."""
    rows = context.rows("reductions", variable, measure)
    if not rows or not (rows.knows("mean") or rows.knows("percent")):
        return {}
    return {row["treatment"]: row for row in rows.records()}


def is_own(row: dict[str, Any]) -> bool:
    """Whether a row is that of the untreated, which has no reduction of its own."""
    return row.get("reason") == "the untreated itself"


def _reduction(rows: ByTreatment, treatment: str) -> tuple[Cell, Cell]:
    row = rows.get(treatment, {})
    return (
        number_or_missing(row.get("percent"), "" if is_own(row) else row.get("reason")),
        _span(row),
    )


def _above(rows: ByTreatment, treatment: str) -> tuple[Cell, ...]:
    """Area above the threshold, and its reduction."""
    mean = number_or_missing(rows.get(treatment, {}).get("mean"))
    return (mean, *_reduction(rows, treatment))


def _span(row: dict[str, Any]) -> str:
    lower, upper = as_number(row.get("lower")), as_number(row.get("upper"))
    if lower < LOWEST_LIMIT and math.isfinite(upper):
        return f"under {span_text(LOWEST_LIMIT, upper)}"
    return span_text(lower, upper)


def _reduction_columns(context: Context, rows: ByTreatment, of: str) -> tuple[Column, Column]:
    digits = percent_digits(row["percent"] for row in rows.values())
    title = f"Reduction{of}, %"
    return (
        Column(title=title, kind=Kind.NUMBER, digits=digits),
        Column(title=f"{title}, {interval_words(context)}", kind=Kind.SPAN),
    )


def _table(context: Context, variable: Variable, plots: Rows, means: Rows) -> Table:
    pest = variable.role is VariableRole.PEST
    words = "Pest-days" if pest else "Area under the curve"
    label = context.variable_label(variable.name)
    whole = reductions_of(context, variable.name, "pest_days")
    above = reductions_of(context, variable.name, "pest_days_above")
    days, spans = _days_above(context, variable)
    beside = marks(context.analysis, means)
    level = f"{variable.threshold:g}" if variable.threshold is not None else ""
    columns = [
        Column(title="Treatment"),
        Column(title="Plots", kind=Kind.NUMBER, digits=0),
        Column(title=words, kind=Kind.NUMBER, digits=context.digits(variable.name, "pest_days")),
        *([Column(title="Letters", kind=Kind.LETTERS)] if beside else []),
        *(_reduction_columns(context, whole, "") if whole else ()),
    ]
    if above:
        size = decimals_for_size(row["mean"] for row in above.values())
        columns += [
            Column(title=f"{words} above {level}", kind=Kind.NUMBER, digits=size),
            *_reduction_columns(context, above, " of these"),
        ]
    if days:
        title = f"Days above {level}"
        columns.append(Column(title=title, kind=Kind.NUMBER, digits=1))
        if spans:
            columns.append(Column(title=f"{title}, {interval_words(context)}", kind=Kind.SPAN))
    by_treatment = {row["treatment"]: row for row in means.records()}
    body = []
    for treatment in context.shown_treatments(means):
        row = by_treatment[treatment]
        cells: list[Cell] = [
            context.label(treatment),
            number_or_missing(row["n"]),
            number_or_missing(row["mean"], "no plot was assessed"),
            *([beside.get((0.0, treatment), "")] if beside else []),
            *(_reduction(whole, treatment) if whole else ()),
            *(_above(above, treatment) if above else ()),
        ]
        if days:
            cells.append(number_or_missing(days.get(treatment, math.nan), "not assessed"))
            cells += [spans.get(treatment, "")] if spans else []
        body.append(tuple(cells))
    return Table(
        key=context.key("pest-days", variable.name),
        question=_range(context, variable, means),
        about=caption("area_how", label=label, words=words.lower(), span=span_words(plots)),
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            *_area_notes(plots),
            *_change_notes(context, variable.name, whole),
            *_threshold_notes(bool(above or days), level, bool(spans)),
            *(marks_note(context, variable.name, "pest_days", across=False) if beside else ()),
            *precision_note(context, variable.name, "pest_days"),
        ),
        sheet=f"{words} {label}",
    )


def _range(context: Context, variable: Variable, means: Rows) -> str:
    """State the least and the largest area."""
    key = "area_pest" if variable.role is VariableRole.PEST else "area"
    places = mean_places(context, variable.name, means, "pest_days")
    return range_caption(context, key, places, noun=noun(variable)) or variable.label


def _days_above(context: Context, variable: Variable) -> tuple[dict[str, float], dict[str, str]]:
    """Days above the threshold by treatment, and their intervals where they have any."""
    rows = context.rows("days_above", variable.name)
    if rows and rows.knows("days"):
        own = {row["treatment"]: row for row in rows.records()}
        return (
            {name: as_number(row["days"]) for name, row in own.items()},
            {name: span_text(row["lower"], row["upper"], 1) for name, row in own.items()},
        )
    plots = reductions_of(context, variable.name, "days_above")
    return {name: as_number(row["mean"]) for name, row in plots.items()}, {}


def _change_notes(context: Context, variable: str, whole: ByTreatment) -> Iterator[str]:
    if whole:
        tested = context.tested_change(variable)
        yield (
            "Reduction is against the untreated, not adjusted for counts before treatment"
            f"{'; the change on page 1 is' if tested else ''}."
        )


def _threshold_notes(above: bool, level: str, intervals: bool) -> Iterator[str]:
    if above:
        yield (
            f"Action threshold: {level}. "
            + (
                "Days above it are those of the treatment mean; the area above it is summed plot "
                "by plot."
                if intervals
                else "Days above it are means over plots, without an interval."
            )
        )


def span_words(plots: Rows) -> str:
    """Say how many days the areas of some plots span."""
    spans = plots.numbers("days")
    return f"{write_day(max(spans))} days" if spans else "the days assessed"


def _area_notes(plots: Rows) -> Iterator[str]:
    yield "Area under the straight lines that join the assessments."
    bridged = sum(number > 0 for number in plots["bridged"])
    if bridged:
        plots_word = "plot" if bridged == 1 else "plots"
        yield f"A missing assessment was bridged in {bridged} {plots_word}."
    spans = plots.numbers("days")
    short = sum(days < max(spans) for days in spans)
    if short:
        plots_word = "plot lacks" if short == 1 else "plots lack"
        yield (
            f"{short} {plots_word} the first or last assessment; the value per day was extended "
            "to the whole period."
        )
