"""How fast control came, how long it stayed at the target, and how it fell."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.analysis.efficacy.persistence import BETWEEN
from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.report.captions import caption, counted, name
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Paragraph, Table, number_or_missing
from trialkit.report.numbers import as_number, percent_column, percent_text
from trialkit.report.parts.across import interval_words
from trialkit.rows import Rows
from trialkit.trial import Variable, VariableRole

#: The target was reached at no assessment; at one, while the fitted course stays below it.
NEVER, NOT_HELD = "never", "not held"
#: Beside a day: still at the target at the last assessment.
HELD = "+"


def persistence(context: Context) -> Iterator[Block]:
    """Tables of knockdown, peak, how long control of the pest held, and rebound."""
    yield from persistence_of(context, VariableRole.PEST)


def persistence_of(context: Context, role: VariableRole) -> Iterator[Block]:
    """Tables of the persistence of control, for the variables of one role."""
    table = context.table("persistence", "variable", "treatment", "holds_until_day")
    if not table:
        return
    for variable in context.of_role(role):
        rows = context.rows("persistence", variable.name)
        if not rows or not rows.knows("peak_percent"):
            continue
        if rows.knows("holds_until_day"):
            yield _table(context, variable, rows)
        else:
            yield _none_reached(context, variable, rows)


def _none_reached(context: Context, variable: Variable, rows: Rows) -> Paragraph:
    reached = rows.known("peak_percent").records()
    best = max(reached, key=lambda row: float(row["peak_percent"]))
    perhaps = [
        context.label(row["treatment"])
        for row in rows.records()
        if span_of_days(row) not in {"", NEVER}
    ]
    target, label = as_number(rows["target"][0]), context.variable_label(variable.name)
    if as_number(best["peak_percent"]) < target:
        text = f"{label}: no treatment reached {target:g}% estimated control at any assessment."
    else:  # on a single day, not by the course fitted to all days
        text = f"{label}: with no treatment did the fitted course of control reach {target:g}%."
    text += (
        f" The highest estimate was {percent_text(float(best['peak_percent']))}% "
        f"({context.label(best['treatment'])}, day {write_day(float(best['peak_day']))})."
    )
    if perhaps:
        several = len(perhaps) > 1
        text += (
            f" By {'their intervals' if several else 'its interval'}, {'; '.join(perhaps[:-1])}"
            f"{' and ' if several else ''}{perhaps[-1]} may have reached {target:g}%."
        )
    return Paragraph(text)


def span_of_days(row: dict[str, Any]) -> str:
    """Write the interval of the day until which the target was held.

    A lower limit of 0 says that the target may never have been reached; no upper limit, that
    control may have held beyond the last assessment.
    """
    lower, upper = as_number(row["lower"]), as_number(row["upper"])
    if math.isnan(lower):
        return ""
    if lower <= 0 and upper <= 0:
        return NEVER
    start = NEVER if lower <= 0 else write_day(round(lower))
    if math.isfinite(upper):
        return f"{start} to {write_day(round(upper))}"
    last = as_number(row["last_day"])
    if lower >= last:
        return f"beyond {write_day(last)}"
    return f"{start} to beyond {write_day(last)}"


def _held(row: dict[str, Any]) -> Cell:
    held = number_or_missing(row["holds_until_day"], row["reason"])
    peak = as_number(row["peak_percent"])
    if isinstance(held, float) or not math.isfinite(peak):
        return held
    return NOT_HELD if peak >= as_number(row["target"]) else NEVER


def _table(context: Context, variable: Variable, rows: Rows) -> Table:
    by_treatment = {row["treatment"]: row for row in rows.records()}
    later = any(row["censored"] is True for row in by_treatment.values())
    spans = any(span_of_days(row) for row in by_treatment.values())
    body: list[tuple[Cell, ...]] = []
    for treatment in context.shown_treatments(rows):
        row = by_treatment[treatment]
        body.append(
            (
                context.label(treatment),
                number_or_missing(row["knockdown_percent"], row["reason"]),
                number_or_missing(row["peak_percent"], row["reason"]),
                number_or_missing(row["peak_day"], row["reason"]),
                _held(row),
                *([HELD if row["censored"] is True else ""] if later else []),
                *([span_of_days(row)] if spans else []),
                number_or_missing(row["rebound_percent"], row["reason"]),
            )
        )
    label = context.variable_label(variable.name)
    target = rows["target"][0]
    last = write_day(max(rows.numbers("last_day")))
    return Table(
        key=context.key("persistence", variable.name),
        question=_how_many(context, variable, list(by_treatment.values()), last),
        about=caption("held_how", label=label, target=f"{target:g}"),
        columns=(
            Column(title="Treatment"),
            percent_column("First assessment, %", rows["knockdown_percent"]),
            percent_column("Highest control, %", rows["peak_percent"]),
            Column(title="On day", kind=Kind.NUMBER),
            Column(title="At target until day", kind=Kind.NUMBER, digits=0),
            *([Column(title="To the end", kind=Kind.SIGN)] if later else []),
            *(
                [Column(title=f"At target, {interval_words(context)}", kind=Kind.SPAN)]
                if spans
                else []
            ),
            Column(title="Fall from the highest, points", kind=Kind.NUMBER, digits=0),
        ),
        rows=tuple(body),
        notes=tuple(_notes(list(by_treatment.values()), spans, last)),
        sheet=f"Persistence {label}",
    )


def _how_many(context: Context, variable: Variable, rows: list[dict[str, Any]], last: str) -> str:
    """State how many treatments were estimated at the target to the end, and how many never."""
    known = [row for row in rows if math.isfinite(as_number(row["peak_percent"]))]
    if len(known) == 1:
        (row,) = known
        to_end = row["censored"] is True
        return caption(
            "held_one_end" if to_end else "held_one",
            noun=noun(variable),
            treatment=name(context, str(row["treatment"])),
            target=f"{row['target']:g}",
            day=last if to_end else write_day(round(as_number(row["holds_until_day"]))),
        )
    return caption(
        "held",
        noun=noun(variable),
        target=f"{rows[0]['target']:g}",
        last=last,
        held=counted(sum(row["censored"] is True for row in known)),
        all=counted(len(known)),
        never=counted(sum(_held(row) == NEVER for row in known)),
    )


def _notes(rows: list[dict[str, Any]], spans: bool, last: str) -> Iterator[str]:
    if any(row["fit"] != BETWEEN for row in rows):
        yield (
            "Days at the target come from a course fitted to all assessments of a treatment; "
            "single days may lie above or below it."
        )
    else:
        yield "Days between assessments are read off straight lines."
    if any(row["censored"] is True for row in rows):
        yield f"{HELD} still at the target on the last day, day {last}."
    late = [
        row
        for row in rows
        if as_number(row["holds_until_day"]) >= 0
        and as_number(row["knockdown_percent"]) < as_number(row["target"])
    ]
    if late:
        yield (
            "Where the target was reached only after the first assessment, the day is when "
            "control fell below it again, not how long it lasted."
        )
    if not spans:
        return
    words = [span_of_days(row) for row in rows]
    if any(text.startswith(NEVER) and " " in text for text in words):
        yield "\u201cNever\u201d in an interval: the target may not have been reached."
    if any("beyond" in text for text in words):
        yield f"\u201cBeyond {last}\u201d: control may have lasted past the last assessment."
    yield (
        "Each interval applies to one treatment alone; for differences between treatments "
        "see the findings."
    )
