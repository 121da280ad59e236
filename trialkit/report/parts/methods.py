"""How the trial was done and analysed, with every departure from plan."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.plain_text import capital
from trialkit.report.captions import caption, counted
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    Kind,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.rows import defined
from trialkit.trial import Design, Trial
from trialkit.words import DESIGNS, day_zero


def in_words(key: str) -> str:
    """Turn a key such as ``trial_number`` into words."""
    for tail, unit in (("_c", ", \u00b0C"), ("_percent", ", %")):
        if key.endswith(tail):
            return in_words(key.removesuffix(tail)) + unit
    return capital(plain_line(key.replace("_", " ")))


def design_text(trial: Trial) -> str:
    """Say how the plots were laid out."""
    blocks = {plot.block for plot in trial.plots if plot.block is not None}
    text = DESIGNS[trial.design]
    if trial.main_plots is Design.LATIN:
        size = len({plot.row for plot in trial.plots})
        text += f", main plots in a Latin square of {size} rows and {size} columns"
    elif blocks and trial.design is not Design.LATIN:
        text += f", {plural(len(blocks), 'block')}"
    return (
        f"{text}; {plural(len(trial.treatments), 'treatment')}, {plural(len(trial.plots), 'plot')}"
    )


def trial_facts(context: Context) -> tuple[tuple[str, str], ...]:
    """Tell the trial in a few pairs of words."""
    trial = context.trial
    facts: list[tuple[str, str]] = []
    if trial.crop:
        code = f" ({trial.crop_code})" if trial.crop_code else ""
        facts.append(("Crop", f"{plain_line(trial.crop)}{code}"))
    if trial.site:
        facts.append(("Site", plain_line(trial.site)))
    if trial.season:
        facts.append(("Season", plain_line(trial.season)))
    facts.append(("Design", design_text(trial)))
    if trial.plot_area_m2:
        facts.append(("Plot size", f"{trial.plot_area_m2:g} m\u00b2"))
    dates = [item.date.isoformat() for item in trial.applications]
    if not dates and trial.applied:
        dates = [trial.applied.isoformat()]
    if dates:
        facts.append(("Applied", ", ".join(dates)))
    measured = [context.variable_label(name) for name in context.variables]
    if measured:
        facts.append(("Assessed", "; ".join(measured)))
    facts += [(in_words(key), plain_line(value)) for key, value in trial.extra.items() if value]
    return tuple(facts)


def how_done(context: Context) -> Iterator[Block]:
    """Notes of the trial, and what each column of the input was taken for."""
    trial = context.trial
    if trial.notes:
        yield Paragraph(plain_line(trial.notes))
    yield treatments_table(context)
    yield from assessments(context)


def treatments_table(context: Context) -> Table:
    """List the treatments with all that is known of them."""
    trial = context.trial
    extras = list(dict.fromkeys(key for item in trial.treatments for key in item.extra))
    plots = {
        item.id: sum(plot.treatment == item.id for plot in trial.plots) for item in trial.treatments
    }
    optional: dict[str, list[str]] = {
        "Rate": [
            f"{item.rate:g} {item.rate_unit or ''}".strip() if item.rate is not None else ""
            for item in trial.treatments
        ],
        "Mode of action": [item.mode_of_action or "" for item in trial.treatments],
        "Components": [" + ".join(item.parts) for item in trial.treatments],
        "Applications": [", ".join(item.applications) for item in trial.treatments],
        **{in_words(key): [item.extra.get(key, "") for item in trial.treatments] for key in extras},
    }
    kept = {title: cells for title, cells in optional.items() if any(cells)}
    return Table(
        key="compared",
        question=caption(
            "compared",
            count=len(trial.treatments),
            number=counted(len(trial.treatments)),
            plots=plural(len(trial.plots), "plot"),
        ),
        columns=(
            Column(title="Treatment"),
            Column(title="Role"),
            Column(title="Plots", kind=Kind.NUMBER, digits=0),
            *(Column(title=title) for title in kept),
        ),
        rows=tuple(
            (
                context.label(item.id),
                item.role.value,
                plots[item.id],
                *(plain_line(cells[index]) for cells in kept.values()),
            )
            for index, item in enumerate(trial.treatments)
        ),
        sheet="Treatments",
    )


def assessments(context: Context) -> Iterator[Block]:
    """Say when was assessed: in a sentence where each day was like the other, else in a table."""
    for block, alike in _assessments(context):
        if not alike:
            yield block
        elif isinstance(block, Table):
            days = [str(row[0]).removeprefix("Day ") for row in block.rows]
            dates = [str(row[1]) for row in block.rows if len(row) > 1]
            span = f" ({dates[0]} to {dates[-1]})" if len(dates) > 1 else ""
            yield Paragraph(
                f"Every variable was assessed on days {', '.join(days)}{span}, counted from "
                f"{day_zero(context.trial)}."
            )
    yield from own_timing(context)


def assessments_table(context: Context) -> Iterator[Block]:
    """List the dates where each day was like the other."""
    yield from (block for block, alike in _assessments(context) if alike)


def _assessments(context: Context) -> Iterator[tuple[Block, bool]]:
    """List the days, their dates, and what was assessed on each; and whether all days are alike."""
    trial = context.trial
    counts = trial.counts
    if counts.empty:
        return
    rows = context.tables.as_read("counts")
    days = sorted({float(day) for day in set(rows["day"]) if math.isfinite(day)})
    by_day: dict[float, set[str]] = {}
    for day, name, value in zip(rows["day"], rows["variable"], rows["value"], strict=True):
        if defined(value):
            by_day.setdefault(day, set()).add(name)
    latest = [context.since_latest(day) for day in days]
    body: list[tuple[Cell, ...]] = []
    sets = {frozenset(by_day.get(day, ())) for day in days}
    for index, day in enumerate(days):
        names = by_day.get(day, set())
        row: list[Cell] = [f"Day {write_day(day)}"]
        if trial.applied is not None:
            row.append((trial.applied + timedelta(days=day)).isoformat())
        if any(latest):
            row.append(latest[index].removesuffix(" after latest"))
        if len(sets) > 1:
            row.append(
                "; ".join(context.variable_label(v) for v in context.variables if v in names)
            )
        body.append(tuple(row))
    if not body or len(body[0]) == 1:
        listed = ", ".join(write_day(day) for day in days)
        said = f"Assessed on {'day' if len(days) == 1 else 'days'} {listed}."
        yield Paragraph(said), False
        return
    table = Table(
        key="assessed",
        question=caption("assessed", count=len(body), number=counted(len(body))),
        columns=(
            Column(title="Day"),
            *([Column(title="Date")] if trial.applied is not None else []),
            *([Column(title="Days after the latest application")] if any(latest) else []),
            *([Column(title="Assessed")] if len(sets) > 1 else []),
        ),
        rows=tuple(body),
        notes=(
            *([] if len(sets) > 1 else ["Every variable was assessed on each day."]),
            f"Days after {day_zero(trial)}; negative days are before it.",
        ),
        sheet="Assessments",
    )
    yield table, len(sets) == 1 and not any(latest) and len(body) > 1


def own_timing(context: Context) -> Iterator[Block]:
    """Days after its own latest application by treatment, where treatments differ in them."""
    timing = context.own_timing
    days = [day for day in sorted(timing) if day > 0]
    treated = [
        item.id for item in context.trial.treatments if any(item.id in timing[d] for d in days)
    ]
    rows = {id_: tuple(timing[day].get(id_, math.nan) for day in days) for id_ in treated}
    if len({str(row) for row in rows.values()}) < 2:
        return
    yield Table(
        key="timing",
        question=caption("timing"),
        about=caption("timing_how"),
        columns=(
            Column(title="Treatment"),
            *(Column(title=f"Day {write_day(day)}", kind=Kind.NUMBER, digits=0) for day in days),
        ),
        rows=tuple(
            (context.label(id_), *(number_or_missing(since, "not yet applied") for since in row))
            for id_, row in rows.items()
        ),
    )
