"""Control over the trials: all together, trial by trial, differences, and the next site."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.figures.forest import PANELS_OF_WINDOWS, panels_of_forest
from trialkit.figures.identity import plain_line
from trialkit.plain_text import capital
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
from trialkit.report.laid_out import shade
from trialkit.report.numbers import percent_column, write_number
from trialkit.report.series.captions import (
    in_trials,
    over_all,
    over_spans,
    ranged,
    reached_in_trials,
    what_of,
)
from trialkit.report.series.context import (
    MOST_ACROSS,
    MOST_PRINTED,
    SeriesContext,
    evenly,
    only,
    span_of,
)
from trialkit.rows import defined
from trialkit.series.matched import SeriesVariable
from trialkit.series.rows import CONTROLLED, Asked
from trialkit.trial import VariableRole

Row = dict[str, Any]
_NOT_HERE = "not in this trial, or no control could be had"


def judged(context: SeriesContext, *roles: VariableRole) -> Iterator[tuple[SeriesVariable, Asked]]:
    """Variables of some roles, each with the comparison that it is judged by."""
    for variable in context.tables.of_role(*roles):
        main = context.tables.main(variable.name)
        if main is not None:
            yield variable, main


def pests(context: SeriesContext) -> Iterator[Block]:
    """Control of every pest: by window, as a forest, in a table, trial by trial."""
    for variable, main in judged(context, VariableRole.PEST):
        yield from _over_windows(context, variable)
        yield from _forest(context, variable, main)
        yield by_window(context, variable)
        yield from trial_by_trial(context, variable, main)


def next_site(context: SeriesContext) -> Iterator[Block]:
    """Where control at a further site is expected."""
    for variable, main in judged(context, VariableRole.PEST):
        yield from _next_site(context, variable, main)


def sides(context: SeriesContext) -> Iterator[Block]:
    """What became of natural enemies, damage and the crop, in the same way."""
    roles = (VariableRole.NATURAL_ENEMY, VariableRole.DAMAGE)
    for variable, main in judged(context, *roles):
        yield from _forest(context, variable, main)
        yield by_window(context, variable)


def _over_windows(context: SeriesContext, variable: SeriesVariable) -> Iterator[Block]:
    windows = [a for a in context.tables.asked(variable.name) if a.measure == "control"]
    if len(windows) < 2:
        return
    for place, treatments in enumerate(evenly(context.tables.treated, PANELS_OF_WINDOWS)):
        more = f"{what_of(context, variable)} over the days, further treatments."
        yield FigureBlock(
            key=context.key("windows", variable.name, place),
            kind="control_windows",
            tall=True,
            variable=variable.name,
            of=treatments,
            alt=f"{what_of(context, variable)} over all trials in each span of days, by treatment.",
            title=over_all(context, variable, windows) if not place else "",
            caption=more
            if place
            else (
                f"{what_of(context, variable)} over the days. Grey circles: the trials. "
                f"Diamonds and thick lines: all trials together with their {context.level} "
                "interval. Thin lines: the prediction for the next site."
            ),
        )


def _forest(context: SeriesContext, variable: SeriesVariable, asked: Asked) -> Iterator[Block]:
    trials = context.tables.trials_of(asked)
    if not 2 <= len(trials) <= MOST_PRINTED:
        return
    present = set(context.tables["trial_control"].where(**asked.where)["treatment"])
    treated = [name for name in context.tables.treated if name in present]
    what = f"{what_of(context, variable)}, {context.days(asked)}, trial by trial"
    for place, treatments in enumerate(evenly(treated, panels_of_forest(len(trials)))):
        yield FigureBlock(
            key=context.key("forest", variable.name, place),
            kind="forest",
            tall=True,
            variable=variable.name,
            of=(asked.measure, asked.window, *treatments),
            alt=f"{what_of(context, variable)} in every trial and over all of them, by treatment.",
            title="" if place else in_trials(context, variable, asked),
            caption=f"{what}, further treatments."
            if place
            else (
                f"{what}. Circles: one trial with its {context.level} interval. Diamonds: "
                "all trials together. Thin lines: the prediction for the next site. Each "
                "halving of what is left is one step of the scale."
            ),
        )


def by_window(context: SeriesContext, variable: SeriesVariable) -> Table:
    """Control over all trials, treatments down and spans of days across."""
    tables = context.tables
    windows = tables.asked(variable.name)
    rows, shades = [], []
    for name in tables.treated:
        line: list[Cell] = [context.label(name)]
        tint = [""]
        for asked in windows:
            row = only(tables["combined_control"], treatment=name, **asked.where)
            line += _cells(row)
            tint += [_tint(context, variable, row), ""]
        rows.append(tuple(line))
        shades.append(tuple(tint))
    number = {a: max(tables["combined_control"].where(**a.where)["trials"]) for a in windows}
    return Table(
        key=context.key("combined", variable.name),
        question=over_spans(context, variable, windows),
        about=f"{what_of(context, variable)} over all trials, by span of days, %.",
        columns=(
            Column(title="Treatment"),
            *(
                column
                for asked in windows
                for column in (
                    percent_column(
                        _title(context, asked),
                        tables["combined_control"].where(**asked.where)["percent"],
                        f"{number[asked]:g} trials" if number[asked] != 1 else "1 trial",
                    ),
                    Column(title="Interval", kind=Kind.SPAN),
                )
            ),
        ),
        rows=tuple(rows),
        shades=tuple(shades),
        notes=(_tint_note(context, variable),),
        sheet=f"{what_of(context, variable)}",
    )  # fmt: skip


def _title(context: SeriesContext, asked: Asked) -> str:
    return capital(context.days(asked))


def _cells(row: Row | None) -> tuple[Cell, Cell]:
    if row is None:
        return Missing("in no trial"), ""
    return (
        number_or_missing(row["percent"], row.get("note")),
        span_of(row["lower"], row["upper"]) if defined(row["percent"]) else "",
    )


def _tint(context: SeriesContext, variable: SeriesVariable, row: Row | None) -> str:
    """The shade of a control whose interval leaves out none."""
    if row is None or not defined(row["lower"]) or not defined(row["upper"]):
        return ""
    if variable.role not in CONTROLLED:  # a loss is no success
        return "harm-2" if row["lower"] > 0.0 else ""
    if row["lower"] > 0.0:
        return shade(row["percent"], context.settings.target)
    return "below" if row["upper"] < 0.0 else ""


def _tint_note(context: SeriesContext, variable: SeriesVariable) -> str:
    if variable.role not in CONTROLLED:
        return "Tinted where the interval excludes zero. Below zero: more than in the untreated."
    return (
        "Tinted where the interval excludes zero: the darker, the nearer to the target "
        f"of {context.settings.target:g}%. Below zero: more than in the untreated."
    )


def trial_by_trial(
    context: SeriesContext, variable: SeriesVariable, asked: Asked
) -> Iterator[Block]:
    """Control in every trial, treatments down and trials across, in numbers and words."""
    trials = context.tables.trials_of(asked)
    if len(trials) < 2:
        return
    if len(trials) > MOST_PRINTED:
        yield Paragraph(f"Control in each of the {len(trials)} trials is in the workbook.")
        return
    for place, group in enumerate(evenly(trials, MOST_ACROSS)):
        yield _grid(context, (variable, asked), group, place)


def _grid(
    context: SeriesContext, of: tuple[SeriesVariable, Asked], trials: tuple[str, ...], place: int
) -> Table:
    variable, asked = of
    own = context.tables["trial_control"].where(**asked.where)
    rows, shades = [], []
    for name in context.tables.treated:
        line: list[Cell] = [context.label(name)]
        tint = [""]
        for trial in trials:
            row = only(own, treatment=name, trial=trial)
            line += (
                [Missing(_NOT_HERE), ""]
                if row is None
                else [number_or_missing(row["percent"], row["note"]), _words(context, row)]
            )
            tint += [_tint(context, variable, row), ""]
        rows.append(tuple(line))
        shades.append(tuple(tint))
    columns = [Column(title="Treatment")]
    for trial in trials:
        columns.append(percent_column(context.trial(trial), own.where(trial=trial)["percent"]))
        columns.append(Column(title="In words", kind=Kind.SPAN))
    what = f"{what_of(context, variable)} trial by trial, %, {context.days(asked)}"
    note = (
        f"Words go by the {context.level} interval of the trial: above or below the target of "
        f"{context.settings.target:g}%, or near it where the interval includes it. Not shown: "
        "the interval includes 0."
    )
    return Table(
        key=context.key("grid", variable.name, place),
        question=f"{what}, further trials"
        if place
        else reached_in_trials(context, variable, asked),
        about="" if place else f"{what}.",
        columns=tuple(columns),
        rows=tuple(rows),
        shades=tuple(shades),
        notes=() if place else (note,),
        sheet=f"{what_of(context, variable)} by trial",
    )


def _words(context: SeriesContext, row: Row) -> str:
    """Put a control in words by its interval."""
    target = context.settings.target
    if not defined(row["percent"]) or not defined(row["lower"]):
        return ""
    if row["lower"] <= 0.0 <= row["upper"]:
        return "not shown"
    if row["upper"] < 0.0:
        return "more than untreated"
    if row["lower"] >= target:
        return "above target"
    return "below target" if row["upper"] < target else "near target"


def _next_site(context: SeriesContext, variable: SeriesVariable, asked: Asked) -> Iterator[Block]:
    rows = [
        row
        for row in context.tables["combined_control"].where(**asked.where).records()
        if defined(row["percent"])
    ]
    if not any(defined(row["predicted_lower"]) for row in rows):
        return
    order = {name: place for place, name in enumerate(context.tables.treated)}
    rows.sort(key=lambda row: order.get(row["treatment"], 0))
    yield Table(
        key=context.key("next", variable.name),
        question=ranged(
            f"expected shares of sites with {context.settings.target:g}% control or more",
            [(float(row["share_above_target"]), context.label(row["treatment"])) for row in rows],
            "%",
        )
        or "Predictions for the next site rest on the spread between the trials",
        about=(
            f"Prediction for the next site: {what_of(context, variable).lower()}, "
            f"{context.days(asked)}."
        ),
        columns=(
            Column(title="Treatment"),
            Column(title="Trials", kind=Kind.NUMBER, digits=0),
            percent_column("Control, %", [row["percent"] for row in rows]),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="Next site, %", under=f"{context.level} prediction interval"),
            percent_column(
                f"Sites above {context.settings.target:g}%, %",
                [row["share_above_target"] for row in rows],
            ),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="Differences between trials beyond chance, %", kind=Kind.NUMBER, digits=0),
            Column(title="p-value", under="all sites alike", kind=Kind.P_VALUE),
        ),
        rows=tuple(
            (
                context.label(row["treatment"]),
                number_or_missing(row["trials"]),
                *_cells(row),
                span_of(row["predicted_lower"], row["predicted_upper"]) or "cannot be told",
                number_or_missing(row["share_above_target"], row["note"]),
                span_of(row["share_lower"], row["share_upper"]),
                number_or_missing(row["heterogeneity"], row["note"]),
                number_or_missing(row["p_heterogeneity"], row["note"]),
            )
            for row in rows
        ),
        notes=(
            "Control over all trials is that of an average site. The prediction interval is for "
            "the true control at one further site like these, and is wider. Sites above the "
            "target: their expected share.",
        ),
        sheet="Next site",
    )


def held(context: SeriesContext) -> Iterator[Block]:
    """How long the target was held over the trials."""
    if "combined_held" not in context.series.tables:
        return
    for variable, _ in judged(context, VariableRole.PEST):
        rows = context.tables["combined_held"].where(variable=variable.name).records()
        order = {name: place for place, name in enumerate(context.tables.treated)}
        rows = sorted(
            (row for row in rows if row["treatment"] in order),
            key=lambda row: order[row["treatment"]],
        )
        if rows:
            yield _held(context, variable, rows)


def _held(context: SeriesContext, variable: SeriesVariable, rows: list[Row]) -> Table:
    return Table(
        key=context.key("held", variable.name),
        question=ranged(
            f"days with {context.settings.target:g}% control or more (medians of the trials)",
            [(float(row["days"]), context.label(row["treatment"])) for row in rows],
        )
        or f"Control stayed at {context.settings.target:g}% to the end",
        about=f"How long control of {context.short_label(variable).lower()} stayed at "
        f"{context.settings.target:g}% or above.",
        columns=(
            Column(title="Treatment"),
            Column(title="Trials", kind=Kind.NUMBER, digits=0),
            Column(title="Median, days", kind=Kind.NUMBER, digits=0),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="Shortest, days", kind=Kind.NUMBER, digits=0),
            Column(title="Longest, days", kind=Kind.NUMBER, digits=0),
            Column(title="Never reached it", under="trials", kind=Kind.NUMBER, digits=0),
            Column(title="Held to the end", under="trials", kind=Kind.NUMBER, digits=0),
        ),
        rows=tuple(
            (
                context.label(row["treatment"]),
                number_or_missing(row["trials"]),
                number_or_missing(row["days"], "longer than was counted"),
                _bounds(row["lower"], row["upper"]),
                number_or_missing(row["shortest"]),
                number_or_missing(row["longest"]),
                number_or_missing(row["never"]),
                number_or_missing(row["to_the_last"]),
            )
            for row in rows
        ),
        notes=(
            "Median over the trials (Kaplan and Meier: a trial that held to its last "
            "assessment counts as at least that long). A trial that never reached the target "
            "counts as 0 days.",
            *(
                f"No interval: {note}."
                for note in dict.fromkeys(plain_line(row["note"]) for row in rows if row["note"])
            ),
        ),
        sheet="Target held",
    )


def _bounds(lower: float, upper: float) -> str:
    """Write an interval of which an end may not be known."""
    if defined(lower) and defined(upper):
        return span_of(lower, upper, 0)
    if defined(lower):
        return f"from {write_number(lower, 0)}"
    return f"to {write_number(upper, 0)}" if defined(upper) else ""
