"""Shares k of n by their own model, beside the analysis of the percentages."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import percent_digits, write_number
from trialkit.report.parts.across import by_treatment, interval_words, span_text
from trialkit.rows import Rows
from trialkit.trial import Variable

BETA_BINOMIAL = "beta-binomial"


def units(variable: Variable) -> str:
    """Say of what a variable is the share: "fruits examined", or "units examined"."""
    named = variable.examined
    return plain_line(named) if isinstance(named, str) else "units examined"


def of_text(hits: float, examined: float) -> str:
    """Write units hit of units examined: "12 of 50"."""
    return f"{write_number(hits, 0)} of {write_number(examined, 0)}"


def share_rows(context: Context, variable: str) -> Rows:
    """Rows of the model for shares of one variable."""
    rows = context.rows("count_models", variable)
    return rows.where(model=BETA_BINOMIAL) if rows else rows


def shares(context: Context) -> Iterator[Block]:
    """Tables: share of the units hit with its limits, and against the untreated."""
    for variable in context.variables.values():
        rows = share_rows(context, variable.name)
        if rows:
            yield _levels(context, variable, rows)
            if rows.knows("ratio"):
                yield _against(context, variable, rows)


def _levels(context: Context, variable: Variable, rows: Rows) -> Table:
    def columns(title: str, own: Rows) -> list[Column]:
        digits = max(1, percent_digits(own["mean"]))
        return [
            Column(title=f"{title}, of examined"),
            Column(title=f"{title}, share, %", kind=Kind.NUMBER, digits=digits),
            Column(title=f"{title}, {interval_words(context)}", kind=Kind.SPAN),
        ]

    def cells(row: Mapping[str, Any]) -> list[Cell]:
        return [
            of_text(row["hits"], row["examined"]) if row["examined"] > 0 else "",
            number_or_missing(row["mean"], row["reason"]),
            span_text(row["lower"], row["upper"], 1),
        ]

    label = context.variable_label(variable.name)
    strata = context.trial.design.has_larger_units
    return _day_by_day(
        context,
        rows,
        columns,
        cells,
        key=context.key("shares", variable.name),
        question=f"{label}: estimated share of {units(variable)} (beta-binomial model)",
        notes=(_STRATA_LEVELS if strata else _BLOCK_LEVELS, *_marked(rows)),
        sheet=f"Shares {label}",
    )


def _against(context: Context, variable: Variable, rows: Rows) -> Table:
    names = (("ratio", "ratio of shares"), ("odds", "ratio of odds"))

    def columns(title: str, _own: Rows) -> list[Column]:
        made = []
        for _, words in names:
            made += [
                Column(title=f"{title}, {words}", kind=Kind.NUMBER, digits=2),
                Column(title=f"{title}, {words}, {interval_words(context)}", kind=Kind.SPAN),
            ]
        return made

    def cells(row: Mapping[str, Any]) -> list[Cell]:
        made: list[Cell] = []
        for name, _ in names:
            why = row["reason"] or "all units fell in one class, so the odds are unbounded"
            made += [number_or_missing(row[name], why), span_text(*_limits(row, name), 2)]
        return made

    untreated, label = context.trial.untreated, context.variable_label(variable.name)
    within = "" if context.trial.design.has_larger_units else ", within blocks"
    return _day_by_day(
        context,
        rows.keep(treatment != untreated for treatment in rows["treatment"]),
        columns,
        cells,
        key=context.key("shares-against", variable.name),
        question=f"{label}: the share against that of the untreated",
        notes=(
            "Ratio of shares: 0.5 is half the share of the untreated, 1 is no difference. "
            "Ratio of odds: affected units to unaffected, over the same in the "
            f"untreated{within}. An interval that includes 1 establishes neither a difference "
            "nor its absence. Where none were counted the upper limit is conservative, but "
            "finite.",
        ),
        sheet=f"Shares against {label}",
    )


def _day_by_day(
    context: Context,
    rows: Rows,
    columns: Callable[[str, Rows], list[Column]],
    cells: Callable[[Mapping[str, Any]], list[Cell]],
    **about: Any,
) -> Table:
    """One row a treatment; the columns and cells of one day, day after day."""
    by_day = rows.groups("days_after")
    days = sorted(by_day)
    titles = [Column(title="Treatment")]
    for day in days:
        titles += columns(f"Day {write_day(day)}", by_day[day])
    grouped = by_treatment(rows)
    body: list[tuple[Cell, ...]] = []
    for treatment in context.shown_treatments(rows):
        own = {row["days_after"]: row for row in grouped[treatment]}
        line: list[Cell] = [context.label(treatment)]
        for day in days:
            line += cells(own[day])
        body.append(tuple(line))
    return Table(columns=tuple(titles), rows=tuple(body), **about)


_BLOCK_LEVELS = (
    "Plots are weighted by their information: the more units were examined the more, but "
    "less so where units of one plot resemble each other. Shares are averages over the "
    "blocks, with the limits below; the totals in front are plain sums over plots. Where "
    "none or all were counted, there is one limit."
)
_STRATA_LEVELS = (
    "Shares are averages over the plots, each with the same weight; the totals in front are "
    "plain sums. The limits combine the variation between main plots or strips with that "
    "between the plots in them. They allow for units of one plot resembling each other. "
    "Where none or all were counted, there is one limit."
)


def _marked(rows: Rows) -> Iterator[str]:
    """Say of which limits the tables file has more to tell."""
    for note in dict.fromkeys(rows.known("note")["note"]):
        if "one-sided" not in note:
            yield f"For some treatments or days: {note}; the tables file marks them."


def _limits(row: Mapping[str, Any], name: str) -> tuple[float, float]:
    """Limits of a ratio; of a ratio of 0 only the upper one says anything."""
    lower, upper = row[f"{name}_lower"], row[f"{name}_upper"]
    return (float("nan") if row[name] == 0.0 else lower), upper
