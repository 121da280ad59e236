"""What the treatments did to natural enemies, and what followed from it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.numerals import p_value
from trialkit.report.captions import caption, range_caption, shown_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, Column, Kind, Notes, Table, number_or_missing
from trialkit.report.numbers import (
    as_number,
    decimals_for_size,
    percent_digits,
    percent_text,
    write_share,
)
from trialkit.report.parts.across import Line, Place, across, by_treatment, day_heads, span_text
from trialkit.report.parts.control import percent_places
from trialkit.report.parts.period import reductions_of
from trialkit.report.parts.pest import courses_of_role
from trialkit.rows import Rows
from trialkit.trial import Variable, VariableRole

SHOWN = "*"
WHOLE = "whole period"
#: Shade and bounds of each class of the IOBC field scheme.
CLASSES: Mapping[str, tuple[str, str]] = {
    "harmless": ("harm-1", "harmless: under 25%"),
    "slightly harmful": ("harm-2", "slightly harmful: 25 to 50"),
    "moderately harmful": ("harm-3", "moderately harmful: over 50 to 75"),
    "harmful": ("harm-4", "harmful: over 75"),
}


def course_of_enemies(context: Context) -> Iterator[Block]:
    """Figures: natural enemies over the days."""
    yield from courses_of_role(context, VariableRole.NATURAL_ENEMY)


def enemy_reductions(context: Context) -> Iterator[Block]:
    """Tables of the reduction of natural enemies."""
    for variable in context.of_role(VariableRole.NATURAL_ENEMY):
        rows = context.rows("natural_enemies", variable.name)
        if rows and rows.knows("percent"):
            yield _reductions(context, variable, rows)


def pests_per_enemy(context: Context) -> Iterator[Block]:
    """Tables of the pests for each natural enemy."""
    for variable in context.of_role(VariableRole.NATURAL_ENEMY):
        rows = context.rows("natural_enemies", variable.name)
        if rows and rows.knows("pest_per_enemy"):
            yield _pest_per_enemy(context, variable, rows)


def _line(head: str, rows: dict[Place, dict[str, Any]], alpha: float) -> Line:
    """Reductions of one treatment, shaded where they were shown."""
    shown = {place for place, row in rows.items() if as_number(row["p"]) < alpha}
    spans = {place: span_text(row["lower"], row["upper"]) for place, row in rows.items()}
    return Line(
        head=head,
        values={
            place: number_or_missing(row["percent"], row["reason"]) for place, row in rows.items()
        },
        spans={place: text for place, text in spans.items() if text},
        signs={place: SHOWN if place in shown else "" for place in rows},
        shades={
            place: CLASSES.get(str(row["harm_class"]), ("", ""))[0]
            for place, row in rows.items()
            if place in shown
        },
    )


def _reductions(context: Context, variable: Variable, rows: Rows) -> Table:
    alpha = context.trial.settings.alpha
    whole = reductions_of(context, variable.name, "pest_days")
    heads: list[tuple[Place, Column]] = []
    if whole:
        digits = percent_digits(row["percent"] for row in whole.values())
        heads.append((WHOLE, Column(title="Whole period", kind=Kind.NUMBER, digits=digits)))
    heads += day_heads(context, rows, "percent")
    lines = []
    grouped = by_treatment(rows)
    for treatment in context.shown_treatments(rows):
        own: dict[Place, dict[str, Any]] = {
            row["days_after"]: row
            for row in grouped[treatment]
            if row["reason"] != "the untreated itself"
        }
        if not own:
            continue
        over: dict[Place, dict[str, Any]] = {WHOLE: whole[treatment]} if treatment in whole else {}
        lines.append(_line(context.label(treatment), {**own, **over}, alpha))
    columns, cells, shaded = across(context, lines, heads, first="Treatment")
    label = context.variable_label(variable.name)
    return Table(
        key=context.key("enemies", variable.name),
        question=shown_caption(context, variable)
        or range_caption(context, "reduction", percent_places(context, rows), noun=noun(variable))
        or "",
        about=caption("reduction_how", label=label),
        columns=columns,
        rows=cells,
        notes=(
            f"{SHOWN} different from the untreated (each test on its own, {write_share(alpha)}).",
            "Shades are the classes of harm of the IOBC field scheme, by the estimate, and "
            "only where a difference was shown. An interval may span several classes, so "
            f"read both. Without {SHOWN} neither harm nor its absence was shown. The classes "
            "describe this trial; they are no registration of a product.",
            *(
                ["Whole period: areas under the curve, not adjusted for counts before treatment."]
                if whole
                else []
            ),
        ),
        sheet=f"Reduction {label}",
        shades=shaded,
        shade_key=tuple(CLASSES.values()) if shaded else (),
    )


def _pest_per_enemy(context: Context, variable: Variable, rows: Rows) -> Table:
    pest = next((item for item in context.of_role(VariableRole.PEST)), None)
    of = context.variable_label(pest.name) if pest else "the pest"
    label = context.variable_label(variable.name)
    digits = decimals_for_size(rows["pest_per_enemy"], 2)
    alpha = context.trial.settings.alpha
    lines = []
    grouped = by_treatment(rows)
    for treatment in context.shown_treatments(rows):
        own = {row["days_after"]: row for row in grouped[treatment]}
        spans = {
            day: span_text(row["pest_per_enemy_lower"], row["pest_per_enemy_upper"], digits)
            for day, row in own.items()
        }
        lines.append(
            Line(
                head=context.label(treatment),
                values={
                    day: number_or_missing(
                        row["pest_per_enemy"], "no enemy was found, or the pest was not counted"
                    )
                    for day, row in own.items()
                },
                spans={day: text for day, text in spans.items() if text},
                signs={
                    day: SHOWN if as_number(row["pest_per_enemy_p"]) < alpha else ""
                    for day, row in own.items()
                },
            )
        )
    columns, cells, _ = across(
        context, lines, day_heads(context, rows, "pest_per_enemy", digits), first="Treatment"
    )
    return Table(
        key=context.key("pest-per-enemy", variable.name),
        question=f"Pest : natural enemy ratio ({of} : {label})",
        columns=columns,
        rows=cells,
        notes=(
            f"Ratios of treatment means; {SHOWN} different from the untreated (each test on its "
            f"own, {write_share(alpha)}). Where enemies are few, one more or less changes the "
            "ratio a lot.",
        ),
        sheet=f"Pest per {label}",
    )


def resurgence(context: Context) -> Iterator[Block]:
    """Sentences: pests that were above the untreated after enemies had been below it."""
    rows = context.table("resurgence", "variable", "enemy", "treatment").records()
    if rows:
        yield Notes(
            tuple(
                f"{context.label(row['treatment'])}: {context.noun(row['enemy'])} were "
                f"{percent_text(row['enemy_percent'])}% below the untreated on day "
                f"{write_day(row['enemy_day'])}. On day {write_day(row['pest_day'])} "
                f"{context.noun(row['variable'])} were {percent_text(row['pest_percent'])}% above "
                f"it ({p_value(row['p'])}, all later days together). One trial does not show that "
                "the first led to the second."
                for row in rows
            )
        )
