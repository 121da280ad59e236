"""Which treatments acted faster, and which held the target longer: pair by pair."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.report.document import Block, Column, Kind, Missing, Table
from trialkit.report.numbers import as_number, write_share
from trialkit.report.parts.across import Line, across, interval_words, span_text
from trialkit.report.parts.control import later_note
from trialkit.rows import Rows
from trialkit.trial import TreatmentRole, Variable

#: Treatments up to which every pair stands in the report; beyond, only those with the reference.
MOST_SIDES = 8
SHOWN, LEAST, MOST = "*", "\u2265", "\u2264"
_QUESTIONS: Mapping[str, tuple[str, str, str]] = {
    "days held": (
        "compared-persistence",
        "days by which control lasted longer at {target:g}% in the row than in the column",
        "Longer",
    ),
    "first control": (
        "compared-speed",
        "control at the first assessment, row minus column, percentage points",
        "Faster",
    ),
}


def persistence_differences(context: Context) -> Iterator[Block]:
    """Tables: differences between treatments in persistence and in speed."""
    for variable in context.targets:
        rows = context.rows("persistence_differences", variable.name)
        for question, words in _QUESTIONS.items():
            own = rows.where(question=question) if rows else rows
            if own and own.knows("difference"):
                made = _table(context, variable, own, *words)
                if made is not None:
                    yield made


def _table(
    context: Context, variable: Variable, rows: Rows, key: str, question: str, sheet: str
) -> Table | None:
    alpha = context.trial.settings.alpha
    by_pair: dict[tuple[str, str], tuple[float, dict[str, Any]]] = {}
    for row in rows.records():
        by_pair[row["a"], row["b"]] = (1.0, row)
        by_pair[row["b"], row["a"]] = (-1.0, row)
    present = {treatment for pair in by_pair for treatment in pair}
    names = [item.id for item in context.trial.treatments if item.id in present]
    columns_of = names[:-1]
    rows_of = names[1:]
    if len(names) > MOST_SIDES:
        reference = _reference(context, present)
        if reference is None:
            return None
        columns_of, rows_of = [reference], [name for name in names if name != reference]
    lines = []
    for place, name in enumerate(rows_of, start=1):
        others = columns_of if len(columns_of) == 1 else names[:place]
        cells = {other: by_pair[name, other] for other in others}
        lines.append(
            Line(
                head=context.label(name),
                values={
                    other: (
                        sign * as_number(row["difference"])
                        if row["reason"] is None
                        else Missing(row["reason"])
                    )
                    for other, (sign, row) in cells.items()
                }
                | {other: "" for other in columns_of if other not in others},
                spans={other: _span(sign, row) for other, (sign, row) in cells.items()},
                signs={other: _signs(sign, row, alpha) for other, (sign, row) in cells.items()},
            )
        )
    heads = [
        (name, Column(title=context.label(name), kind=Kind.NUMBER, digits=0)) for name in columns_of
    ]
    columns, body, _ = across(context, lines, heads, first="Treatment")
    label = context.variable_label(variable.name)
    target = context.trial.settings.control_target
    return Table(
        key=context.key(key, variable.name),
        question=f"{label}: {question.format(target=target)}",
        columns=columns,
        rows=body,
        notes=tuple(_notes(context, rows, lines)),
        sheet=f"{sheet} {label}",
    )


def _reference(context: Context, present: set[str]) -> str | None:
    for item in context.trial.treatments:
        if item.role is TreatmentRole.REFERENCE and item.id in present:
            return item.id
    return None


def _span(sign: float, row: dict[str, Any]) -> str:
    lower, upper = sorted((sign * as_number(row["lower"]), sign * as_number(row["upper"])))
    return span_text(lower, upper, digits=0)


def _signs(sign: float, row: dict[str, Any], alpha: float) -> str:
    bound = {"at least": sign, "at most": -sign}.get(str(row["bound"]), 0.0)
    open_end = LEAST if bound > 0 else MOST if bound < 0 else ""
    return open_end + (SHOWN if as_number(row["p_adjusted"]) < alpha else "")


def _left_out(rows: Rows) -> str:
    """Say so where an interval leaves out 0 and the pairs together still showed nothing."""
    alone = any(
        lower > 0 or upper < 0 for lower, upper in zip(rows["lower"], rows["upper"], strict=True)
    )
    return ", though its own interval excludes 0" if alone else ""


def _notes(context: Context, rows: Rows, lines: list[Line]) -> Iterator[str]:
    signs = "".join(sign for line in lines for sign in line.signs.values())
    words = interval_words(context)
    text = f"Small figures are the {words} of each difference."
    if SHOWN in signs:
        level = write_share(context.trial.settings.alpha)
        text += (
            f" {SHOWN} significant, all pairs together at {level} (Holm). A pair without "
            f"{SHOWN} may still differ."
        )
    else:
        level = write_share(context.trial.settings.alpha)
        text += (
            f" No difference was significant, all pairs together at {level} (Holm)"
            f"{_left_out(rows)}. Treatments may still differ."
        )
    yield text
    variable = rows["variable"][0]
    if rows["question"][0] != "days held":
        yield from later_note(context, min(context.rows("control", variable)["days_after"]))
        return
    last = write_day(max(context.rows("persistence", variable).numbers("last_day")))
    yield (
        "The days compared are those until which control stayed at the target, from 0 (never "
        f"reached) to {last} (the last assessment). When it was reached does not count."
    ) + (
        f" {LEAST}, {MOST}: one of the two was at the target to the end, so the difference may be "
        "larger."
        if LEAST in signs or MOST in signs
        else ""
    )
    reasons = set(rows.known("reason")["reason"])
    if any("both held" in text for text in reasons):
        yield (
            "Where both held to the last assessment there is no number: the trial ended too early "
            "to tell them apart."
        )
