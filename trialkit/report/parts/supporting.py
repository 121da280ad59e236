"""Beside the tests of each day: courses, planned contrasts, adjustment, incomplete blocks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from trialkit.figures.identity import plain_line
from trialkit.plain_text import capital
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
from trialkit.report.numbers import write_share
from trialkit.rows import Rows
from trialkit.trial import Design

_HOW = {
    "Greenhouse-Geisser": "split-plot in time, degrees of freedom after Greenhouse and Geisser",
    "REML, plot-autoregressive": "mixed model (REML), all plots and days kept",
    "REML, compound-symmetry": "mixed model (REML), all plots and days kept",
}

#: Sources of designs with several errors, in words.
_FACTORS = {
    "main": "levels of the main factor",
    "sub": "levels of the sub factor",
    "main:sub": "both together (interaction)",
}


def courses(context: Context) -> Iterator[Block]:
    """Whether treatments differ in level and in course over the days after treatment."""
    table = context.table("course_tests", "variable", "source", "chosen")
    if not table:
        return
    rows = table.where(chosen=True)
    body: list[tuple[Cell, ...]] = []
    several = any(source in _FACTORS for source in rows["source"])
    known = set(rows.known("p")["variable"])
    untested = [name for name in dict.fromkeys(rows["variable"]) if name not in known]
    for variable, found in rows.groups("variable").items():
        own = {row["source"]: row for row in found.records()}
        for source in _FACTORS if several else ("treatment",):
            level, course = own.get(source), own.get(f"{source}:day")
            if level is None or course is None or variable not in known:
                continue
            why = "too few plots were assessed on all days"
            body.append(
                (
                    context.variable_label(str(variable)),
                    *([_FACTORS[source]] if several else []),
                    number_or_missing(level["F"], why),
                    number_or_missing(level["p"], why),
                    number_or_missing(course["F"], why),
                    number_or_missing(course["p"], why),
                    _HOW.get(str(course["test"]), plain_line(str(course["test"]))),
                )
            )
    if not body:
        return
    yield Table(
        key="courses",
        question=f"Over all days{'' if context.trial.counted_from else ' after treatment'}: do "
        "treatments differ, and do their differences change with time?",
        columns=(
            Column(title="Variable"),
            *([Column(title="Compared")] if several else []),
            Column(title="Mean over days: F", kind=Kind.NUMBER, digits=2),
            Column(title="Mean over days: p-value", kind=Kind.P_VALUE),
            Column(title="Interaction with day: F", kind=Kind.NUMBER, digits=2),
            Column(title="Interaction with day: p-value", kind=Kind.P_VALUE),
            Column(title="How tested"),
        ),
        rows=tuple(body),
        notes=_course_notes([context.variable_label(str(name)) for name in untested], several),
        sheet="Courses",
    )


def _course_notes(untested: Sequence[str], several: bool) -> tuple[str, ...]:
    """What is to be known of the tests of courses, of several factors or of treatments alone."""
    notes = [
        "A small p-value of the interaction means that differences between treatments "
        "changed from day to day. Both methods allow for days of one plot not being "
        "independent."
    ]
    if several:
        notes.append(
            "The main factor is tested against its own error, as a mean and over days; the "
            "sub factor and the interaction against that of the subplots. In strip-plots "
            "each factor is tested against that of its strips."
        )
    notes += [
        f"{label}: not tested, as too few plots were assessed on all days." for label in untested
    ]
    return tuple(notes)


def planned(context: Context) -> Iterator[Block]:
    """Comparisons that the settings plan, or that rates and roles of the treatments lay down."""
    rows = context.table("contrasts", "contrast", "estimate", "p")
    if not rows:
        return
    whole = rows.keep(measure != "count" for measure in rows["measure"])
    shown = whole or rows
    level = write_share(1 - context.trial.settings.alpha)
    body = tuple(
        (
            context.response(row["variable"], row["measure"], float(row["days_after"])),
            plain_line(row["contrast"]),
            number_or_missing(row["estimate"], "a treatment has no mean"),
            number_or_missing(row["lower"]),
            number_or_missing(row["upper"]),
            number_or_missing(row["p"], "there is no error to test against"),
        )
        for row in shown.records()
    )
    notes = _contrast_notes(rows)
    trend = any("trend" in row for row in shown["contrast"])
    yield Table(
        key="planned",
        question="How do rates and groups of treatments compare?",
        columns=(
            Column(title="Response"),
            Column(title="Comparison"),
            Column(title="Estimate", kind=Kind.NUMBER),
            Column(title=f"{level} interval from", kind=Kind.NUMBER),
            Column(title="to", kind=Kind.NUMBER),
            Column(title="p-value", kind=Kind.P_VALUE),
        ),
        rows=body,
        notes=(
            *notes,
            *(
                (
                    "A linear trend is the change with one unit of rate. A curvature is the "
                    "coefficient of the squared rate.",
                )
                if trend
                else ()
            ),
            "These comparisons follow from the settings and from the roles and rates in the list "
            "of treatments, not from the data. Each is a question of its own; the p-values are not "
            "adjusted for their number. Estimates are on the scale of analysis."
            + ("" if not whole else " Single days are in the tables file."),
        ),
        sheet="Rates and groups",
    )


def _contrast_notes(rows: Rows) -> list[str]:
    """What each comparison compares; those of the same treatments together."""
    names: dict[str, list[str]] = {}
    for contrast, note in dict.fromkeys(zip(rows["contrast"], rows["note"], strict=True)):
        if isinstance(note, str) and note:
            names.setdefault(plain_line(note), []).append(plain_line(contrast))
    notes = []
    for note, contrasts in names.items():
        notes.append(f"{capital(' and '.join(contrasts))}: {note}.")
    return notes


_ADJUSTED_FACTORS = {
    "p_main": "p-value of the main factor, adjusted",
    "p_sub": "p-value of the sub factor, adjusted",
    "p_interaction": "p-value of both together (interaction), adjusted",
}


def adjusted(context: Context) -> Iterator[Block]:
    """Days adjusted for the count before treatment: supporting, not replacing."""
    rows = context.table("covariate", "slope", "p", "p_equal_slopes")
    if not rows:
        return
    plain = {
        (row["variable"], row["days_after"]): row["p"]
        for row in context.table("responses", "variable", "p").records()
        if row["measure"] == "count"
    }
    why = "the counts before treatment do not vary"
    factors = [name for name in _ADJUSTED_FACTORS if name in rows and rows.knows(name)]
    body = tuple(
        (
            context.response(row["variable"], "count", float(row["days_after"])),
            number_or_missing(row["slope"], why),
            number_or_missing(row["p_slope"], why),
            number_or_missing(row["p_equal_slopes"], "there are too few plots to tell"),
            number_or_missing(plain.get((row["variable"], row["days_after"]))),
            number_or_missing(row["p"], why),
            number_or_missing(row["precision"], why),
            *(number_or_missing(row[name], why) for name in factors),
        )
        for row in rows.records()
    )
    yield Table(
        key="adjusted",
        question="Would adjusting for the count before treatment change the answer?",
        columns=(
            Column(title="Response"),
            Column(title="Slope on the count before", kind=Kind.NUMBER, digits=2),
            Column(title="p-value of the slope", kind=Kind.P_VALUE),
            Column(title="p-value, slopes differ between treatments", kind=Kind.P_VALUE),
            Column(title="p-value of treatments, as tested", kind=Kind.P_VALUE),
            Column(title="p-value of treatments, adjusted", kind=Kind.P_VALUE),
            Column(title="Precision gained, times", kind=Kind.NUMBER, digits=2),
            *(Column(title=_ADJUSTED_FACTORS[name], kind=Kind.P_VALUE) for name in factors),
        ),
        rows=body,
        notes=(
            *(
                [
                    "Treatments are all combinations of both factors. Main plots (strips) "
                    "are random. One slope was estimated from between and within them "
                    "together, by REML, with degrees of freedom after Kenward and Roger."
                ]
                if factors
                else []
            ),
            "Analysis of covariance on the scale of analysis. It supports the tests above "
            "and does not replace them. Precision is the variance of a difference without "
            "the adjustment divided by that with it: above 1 the adjustment gained, below 1 "
            "it cost. Where slopes differ between treatments, no single adjustment fits them "
            "all.",
        ),
        sheet="Adjusted tests",
    )


def recovered(context: Context) -> Iterator[Block]:
    """Trials in incomplete blocks: tests that use the information between blocks as well."""
    rows = context.table("recovered_tests", "p", "recovery")
    if not rows:
        return
    plain = {
        (row["variable"], row["measure"], _finite(row["days_after"])): row["p"]
        for row in context.table("responses", "variable", "p").records()
    }
    body = tuple(
        (
            context.response(row["variable"], row["measure"], float(row["days_after"])),
            number_or_missing(
                plain.get((row["variable"], row["measure"], _finite(row["days_after"]))),
            ),
            number_or_missing(row["p"], row["reason"]),
            number_or_missing(row["recovery"], "blocks alone do not connect all treatments"),
        )
        for row in rows.records()
    )
    yield Table(
        key="recovered",
        question="Incomplete blocks: what does the information between blocks add?",
        columns=(
            Column(title="Response"),
            Column(title="p-value within blocks alone", kind=Kind.P_VALUE),
            Column(title="p-value with information between blocks", kind=Kind.P_VALUE),
            Column(title="Precision gained, times", kind=Kind.NUMBER, digits=2),
        ),
        rows=body,
        notes=(
            "No block holds all treatments. The other tables compare treatments within "
            "blocks alone. Here blocks are random (REML, degrees of freedom after Kenward "
            "and Roger), so that differences between blocks contribute as well. The means "
            "are in the tables file.",
        ),
        sheet="Blocks recovered",
    )


def _finite(day: float) -> float:
    return day if math.isfinite(day) else math.inf


def how_supported(context: Context) -> Iterator[Block]:
    """Say how designs with several errors, factorials and incomplete blocks were analysed."""
    trial = context.trial
    mixed = (
        " Responses with missing plots were analysed by a mixed model (REML), with degrees of "
        "freedom after Kenward and Roger."
        if any(number > 0 for number in context.table("responses").get("n_missing"))
        else ""
    )
    if trial.main_plots is Design.LATIN:
        yield Paragraph(
            "Main plots lie in a Latin square; its rows and columns are removed before the "
            "main factor is tested."
        )
    if trial.design is Design.SPLIT_PLOT:
        yield Paragraph(
            "Main plots are the units of the main factor; subplots are those of the sub "
            "factor and of the interaction. Each is tested against its own error. A "
            "difference between two treatments has a standard error combined from the errors "
            "involved, with Satterthwaite's degrees of freedom." + mixed
        )
    elif trial.design is Design.STRIP_PLOT:
        yield Paragraph(
            "Strips are the units of each factor; the plots where they cross are those of "
            "the interaction. Each is tested against its own error. A difference between two "
            "treatments has a standard error combined from the errors involved, with "
            "Satterthwaite's degrees of freedom." + mixed
        )
    elif context.table("factor_means", "factor"):
        names = " and ".join(plain_line(name) for name in trial.settings.factors)
        yield Paragraph(
            f"The treatment sum of squares was partitioned into the factors {names}, as the "
            "settings name them. Treatments without a level of these factors, such as the "
            "untreated, are compared with the rest."
        )
    if context.table("recovered_tests", "p"):
        yield Paragraph(
            "By plan no block holds all treatments. Treatments were compared within blocks, "
            "and again with random blocks, which recovers the information between them."
        )
