"""How the trial was done and analysed, with every departure from plan."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

from trialkit.analysis.efficacy.control_tables import FORETOLD, NOT_FORETOLD
from trialkit.analysis.fits.draws import DRAWS
from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.numerals import number, plural
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    Facts,
    Kind,
    Notes,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import write_share
from trialkit.report.parts.departures import missing_plots, uneven_samples
from trialkit.report.parts.shares import BETA_BINOMIAL, units
from trialkit.rows import defined
from trialkit.trial import Comparison, Design, Trial
from trialkit.trial import Kind as VariableKind
from trialkit.words import CONTROL_METHODS, DESIGNS, day_zero

_PROCEDURES: Mapping[Comparison, str] = {
    Comparison.TUKEY: "Tukey's procedure (Tukey-Kramer where the numbers of plots differ)",
    Comparison.LSD: "the least significant difference, protected by the F test",
    Comparison.DUNNETT: "Dunnett's procedure",
    Comparison.SNK: "the Student-Newman-Keuls procedure",
    Comparison.DUNCAN: "Duncan's multiple range procedure",
    Comparison.BONFERRONI: "t tests with Bonferroni's correction",
    Comparison.SIDAK: "t tests with Sidak's correction",
    Comparison.HOLM: "t tests with Holm's correction",
    Comparison.FDR: "t tests at a controlled false discovery rate (Benjamini-Hochberg)",
    Comparison.SCHEFFE: "Scheff\u00e9's procedure",
}
_SOURCES = {
    Design.CRD: "treatments",
    Design.RCBD: "blocks and treatments",
    Design.LATIN: "rows, columns and treatments",
    Design.SPLIT_PLOT: "main plots, subplots and the factors put on them",
    Design.STRIP_PLOT: "strips, the plots where they cross and the factors put on them",
}


INTERVALS = (
    "Intervals and p-values of control and reductions come from the joint confidence distribution "
    "of all treatment means of a variable, worked out and not drawn. Counts were taken as negative "
    "binomial, percentages as beta. Dispersion is averaged over and may differ between treatments; "
    "plots keep an effect over the days. Limits of days above a threshold are those of a profile "
    f"likelihood; those of mixtures over a period come from {DRAWS:,} draws. In simulated "
    "randomised blocks, nominal 95% intervals covered the truth in 91 to 99% of trials. Where "
    "the untreated plots alone varied far more than the others they covered 84 to 90%. The model, "
    "its prior and the simulations are documented with trialkit.inference.draws."
)
INTERVALS_IN_UNITS = "In simulated split-plots and strip-plots they covered 93 to 99%."


TESTS_ONLY = (
    "Supporting analyses were switched off (supporting = false): checks of assumptions, "
    "randomisation tests, count models, repeated measures, covariance and neighbours."
)


def in_words(key: str) -> str:
    """Turn a key such as ``trial_number`` into words."""
    for tail, unit in (("_c", ", \u00b0C"), ("_percent", ", %")):
        if key.endswith(tail):
            return in_words(key.removesuffix(tail)) + unit
    words = plain_line(key.replace("_", " "))
    return words[:1].upper() + words[1:]


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
        question="Treatments compared",
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
        question="Assessment dates",
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
        question="Days since each treatment's own latest application",
        columns=(
            Column(title="Treatment"),
            *(Column(title=f"Day {write_day(day)}", kind=Kind.NUMBER, digits=0) for day in days),
        ),
        rows=tuple(
            (context.label(id_), *(number_or_missing(since, "not yet applied") for since in row))
            for id_, row in rows.items()
        ),
        notes=("Days from the latest application before the assessment.",),
    )


def how_analysed(context: Context) -> Iterator[Block]:
    """Say what was computed, on which scale, by which procedure, and what was departed from."""
    trial = context.trial
    settings = trial.settings
    level = write_share(settings.alpha)
    sources = _SOURCES.get(trial.design, "the strata of the design and treatments")
    yield Paragraph(
        "The plot was the experimental unit."
        + (_samples_text(trial) or "")
        + " Each assessment, area under the curve and yield was subjected to analysis of variance "
        f"with {sources}. Where plots were missing, least-squares means were compared; no value "
        "was filled in."
    )
    yield Paragraph(_comparison_text(context, level))
    if not context.trial.settings.supporting:
        yield Paragraph(TESTS_ONLY)
    choices = _choices(context)
    if choices:
        yield Facts(choices)
    control = _control_text(context)
    if control:
        yield Paragraph(control)
    shared = _shares_text(context)
    if shared:
        yield Paragraph(shared)
    departures = [*missing_plots(context), *uneven_samples(trial)]
    if departures:
        yield Paragraph("Departures from the plan:")
        yield Notes(tuple(departures))


def _samples_text(trial: Trial) -> str:
    if trial.counts.empty or trial.counts["sample"].isna().all():
        return ""
    return " Samples within a plot were averaged before testing; they are not replicates."


_BLOCKS_LEVEL = (
    "In simulated randomised blocks without differences its F test at 5% rejected in 1 to 8% of "
    "the trials, least where units were independent."
)
_STRATA_LEVEL = (
    "Each factor is tested on the mean shares of its own units, main plots or strips, or on what "
    "these leave of the plots. In simulated trials without differences the tests of the factors at "
    "5% rejected in 4 to 6% of the trials, less where in most plots none were counted."
)


def _shares_text(context: Context) -> str:
    """Say how shares k of n were analysed; empty where there are none."""
    names = [
        f"{context.variable_label(name)} (of {units(item)})"
        for name, item in context.variables.items()
        if item.examined is not None and context.plot_numbers(name) is not None
    ]
    if not names:
        return ""
    text = (
        f"Counted out of a number examined: {'; '.join(names)}. The percentage of each plot was "
        "analysed like other percentages, each plot with the same weight. Samples within a plot "
        "were added up first."
    )
    if BETA_BINOMIAL in context.table("count_tests").get("model"):
        text += (
            " A beta-binomial model with logit link was fitted beside it. It allows for unequal "
            "numbers examined and for likeness of units within a plot. "
        )
        text += _STRATA_LEVEL if context.trial.design.has_larger_units else _BLOCKS_LEVEL
    return text


def _comparison_text(context: Context, level: str) -> str:
    settings = context.trial.settings
    if settings.comparison is Comparison.NONE:
        return "Treatment means were not compared with each other (comparison = none)."
    method = _PROCEDURES.get(settings.comparison, settings.comparison.value)
    if settings.comparison is Comparison.DUNNETT:
        return f"Every treatment was compared with the untreated by {method} (familywise {level})."
    text = f"Treatment means were compared pairwise by {method} at {level}"
    text += " for each pair." if settings.comparison in {Comparison.LSD, Comparison.DUNCAN} else "."
    text += " The letter a marks the largest mean; sharing a letter is no proof of equality."
    if "dunnett" in context.table("comparisons").get("method"):
        text += " Each treatment was also compared with the untreated by Dunnett's procedure."
    return text


def _choices(context: Context) -> tuple[tuple[str, str], ...]:
    rows = context.table("choices", "variable", "rule")
    return tuple(
        (
            f"Scale for {context.variable_label(row['variable'])}",
            plain_line(row["rule"]) + _power_text(context, row) + _area_text(row),
        )
        for row in rows.records()
        if isinstance(row["rule"], str) and row["rule"]
    )


def _area_text(row: Mapping[str, Any]) -> str:
    rule = row.get("area_rule")
    return f" {plain_line(rule)}" if isinstance(rule, str) and rule else ""


def _power_text(context: Context, row: Mapping[str, Any]) -> str:
    """Say which power Box and Cox's profile would take, as a second opinion."""
    power, lower, upper = (
        float(row.get(name, math.nan)) for name in ("power", "power_lower", "power_upper")
    )
    if not math.isfinite(power):
        return ""
    limits = ""
    if math.isfinite(lower) and math.isfinite(upper):
        limits = f" (95% limits {number(lower, 2)} to {number(upper, 2)})"
    variable = context.variables.get(str(row["variable"]))
    of = " of count + 1" if variable is not None and variable.kind is VariableKind.COUNT else ""
    return f" Box-Cox power{of}: {number(power, 2)}{limits} (0 log, 0.5 square root, 1 none)."


_SLOPE = (
    " The formula follows from how strongly counts before treatment predicted later ones between "
    "plots of one treatment. A slope of 0 is Abbott's formula, 1 Henderson and Tilton's."
)


def _choices_of_control(context: Context) -> list[dict[str, Any]]:
    found = context.table("control_methods", "variable", "rule", "slope")
    return [row for row in found.records() if row["rule"] in (FORETOLD, NOT_FORETOLD)]


def _slope_text(context: Context, row: dict[str, Any]) -> str:
    label = context.variable_label(row["variable"])
    name = CONTROL_METHODS[row["method"]]
    return (
        f" {label}: {row['rule']}, hence {name} on all days (slope {number(row['slope'], 2)}, "
        f"standard error {number(row['slope_se'], 2)})."
    )


def _control_text(context: Context) -> str:
    rows = context.table("control", "variable", "method", "chosen")
    if not rows:
        return ""
    shown = rows.where(chosen=True)
    used = set(zip(shown["variable"], shown["method"], strict=True))
    parts = []
    for method, name in CONTROL_METHODS.items():
        labels = [context.variable_label(v) for v in context.variables if (v, method) in used]
        if labels:
            parts.append(f"by {name} for {' and '.join(labels)}")
    if not parts:
        return ""
    text = (
        f"Percent control was computed {', '.join(parts)}, from untransformed treatment means. "
        "Values below zero are kept."
    )
    chosen = _choices_of_control(context)
    if chosen:
        text += _SLOPE + "".join(_slope_text(context, row) for row in chosen)
    if shown.knows("lower") or shown.knows("upper"):
        text += f" {INTERVALS}"
        if context.trial.design.has_larger_units:
            text += f" {INTERVALS_IN_UNITS}"
    return text
