"""How much control there was on every day, and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit.analysis.efficacy.control_tables import UNEVEN
from trialkit.analysis.efficacy.mode_of_action import applied_later
from trialkit.analysis.supporting.incomplete_blocks import incomplete_by_design
from trialkit.figures.lines import LOWEST_CONTROL, MOST_PANELS
from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.numerals import number
from trialkit.plain_text import capital
from trialkit.report.captions import Spot, caption, counted, name, range_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, FigureBlock, Table, number_or_missing
from trialkit.report.numbers import as_number, percent_digits, percent_text, write_share
from trialkit.report.parts.across import (
    Line,
    across,
    by_treatment,
    day_heads,
    interval_words,
    span_text,
)
from trialkit.report.parts.pest import MOST_FIGURES, days_text, extremes_words
from trialkit.rows import Rows
from trialkit.trial import TreatmentRole, Variable, VariableRole
from trialkit.words import CONTROL_METHODS

#: Beside a percent control: shown to lie above the target, or to differ from the reference.
ABOVE, DIFFERENT = "\N{BLACK UP-POINTING TRIANGLE}", "\N{NOT EQUAL TO}"
_HOW = {
    "abbott": "100 (untreated \u2212 treated) / untreated, from the means of the same day",
    "henderson-tilton": "100 (1 \u2212 treated after \u00d7 untreated before / "
    "(treated before \u00d7 untreated after)), from treatment means",
    "adjusted": "100 (1 \u2212 treated after / untreated after \u00d7 (untreated before / "
    "treated before) to the power of the slope that the plots show), from treatment means",
    "sun-shepard": "the fall in the treated plots, corrected for the change in the untreated, "
    "from treatment means",
    "schneider-orelli": "mortality in the treated plots, corrected for mortality in the untreated",
}


def control_rows(context: Context, variable: str) -> Rows:
    """Percent control of a variable by the method that the report shows."""
    rows = context.rows("control", variable)
    return rows.where(chosen=True) if rows else rows


def reference_label(context: Context) -> str:
    """Name the treatment with which the others are compared, if there is one."""
    for item in context.trial.treatments:
        if item.role is TreatmentRole.REFERENCE:
            return context.label(item.id)
    return ""


def _signs(context: Context, row: dict[str, object]) -> str:
    alpha = context.trial.settings.alpha
    above = as_number(row.get("p_target")) < alpha
    different = as_number(row.get("p_reference")) < alpha
    return (ABOVE if above else "") + (DIFFERENT if different else "")


def control_table(context: Context, variable: Variable) -> Table | None:
    """Percent control, treatments down and days across, shaded against the target."""
    rows = control_rows(context, variable.name)
    if not rows or not rows.knows("percent"):
        return None
    lines = []
    grouped = by_treatment(rows)
    for treatment in context.shown_treatments(rows):
        own = {row["days_after"]: row for row in grouped[treatment]}
        spans = {day: span_text(row["lower"], row["upper"]) for day, row in own.items()}
        lines.append(
            Line(
                head=context.label(treatment),
                values={
                    day: number_or_missing(row["percent"], row["reason"])
                    for day, row in own.items()
                },
                spans={day: text for day, text in spans.items() if text},
                signs={day: _signs(context, row) for day, row in own.items()},
            )
        )
    columns, cells, _ = across(
        context, lines, day_heads(context, rows, "percent"), first="Treatment"
    )
    method = str(rows["method"][0])
    label = context.variable_label(variable.name)
    level = write_share(1 - context.trial.settings.alpha)
    return Table(
        key=context.key("control", variable.name),
        question=_range(context, variable, rows),
        about=caption(
            "control_how",
            label=label,
            method=CONTROL_METHODS.get(method, method),
            with_intervals=phrase("caption.with_intervals", level=level)
            if rows.knows("lower")
            else "",
        ),
        columns=columns,
        rows=cells,
        notes=tuple(_control_notes(context, rows, lines)),
        sheet=f"Control {label}",
        target=context.trial.settings.control_target,
    )


def _range(context: Context, variable: Variable, rows: Rows) -> str:
    """State between which percentages estimated control lay."""
    places = percent_places(context, rows)
    found = range_caption(context, "control", places, noun=noun(variable))
    return found or caption("control_by_day", label=context.variable_label(variable.name))


def percent_places(context: Context, rows: Rows) -> list[Spot]:
    """Where the percentages of some rows stand, for a caption; decimals as their table has them.

    Treatments that had not been applied yet are left out.
    """
    days: dict[float, list[object]] = {}
    for day, value in zip(rows["days_after"], rows["percent"], strict=True):
        days.setdefault(day, []).append(value)
    timing = context.own_timing
    return [
        Spot(as_number(value), treatment, day, percent_digits(days[day]))
        for value, treatment, day in zip(
            rows["percent"], rows["treatment"], rows["days_after"], strict=True
        )
        if not timing.get(day) or treatment in timing[day]
    ]


def _control_notes(context: Context, rows: Rows, lines: list[Line]) -> Iterator[str]:
    settings = context.trial.settings
    method = str(rows["method"][0])
    if method != "abbott":
        yield "Below zero: more than expected from the untreated and the counts before treatment."
    signs = "".join(sign for line in lines for sign in line.signs.values())
    meanings = []
    share = write_share(settings.alpha)
    if ABOVE in signs:
        meanings.append(
            f"{ABOVE} control above the target of {settings.control_target:g}% (each day on its "
            f"own, {share})"
        )
    if DIFFERENT in signs:
        meanings.append(
            f"{DIFFERENT} different from the reference, {reference_label(context)} (adjusted over "
            f"treatments and days, {share})"
        )
    yield from (f"{meaning}." for meaning in meanings)
    how = f"{CONTROL_METHODS.get(method, method)}: {_HOW.get(method, 'from treatment means')}."
    yield how
    yield from later_note(context, min(rows["days_after"]))
    if incomplete_by_design(context.trial):
        yield (
            "Control compares means as counted, whatever blocks they came from; its limits allow "
            "for incomplete blocks. Where the two do not agree, believe the limits."
        )
    if context.trial.design.has_larger_units and context.trial.untreated is not None:
        yield (
            f"All rows are compared with {context.label(context.trial.untreated)} alone, so they "
            "include the effect of the other factor."
        )
    yield from _other_method(context, str(rows["variable"][0]))
    for text in dict.fromkeys(text for text in rows["note"] if isinstance(text, str) and text):
        yield f"{capital(text)}."


def later_note(context: Context, day: float) -> Iterator[str]:
    """Name the treatments that had not been applied yet at the first assessment."""
    later = applied_later(context.trial, day)
    if later:
        named = "; ".join(
            f"{context.label(waiting)}, first treated on day {write_day(began)}"
            for waiting, began in later.items()
        )
        yield f"Not yet treated at the first assessment: {named}."


def _other_method(context: Context, variable: str) -> Iterator[str]:
    for row in context.rows("control_methods", variable).records():
        if row["recommendation"] == UNEVEN:
            yield (
                "Treatments already differed before they were applied, and this control "
                "includes what remained of that difference. The adjusted control, which "
                "removes it, is in the tables file."
            )


def control_by_day(context: Context) -> Iterator[Block]:
    """Tables of control by treatment and day, each with its figure."""
    drawn = 0
    for variable in context.of_role(VariableRole.PEST):
        table = control_table(context, variable)
        if table is None:
            continue
        yield table
        figure = control_figure(context, variable)
        if figure is not None and drawn < MOST_FIGURES:
            drawn += 1
            yield figure


def control_figure(context: Context, variable: Variable) -> FigureBlock | None:
    """Make the place for control over the days, where there are two days or more."""
    rows = control_rows(context, variable.name)
    known = rows.known("percent") if rows else rows
    days = sorted(set(known.get("days_after")))
    if len(days) < 2:
        return None
    target = context.trial.settings.control_target
    best = max(known.records(), key=lambda row: float(row["percent"]))
    label = context.variable_label(variable.name)
    edge = write_day(LOWEST_CONTROL)
    lowest = min(known["percent"])
    many = len(set(known["treatment"])) > MOST_PANELS
    panels = f"dots{extremes_words(many)}" if many else "a panel for each treatment"
    reference = phrase("caption.control_course_reference") if reference_label(context) else ""
    notes = [
        caption(
            "control_course_how",
            label=label,
            panels=panels,
            target=f"{target:g}",
            reference=reference,
        )
    ]
    if known.knows("lower"):
        notes.append(f"Bands are {interval_words(context)}s.")
    if math.isfinite(lowest) and lowest < LOWEST_CONTROL:
        notes.append(f"Arrows mark values below {edge}%.")
    return FigureBlock(
        key=context.key("control-course", variable.name),
        kind="control_course",
        variable=variable.name,
        alt=f"Percent control of {label} by treatment, {days_text(days)}, with the target of "
        f"{target:g}%. Highest: {context.label(best['treatment'])} with "
        f"{number(best['percent'])}% on day {write_day(best['days_after'])}.",
        title=_reached(context, variable, known, days),
        caption=" ".join(notes),
    )


def _reached(context: Context, variable: Variable, rows: Rows, days: list[float]) -> str:
    """State how many treatments were estimated at the target on the first day and the last."""
    ends = (days[0], days[-1])
    if len(set(rows["treatment"])) == 1:
        shares = [percent_text(rows.where(days_after=day)["percent"][0]) for day in ends]
        return caption(
            "control_days_one",
            noun=noun(variable),
            treatment=name(context, str(rows["treatment"][0])),
            first=shares[0],
            last=shares[1],
            first_day=write_day(ends[0]),
            last_day=write_day(ends[1]),
        )
    target = context.trial.settings.control_target
    at = [sum(value >= target for value in rows.where(days_after=day)["percent"]) for day in ends]
    return caption(
        "control_days",
        noun=noun(variable),
        target=f"{target:g}",
        first=counted(at[0]),
        last=counted(at[1]),
        all=counted(len(set(rows["treatment"]))),
        first_day=write_day(days[0]),
        last_day=write_day(days[-1]),
    )
