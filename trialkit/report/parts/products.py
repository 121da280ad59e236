"""Questions about products: lower rates, mixtures, the carrier, repeated modes of action."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.findings.sentences import MOST_POINTS, noun
from trialkit.report.captions import Spot, caption, range_caption
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    Notes,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import as_number, percent_column, write_share
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
from trialkit.trial import Variable

SHOWN, WHOLE = "*", "whole period"
Days = Mapping[Place, dict[str, Any]]


def _known(context: Context, name: str, value: str) -> Iterator[tuple[Variable, Rows]]:
    """Rows of a table by pest (or damage), where any of them has a value."""
    for variable in context.targets:
        rows = context.rows(name, variable.name)
        if rows and rows.knows(value):
            yield variable, rows


def _by_day(rows: Iterable[dict[str, Any]]) -> Days:
    return {row["days_after"]: row for row in rows}


def _values(days: Days, column: str) -> dict[Place, Cell]:
    return {day: number_or_missing(row[column], row["reason"]) for day, row in days.items()}


def _spans(days: Days) -> dict[Place, str]:
    found = {day: span_text(row["lower"], row["upper"]) for day, row in days.items()}
    return {day: text for day, text in found.items() if text}


def _percent_heads(context: Context, rows: Rows, *columns: str) -> list[tuple[Place, Column]]:
    """Headings of the days, with the decimals that the closest of several columns needs."""
    longest = [day_heads(context, rows, column) for column in columns]
    return [
        max(heads, key=lambda head: head[1].digits or 0) for heads in zip(*longest, strict=True)
    ]


def rates(context: Context) -> Iterator[Block]:
    """Tables: control of lower rates beside that of the full rate, day by day."""
    for variable, rows in _known(context, "rates", "difference"):
        lines: list[Line] = []
        grouped = by_treatment(rows)
        for treatment in context.shown_treatments(rows):
            days = _by_day(grouped[treatment])
            full = context.label(str(next(iter(days.values()))["full"]))
            margin = float(next(iter(days.values()))["margin"])
            lines += [
                Line(head=full, values=_values(days, "control_full")),
                Line(head=context.label(treatment), values=_values(days, "control")),
                Line(
                    head="Difference, points",
                    values=_values(days, "difference"),
                    spans=_spans(days),
                ),
                Line(
                    head=f"Within {margin:g} points?",
                    values={day: _rate_verdict(row) for day, row in days.items()},
                ),
            ]
        columns, cells, _ = across(
            context,
            lines,
            _percent_heads(context, rows, "control", "control_full"),
            first="Control, %",
        )
        label = context.variable_label(variable.name)
        margin = rows["margin"][0]
        half = write_share(context.trial.settings.alpha / 2)
        yield Table(
            key=context.key("rates", variable.name),
            question=_differences(context, "rates", variable, rows),
            about=caption("rates_how", label=label),
            columns=columns,
            rows=cells,
            notes=(
                f"Margin: {margin:g} points (a test at {half}). Yes: the interval of the "
                f"difference lies above \u2212{margin:g} points. Lower: less control than the full "
                "rate. Not shown: neither.",
                *_far_below(rows),
                "A lower rate may match early and fail late. Rates below the label may be unlawful "
                "or favour resistance.",
            ),
            sheet=f"Rates {label}",
        )


def _differences(context: Context, key: str, variable: Variable, rows: Rows) -> str:
    """State between which points the estimated differences of single days lie."""
    spots = [Spot(as_number(difference), digits=0) for difference in rows["difference"]]
    return range_caption(context, key, spots, noun=noun(variable)) or ""


def _far_below(rows: Rows) -> Iterator[str]:
    """What a difference below \u2212100 points means, where a limit lies there."""
    if any(lower < -MOST_POINTS for lower in rows.numbers("lower")):
        yield "Below \u2212100 points: the lower rate may have had more pests than the untreated."


def _rate_verdict(row: dict[str, Any]) -> str:
    if row["not_inferior"] is None:
        return ""
    if as_number(row["upper"]) < 0:
        return "yes, but lower" if row["not_inferior"] else "lower"
    return "yes" if row["not_inferior"] else "not shown"


def mixtures(context: Context) -> Iterator[Block]:
    """Tables: control of mixtures beside what their parts let expect."""
    for variable, rows in _known(context, "mixtures", "difference"):
        lines: list[Line] = []
        periods = context.rows("mixture_periods", variable.name)
        whole = {row["treatment"]: row for row in periods.records()}
        grouped = by_treatment(rows)
        for treatment in context.shown_treatments(rows):
            over: Days = {WHOLE: whole[treatment]} if treatment in whole else {}
            days: Days = {**over, **_by_day(grouped[treatment])}
            parts = str(next(iter(days.values()))["parts"]).replace("+", " and ")
            lines += [
                Line(head=context.label(treatment), values=_values(days, "observed")),
                Line(head=f"Expected from {plain_line(parts)}", values=_values(days, "expected")),
                Line(
                    head="Difference, points",
                    values=_values(days, "difference"),
                    spans=_spans(days),
                ),
                Line(
                    head="Against expectation",
                    values={day: _mixture_verdict(row) for day, row in days.items()},
                ),
            ]
        heads = _percent_heads(context, rows, "observed", "expected")
        if whole:
            over_all = [*periods["observed"], *periods["expected"]]
            heads = [(WHOLE, percent_column("All days after treatment", over_all)), *heads]
        columns, cells, _ = across(context, lines, heads, first="Control, %")
        label = context.variable_label(variable.name)
        yield Table(
            key=context.key("mixtures", variable.name),
            question=_differences(context, "mixtures", variable, rows),
            about=caption("mixtures_how", label=label),
            columns=columns,
            rows=cells,
            notes=(
                "Expected by Colby's formula: the survivors of each component, multiplied. "
                f"\u201cNeither\u201d: the {interval_words(context)} of the difference includes 0. "
                "Each difference is told by itself; the findings allow for the number of mixtures.",
                *_period_notes(periods),
            ),
            sheet=f"Mixtures {label}",
        )


def _period_notes(periods: Rows) -> Iterator[str]:
    if not periods:
        return
    yield (
        "All days: pest-days from the first assessment after treatment to the last. This single "
        "test is the most reliable; one in twenty single days is significant by chance."
    )
    adjustment = periods["adjustment"][0]
    if 0.0 < adjustment < 1.0:
        yield (f"Adjusted for counts before treatment by covariance (slope {adjustment:.2f}).")


def _mixture_verdict(row: dict[str, Any]) -> str:
    words = {
        "more than expected": "more",
        "less than expected": "less",
        "as expected": "neither",
    }
    return words.get(str(row["verdict"]), "")


def carrier(context: Context) -> Iterator[Block]:
    """Tables: what products added to the carrier."""
    alpha = context.trial.settings.alpha
    for variable, rows in _known(context, "carrier", "added_percent"):
        for number, (carrier_id, own) in enumerate(rows.groups("carrier").items()):
            lines = []
            grouped = by_treatment(own)
            for treatment in context.shown_treatments(own):
                days = _by_day(grouped[treatment])
                lines.append(
                    Line(
                        head=context.label(treatment),
                        values=_values(days, "added_percent"),
                        spans=_spans(days),
                        signs={
                            day: SHOWN if as_number(row["p"]) < alpha else ""
                            for day, row in days.items()
                        },
                    )
                )
            columns, cells, _ = across(
                context, lines, day_heads(context, own, "added_percent"), first="Treatment"
            )
            label, against = context.variable_label(variable.name), context.label(str(carrier_id))
            yield Table(
                key=context.key("carrier", variable.name) + (f"-{number + 1}" if number else ""),
                question=f"{label}: control by the product beyond the carrier ({against}), %",
                columns=columns,
                rows=cells,
                notes=(
                    f"{SHOWN} different from the carrier (each test on its own, "
                    f"{write_share(alpha)}). The effect of the carrier is in the table of control.",
                ),
                sheet=f"Carrier {label}",
            )


def programmes(context: Context) -> Iterator[Block]:
    """Sentences: treatments that repeat a mode-of-action group in successive applications."""
    rows = context.table("programmes", "treatment", "group", "first", "second").records()
    if not rows:
        return
    yield Paragraph("The same mode of action in successive applications:")
    runs: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        named = runs.setdefault((row["treatment"], row["group"]), [])
        named += [name for name in (row["first"], row["second"]) if name not in named]
    yield Notes(
        tuple(
            f"{context.label(treatment)}: {group_words(group)} in applications "
            f"{', '.join(map(plain_line, named))}."
            for (treatment, group), named in runs.items()
        )
    )
    yield Paragraph(
        "Repeating a group can select resistant pests. The label and the resistance guidance for "
        "the group say what is allowed; one trial cannot show resistance."
    )


def group_words(group: str) -> str:
    """Name a mode-of-action group once: "41" becomes "group 41"."""
    text = plain_line(group)
    return text if text.lower().startswith("group") else f"group {text}"
