"""Yields and measurements over the trials: means, trial by trial, and how evenly they stand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.figures.forest import panels_of_forest
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    FigureBlock,
    Kind,
    Missing,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.series.captions import by_treatment, by_trial, ranged
from trialkit.report.series.context import (
    MOST_ACROSS,
    MOST_PRINTED,
    SeriesContext,
    evenly,
    only,
    span_of,
)
from trialkit.rows import Rows, defined
from trialkit.series.matched import SeriesVariable
from trialkit.trial import Comparison
from trialkit.words import COMPARISONS

Row = dict[str, Any]


def yields(context: SeriesContext) -> Iterator[Block]:
    """Means over all trials, and stability."""
    for variable in context.tables.measured:
        rows = context.tables.means(variable.name)
        label = context.variable_label(variable.name)
        if rows.knows("mean"):
            yield FigureBlock(
                key=context.key("means", variable.name),
                kind="series_means",
                variable=variable.name,
                alt=f"{label}: means over all trials with their intervals, by treatment.",
                title=_over_all(context, variable, rows),
                caption=f"{label}: means over all trials, with {context.level} intervals"
                f"{' and letters' if rows.knows('letters') else ''}.",
            )
        yield from _gains(context, variable)
        yield _means(context, variable, rows)
        yield from _stability(context, variable)


def _gains(context: SeriesContext, variable: SeriesVariable) -> Iterator[Block]:
    """What treatments gained in every trial, where two trials or more tell it."""
    rows = context.tables["trial_differences"].where(variable=variable.name)
    trials = len(set(rows["trial"])) if rows else 0
    if not 2 <= trials <= MOST_PRINTED:
        return
    present, base = set(rows["a"]), context.label(rows["b"][0])
    treated = [name for name in context.tables.labels if name in present]
    label = context.short_label(variable)
    for place, treatments in enumerate(evenly(treated, panels_of_forest(trials))):
        what = f"{label}: differences from {base}, trial by trial"
        yield FigureBlock(
            key=context.key("gains", variable.name, place),
            kind="gains",
            tall=True,
            variable=variable.name,
            of=treatments,
            alt=f"{label}: differences from {base} in every trial and over all, by treatment.",
            title=""
            if place
            else ranged(
                f"differences of {label[:1].lower()}{label[1:]} from {base} in single trials",
                by_trial(context, rows, "difference", "a"),
                _unit(variable),
                context.digits(variable.name),
            )
            or "",
            caption=f"{what}, further treatments."
            if place
            else f"{what}. Circles: one trial with its {context.level} interval. Diamonds: all "
            "trials together.",
        )


def _means(context: SeriesContext, variable: SeriesVariable, rows: Rows) -> Table:
    digits = context.digits(variable.name)
    settings, untreated = context.settings, context.tables.untreated
    order = [name for name in context.tables.labels if name in set(rows["treatment"])]
    by_name = {row["treatment"]: row for row in rows.records()}
    against = [untreated] if untreated in by_name else []
    letters = rows.knows("letters")
    base = "the reference" if settings.reference in by_name else "the untreated"
    notes = [_speaks(rows)]
    if letters and settings.comparison is not Comparison.NONE:
        notes.append(
            f"Means followed by the same letter do not differ significantly "
            f"({COMPARISONS.get(settings.comparison, '')}, {100 * settings.alpha:g}%)."
        )
    pairs = context.tables.pairs(variable.name)
    methods = set(pairs.where(b=untreated)["method"] if pairs else [])
    if against and methods:
        names = " and ".join(sorted(COMPARISONS.get(item, item) for item in methods))
        notes.append(f"Differences from the untreated and their intervals: {names}.")
    columns = [
        Column(title="Treatment"),
        Column(title="Trials", kind=Kind.NUMBER, digits=0),
        Column(title="Mean", kind=Kind.NUMBER, digits=digits),
        *([Column(title="Letters", kind=Kind.LETTERS)] if letters else []),
        Column(title="Interval", kind=Kind.SPAN),
        Column(title=f"Of {base}, %", kind=Kind.NUMBER, digits=0),
        Column(title="Of the mean, %", kind=Kind.NUMBER, digits=0),
    ]
    if against:
        columns += [
            Column(title="More than untreated", kind=Kind.NUMBER, digits=digits),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="p-value", kind=Kind.P_VALUE),
        ]

    def line(name: str) -> Iterator[Cell]:
        row = by_name[name]
        yield context.label(name)
        yield number_or_missing(row["trials"])
        yield number_or_missing(row["mean"], row["note"])
        if letters:
            yield row["letters"]
        yield span_of(row["lower"], row["upper"], digits)
        yield number_or_missing(row["percent_of_reference"], row["note"])
        yield number_or_missing(row["percent_of_mean"], row["note"])
        if against:
            yield from _gain(context, variable, (name, str(untreated)), digits)

    return Table(
        key=context.key("over", variable.name),
        question=_over_all(context, variable, rows),
        about=f"{context.variable_label(variable.name)}, over all trials.",
        columns=tuple(columns),
        rows=tuple(tuple(line(name)) for name in order),
        notes=tuple(note for note in notes if note),
        sheet=f"{context.short_label(variable)} over trials",
    )


def _unit(variable: SeriesVariable) -> str:
    return "%" if variable.unit == "%" else f" {variable.unit}" if variable.unit else ""


def _over_all(context: SeriesContext, variable: SeriesVariable, rows: Rows) -> str:
    """State the least and the largest mean over all trials."""
    label = context.short_label(variable)
    found = ranged(
        f"means of {label[:1].lower()}{label[1:]} over all trials",
        by_treatment(context, rows, "mean"),
        _unit(variable),
        context.digits(variable.name),
    )
    return found or f"{context.variable_label(variable.name)}, over all trials"


def _speaks(rows: Rows) -> str:
    words = {str(item) for item in rows.get("inference") if defined(item)}
    if words == {"other sites"}:
        return "These means apply to sites and seasons like those of the trials (broad inference)."
    if words == {"these sites"}:
        return "These means apply to the sites and seasons of the trials alone (narrow inference)."
    return ""


def _gain(
    context: SeriesContext, variable: SeriesVariable, pair: tuple[str, str], digits: int
) -> tuple[Cell, Cell, Cell]:
    """Difference from the untreated, its interval, and p."""
    rows = context.tables.pairs(variable.name)
    for (a, b), sign in ((pair, 1.0), (pair[::-1], -1.0)):
        row = only(rows, a=a, b=b) if rows else None
        if row is not None:
            ends = sorted((sign * row["lower"], sign * row["upper"]))
            p = number_or_missing(row["p_adjusted"])
            return number_or_missing(sign * row["difference"]), span_of(ends[0], ends[1], digits), p
    return None, "", None


def trial_by_trial(context: SeriesContext) -> Iterator[Block]:
    """What each trial gave."""
    for variable in context.tables.measured:
        yield from _by_trial(context, variable)


def _by_trial(context: SeriesContext, variable: SeriesVariable) -> Iterator[Block]:
    """Means of every trial, treatments down and trials across."""
    own = {
        item.trial: item for item in context.tables.matched.means if item.variable == variable.name
    }
    trials = [item.key for item in context.series.trials if item.key in own]
    if len(trials) < 2:
        return
    present = [n for n in context.tables.labels if any(n in own[t].treatments for t in trials)]

    def cell(name: str, trial: str) -> Cell:
        item = own[trial]
        if name not in item.treatments:
            return Missing("not in this trial")
        return number_or_missing(float(item.means[item.treatments.index(name)]), item.note)

    if len(trials) > MOST_PRINTED:
        yield Paragraph(f"Means of each of the {len(trials)} trials are in their own reports.")
        return
    what = f"{context.variable_label(variable.name)}, trial by trial"
    digits, label = context.digits(variable.name), context.short_label(variable)
    spots = [
        (float(mean), f"{context.label(name)}; {context.trial(trial)}")
        for trial in trials
        for name, mean in zip(own[trial].treatments, own[trial].means, strict=True)
    ]
    for place, group in enumerate(evenly(trials, MOST_ACROSS)):
        yield Table(
            key=context.key("each", variable.name, place),
            question=f"{what}, further trials"
            if place
            else ranged(
                f"means of {label[:1].lower()}{label[1:]} in single trials",
                spots,
                _unit(variable),
                digits,
            )
            or what,
            about="" if place else f"{what}.",
            columns=(
                Column(title="Treatment"),
                *(
                    Column(title=context.trial(trial), kind=Kind.NUMBER, digits=digits)
                    for trial in group
                ),
            ),
            rows=tuple((context.label(n), *(cell(n, trial) for trial in group)) for n in present),
            sheet=f"{context.short_label(variable)} by trial",
        )


def _stability(context: SeriesContext, variable: SeriesVariable) -> Iterator[Block]:
    rows = context.tables["stability"].where(variable=variable.name).records()
    if not rows:
        return
    digits = context.digits(variable.name)
    yield Table(
        key=context.key("stability", variable.name),
        question=ranged(
            "slopes on the mean of the environment",
            [(float(row["slope"]), context.label(row["treatment"])) for row in rows],
            digits=2,
        )
        or "How evenly treatments yielded",
        about=f"How evenly treatments yielded over {rows[0]['environments']:g} environments: "
        f"{context.variable_label(variable.name)}.",
        columns=(
            Column(title="Treatment"),
            Column(title="Mean", kind=Kind.NUMBER, digits=digits),
            Column(title="Slope on the environment", kind=Kind.NUMBER, digits=2),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="Variance about the line", kind=Kind.NUMBER),
            Column(title="Ecovalence", kind=Kind.NUMBER),
            Column(title="Stability variance", kind=Kind.NUMBER),
            Column(title="p-value", under="even over sites", kind=Kind.P_VALUE),
            Column(title="Distance from the best", kind=Kind.NUMBER),
        ),
        rows=tuple(
            (
                context.label(row["treatment"]),
                number_or_missing(row["mean"], row["note"]),
                number_or_missing(row["slope"], row["note"]),
                span_of(row["slope_lower"], row["slope_upper"], 2),
                number_or_missing(row["deviation_variance"], row["note"]),
                number_or_missing(row["ecovalence"], row["note"]),
                number_or_missing(row["stability_variance"], row["note"]),
                number_or_missing(row["p_stability"], row["note"]),
                number_or_missing(row["superiority"], row["note"]),
            )
            for row in rows
        ),
        notes=(
            "A treatment with a slope above 1 gains more than average where conditions are "
            "good. Ecovalence and stability variance are small where its differences from "
            "the others stay the same. The distance from the best is small where it is "
            "always near the top.",
        ),
        sheet="Stability",
    )
