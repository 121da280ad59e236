"""How the pest developed, how much control there was and for how long, and pest-days."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from trialkit.figures.lines import LOWEST_CONTROL
from trialkit.figures.scales import course_scale
from trialkit.numerals import day as write_day
from trialkit.numerals import number
from trialkit.report.context import CONTROL_METHODS, Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    FigureBlock,
    Kind,
    Missing,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import write_share
from trialkit.report.parts.means import day_column, single_means
from trialkit.trial import Variable, VariableRole

#: Most variables of one role that get a figure.
MOST_FIGURES = 2
_HOW = {
    "abbott": "100 (untreated \u2212 treated) / untreated, from the means of the same day",
    "henderson-tilton": "100 (1 \u2212 treated after \u00d7 untreated before / "
    "(treated before \u00d7 untreated after)), from treatment means",
    "sun-shepard": "the fall in the treated plots, corrected for the change in the untreated, "
    "from treatment means",
    "schneider-orelli": "mortality in the treated plots, corrected for mortality in the untreated",
}


def course_figure(context: Context, variable: Variable) -> FigureBlock | None:
    """Make the place for the course of one variable."""
    rows = context.rows("course", variable.name)
    rows = rows[rows["mean"].notna()] if not rows.empty else rows
    if rows.empty:
        return None
    label = context.variable_label(variable.name)
    days = sorted(set(rows["days_after"]))
    level = write_share(1 - context.trial.settings.alpha)
    what = "Lines show" if len(days) > 1 else "Dots show"
    note = ""
    if len(days) > 1:
        note = course_scale(rows["mean"].tolist(), rows["upper"].tolist(), variable.kind).note()
    spans = f" Bars are {level} intervals." if rows["lower"].notna().any() else ""
    return FigureBlock(
        key=context.key("course", variable.name),
        kind="course",
        variable=variable.name,
        alt=f"{label} by treatment, {_days_text(days)}. {_ends(context, rows)}",
        caption=f"{label}. {what} the mean of each treatment, as counted.{spans} {note}".strip(),
    )


def _days_text(days: list[float]) -> str:
    if len(days) == 1:
        return f"on day {write_day(days[0])}"
    return f"from day {write_day(days[0])} to day {write_day(days[-1])}"


def _ends(context: Context, rows: pd.DataFrame) -> str:
    last = rows[rows["days_after"] == rows["days_after"].max()]
    parts = [
        f"{context.label(treatment)} {number(mean)}"
        for treatment, mean in zip(last["treatment"], last["mean"], strict=True)
    ]
    return f"On day {write_day(float(last['days_after'].iloc[0]))}: {', '.join(parts)}."


def courses_of_role(context: Context, *roles: VariableRole) -> Iterator[Block]:
    """Figures of the course of the variables of these roles."""
    for variable in context.of_role(*roles)[:MOST_FIGURES]:
        figure = course_figure(context, variable)
        if figure is not None:
            yield figure


def course_of_pest(context: Context) -> Iterator[Block]:
    """Figures: the pest over the days."""
    yield from courses_of_role(context, VariableRole.PEST)


def control_rows(context: Context, variable: str) -> pd.DataFrame:
    """Percent control of a variable by the method that the report shows."""
    rows = context.rows("control", variable)
    return rows[rows["chosen"].eq(True)] if not rows.empty else rows


def control_table(context: Context, variable: Variable) -> Table | None:
    """Percent control, treatments down and days across, shaded against the target."""
    rows = control_rows(context, variable.name)
    if rows.empty:
        return None
    days = sorted(set(rows["days_after"]))
    found = {
        (day, treatment): number_or_missing(percent, reason)
        for day, treatment, percent, reason in zip(
            rows["days_after"], rows["treatment"], rows["percent"], rows["reason"], strict=True
        )
    }
    body: list[tuple[Cell, ...]] = [
        (
            context.label(treatment),
            *(found.get((day, treatment), Missing("not assessed")) for day in days),
        )
        for treatment in context.shown_treatments(rows)
    ]
    method = str(rows["method"].iloc[0])
    label = context.variable_label(variable.name)
    name = CONTROL_METHODS.get(method, method)
    return Table(
        key=context.key("control", variable.name),
        question=f"{label}: percent control against the untreated ({name})",
        columns=(Column(title="Treatment"), *(day_column(context, day, 0) for day in days)),
        rows=tuple(body),
        notes=(
            f"{name}: {_HOW.get(method, 'from treatment means')}. Below zero means more than "
            "in the untreated.",
        ),
        sheet=f"Control {label}",
        target=context.trial.settings.control_target,
    )


def control_intervals(context: Context, variable: Variable) -> Table | None:
    """Intervals of percent control, where they are known."""
    rows = control_rows(context, variable.name)
    if rows.empty or rows[["lower", "upper"]].isna().all(axis=None):
        return None
    days = sorted(set(rows["days_after"]))
    found = {
        (row["days_after"], row["treatment"]): _interval(row["lower"], row["upper"])
        for row in rows.to_dict("records")
    }
    label = context.variable_label(variable.name)
    level = write_share(1 - context.trial.settings.alpha)
    return Table(
        key=context.key("control-interval", variable.name),
        question=f"{label}: how sure is the control? {level} intervals, percent",
        columns=(
            Column(title="Treatment"),
            *(
                Column(title=f"Day {write_day(day)}", under=context.since_latest(day))
                for day in days
            ),
        ),
        rows=tuple(
            (context.label(treatment), *(found.get((day, treatment)) for day in days))
            for treatment in context.shown_treatments(rows)
        ),
        sheet=f"Intervals {label}",
    )


def _interval(lower: float, upper: float) -> Cell:
    if math.isfinite(lower) and math.isfinite(upper):
        return f"{write_day(round(lower))} to {write_day(round(upper))}"
    if math.isfinite(lower):
        return f"at least {write_day(round(lower))}"
    if math.isfinite(upper):
        return f"at most {write_day(round(upper))}"
    return Missing("the data set no limit")


def control_by_day(context: Context) -> Iterator[Block]:
    """Tables of control by treatment and day, each with its figure."""
    drawn = 0
    for variable in context.of_role(VariableRole.PEST):
        table = control_table(context, variable)
        if table is None:
            continue
        yield table
        intervals = control_intervals(context, variable)
        if intervals is not None:
            yield intervals
        figure = control_figure(context, variable)
        if figure is not None and drawn < MOST_FIGURES:
            drawn += 1
            yield figure


def control_figure(context: Context, variable: Variable) -> FigureBlock | None:
    """Make the place for control over the days, where there are two days or more."""
    rows = control_rows(context, variable.name)
    known = rows[rows["percent"].notna()] if not rows.empty else rows
    if known.empty or known["days_after"].nunique() < 2:
        return None
    days = sorted(set(known["days_after"]))
    target = context.trial.settings.control_target
    best = known.sort_values("percent").iloc[-1]
    label = context.variable_label(variable.name)
    edge = write_day(LOWEST_CONTROL)
    below = (
        f" Values below {edge} % are drawn at the lower edge."
        if (known["percent"] < LOWEST_CONTROL).any()
        else ""
    )
    return FigureBlock(
        key=context.key("control-course", variable.name),
        kind="control_course",
        variable=variable.name,
        alt=f"Percent control of {label} by treatment, {_days_text(days)}, with the target of "
        f"{target:g} %. Highest: {context.label(best['treatment'])} with "
        f"{number(best['percent'])} % on day {write_day(best['days_after'])}.",
        caption=f"{label}: percent control over the days. The dashed line is the target of "
        f"{target:g} %.{below}",
    )


def persistence(context: Context) -> Iterator[Block]:
    """Tables of knockdown, peak, how long control of the pest held, and rebound."""
    yield from persistence_of(context, VariableRole.PEST)


def persistence_of(context: Context, role: VariableRole) -> Iterator[Block]:
    """Tables of the persistence of control, for the variables of one role."""
    table = context.table("persistence", "variable", "treatment", "holds_until_day")
    if table.empty:
        return
    level = write_share(1 - context.trial.settings.alpha)
    for variable in context.of_role(role):
        rows = table[table["variable"] == variable.name]
        if rows.empty:
            continue
        spans = bool(rows[["lower", "upper"]].notna().any(axis=None))
        columns = [
            Column(title="Treatment"),
            Column(title="Control at the first assessment, %", kind=Kind.NUMBER, digits=0),
            Column(title="Highest control, %", kind=Kind.NUMBER, digits=0),
            Column(title="Day of the highest", kind=Kind.NUMBER),
            Column(title="Target held until day", kind=Kind.NUMBER, digits=1),
        ]
        if spans:
            columns += [
                Column(title=f"{level} interval from day", kind=Kind.NUMBER, digits=1),
                Column(title="to day", kind=Kind.NUMBER, digits=1),
            ]
        columns += [
            Column(title="Held to the last assessment"),
            Column(title="Fall after the highest, points", kind=Kind.NUMBER, digits=0),
        ]
        body: list[tuple[Cell, ...]] = []
        by_treatment = {row["treatment"]: row for row in rows.to_dict("records")}
        for treatment in context.shown_treatments(rows):
            row = by_treatment[treatment]
            reason = row.get("reason")
            body.append(
                (
                    context.label(treatment),
                    number_or_missing(row["knockdown_percent"], reason),
                    number_or_missing(row["peak_percent"], reason),
                    number_or_missing(row["peak_day"], reason),
                    number_or_missing(row["holds_until_day"], reason or "never at the target"),
                    *(
                        (number_or_missing(row["lower"]), number_or_missing(row["upper"]))
                        if spans
                        else ()
                    ),
                    _yes_no(row["censored"]),
                    number_or_missing(row["rebound_percent"], reason),
                )
            )
        label = context.variable_label(variable.name)
        target = float(rows["target"].iloc[0])
        yield Table(
            key=context.key("persistence", variable.name),
            question=f"{label}: how fast did control come, and how long did it stay at "
            f"{target:g} % or more?",
            columns=tuple(columns),
            rows=tuple(body),
            notes=(
                "Days between assessments are read off straight lines. Where control held to "
                "the last assessment, the true end lies later.",
            ),
            sheet=f"Persistence {label}",
        )


def _yes_no(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return "yes" if bool(value) else "no"


def pest_days(context: Context) -> Iterator[Block]:
    """Tables of the area under the curve, one a variable."""
    for variable in context.of_role(VariableRole.PEST, VariableRole.DAMAGE):
        plots = context.rows("pest_days", variable.name)
        if plots.empty or context.rows("means", variable.name, "pest_days").empty:
            continue
        label = context.variable_label(variable.name)
        words = "Pest-days" if variable.role is VariableRole.PEST else "Area under the curve"
        table = single_means(
            context,
            variable.name,
            "pest_days",
            f"{label}: {words.lower()} of each treatment, over {_span_text(plots)}",
            f"{words} {label}",
        )
        if table is not None:
            yield Table(
                key=table.key,
                question=table.question,
                columns=table.columns,
                rows=table.rows,
                notes=(*table.notes, *_area_notes(plots)),
                sheet=table.sheet,
            )


def _span_text(plots: pd.DataFrame) -> str:
    longest = plots["days"].max()
    return f"{write_day(longest)} days" if math.isfinite(longest) else "the days assessed"


def _area_notes(plots: pd.DataFrame) -> list[str]:
    notes = [
        "The area under the straight lines from one assessment to the next: the level times "
        "the days it lasted."
    ]
    bridged = int((plots["bridged"] > 0).sum())
    if bridged:
        have = "plot has" if bridged == 1 else "plots have"
        notes.append(f"{bridged} {have} a missing assessment that was bridged by a straight line.")
    short = int((plots["days"] < plots["days"].max()).sum())
    if short:
        span = "plot spans" if short == 1 else "plots span"
        notes.append(
            f"{short} {span} fewer days because a first or last assessment is missing; there the "
            "value per day was brought to the whole span."
        )
    return notes
