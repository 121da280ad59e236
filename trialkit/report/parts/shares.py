"""Shares k of n by their own model, beside the analysis of the percentages."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import write_number
from trialkit.report.parts.across import by_treatment, interval_words, percent_digits, span_text
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


def _by_treatment(context: Context, rows: Rows) -> Iterator[tuple[str, dict[float, Any]]]:
    grouped = by_treatment(rows)
    for treatment in context.shown_treatments(rows):
        own = grouped[treatment]
        yield context.label(treatment), {row["days_after"]: row for row in own}


def _levels(context: Context, variable: Variable, rows: Rows) -> Table:
    days = sorted(set(rows["days_after"]))
    columns: list[Column] = [Column(title="Treatment")]
    for day in days:
        title = f"Day {write_day(day)}"
        own = rows.where(days_after=day)["mean"]
        columns += [
            Column(title=f"{title}, of examined"),
            Column(
                title=f"{title}, share, %", kind=Kind.NUMBER, digits=max(1, percent_digits(own))
            ),
            Column(title=f"{title}, {interval_words(context)}", kind=Kind.SPAN),
        ]
    body: list[tuple[Cell, ...]] = []
    for label, by_day in _by_treatment(context, rows):
        cells: list[Cell] = [label]
        for day in days:
            row = by_day[day]
            cells += [
                of_text(row["hits"], row["examined"]) if row["examined"] > 0 else "",
                number_or_missing(row["mean"], row["reason"]),
                span_text(row["lower"], row["upper"], 1),
            ]
        body.append(tuple(cells))
    label = context.variable_label(variable.name)
    return Table(
        key=context.key("shares", variable.name),
        question=f"{label}: what share of {units(variable)}, by the beta-binomial model?",
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            "The model weighs each plot by what it tells: a plot of which more was examined counts "
            "for more, the less so the more the units of one plot resemble each other. Shares are "
            "averages over the blocks, with the limits below; the totals in front are plain sums "
            "over plots. Where none or all were counted, there is one limit.",
        ),
        sheet=f"Shares {label}",
    )


def _against(context: Context, variable: Variable, rows: Rows) -> Table:
    untreated = context.trial.untreated
    rows = rows.keep(treatment != untreated for treatment in rows["treatment"])
    days = sorted(set(rows["days_after"]))
    columns: list[Column] = [Column(title="Treatment")]
    names = (("ratio", "ratio of shares"), ("odds", "ratio of odds"))
    for day in days:
        for _, words in names:
            title = f"Day {write_day(day)}, {words}"
            columns += [
                Column(title=title, kind=Kind.NUMBER, digits=2),
                Column(title=f"{title}, {interval_words(context)}", kind=Kind.SPAN),
            ]
    body: list[tuple[Cell, ...]] = []
    for label, by_day in _by_treatment(context, rows):
        cells: list[Cell] = [label]
        for day in days:
            row = by_day[day]
            for name, _ in names:
                why = row["reason"] or "all were counted on one side, so these odds have no bound"
                lower, upper = _limits(row, name)
                cells += [number_or_missing(row[name], why), span_text(lower, upper, 2)]
        body.append(tuple(cells))
    label = context.variable_label(variable.name)
    return Table(
        key=context.key("shares-against", variable.name),
        question=f"{label}: the share against that of the untreated",
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            "Ratio of shares: 0.5 is half the share of the untreated, 1 is no difference. Ratio of "
            "odds: those counted to those not, over the same in the untreated, within blocks. "
            "An interval that holds 1 shows no difference, which is not proof that there is none. "
            "Where none were counted the upper limit is wider than need be, but finite.",
        ),
        sheet=f"Shares against {label}",
    )


def _limits(row: dict[str, Any], name: str) -> tuple[float, float]:
    """Limits of a ratio; of a ratio of 0 only the upper one says anything."""
    lower, upper = row[f"{name}_lower"], row[f"{name}_upper"]
    return (float("nan") if row[name] == 0.0 else lower), upper
