"""Beside the main questions: what goes with differences, seasons, each trial left out, checks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.plain_text import capital, joined
from trialkit.report.captions import caption
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    Kind,
    Missing,
    Notes,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import decimals_for_error, percent_column, write_number
from trialkit.report.series.captions import ranged
from trialkit.report.series.context import (
    EN_DASH,
    MOST_ACROSS,
    SeriesContext,
    evenly,
    only,
    span_of,
)
from trialkit.report.series.front import FEW_TRIALS
from trialkit.rows import Rows, defined
from trialkit.series.matched import SeriesVariable
from trialkit.series.rows import Asked

Row = dict[str, Any]


def _targets(context: SeriesContext) -> Iterator[tuple[SeriesVariable, Asked]]:
    for variable in context.tables.targets:
        main = context.tables.main(variable.name)
        if main is not None:
            yield variable, main


def covariates(context: SeriesContext) -> Iterator[Block]:
    """What went with the differences between trials, one covariate at a time."""
    told = False
    for variable, main in _targets(context):
        rows = context.tables["series_covariates"].where(**main.where)
        rows = rows.known("slope") if rows else rows
        names = list(dict.fromkeys(rows["covariate"]))
        if not names:
            continue
        if not told:
            yield Paragraph(
                "Exploratory: with so few trials, many conditions coincide by chance. Each "
                "was examined alone, and no interval allows for their number."
            )
            told = True
        for place, group in enumerate(evenly(names, MOST_ACROSS)):
            yield _covariates(context, (variable, main), group, place)


def _covariates(
    context: SeriesContext, of: tuple[SeriesVariable, Asked], names: tuple[str, ...], place: int
) -> Table:
    variable, main = of
    rows = context.tables["series_covariates"].where(**main.where)
    columns = [Column(title="Treatment")]
    digits = {}
    for name in names:
        own = rows.where(covariate=name).records()
        errors = [(row["upper"] - row["lower"]) / 4.0 for row in own]
        digits[name] = decimals_for_error(errors, [row["slope"] for row in own])
        words, _, unit = plain_line(name).partition(",")
        title = capital(words)
        columns.append(
            Column(title=title, under=unit.strip(), kind=Kind.NUMBER, digits=digits[name])
        )
        columns.append(Column(title="Interval", kind=Kind.SPAN))

    def cells(treatment: str, name: str) -> tuple[Cell, Cell]:
        row = only(rows, treatment=treatment, covariate=name)
        if row is None or not defined(row["slope"]):
            return Missing("in too few trials"), ""
        return float(row["slope"]), span_of(row["lower"], row["upper"], digits[name])

    what = (
        f"Control of {context.short_label(variable).lower()} against conditions of the "
        "trials: change of what is left, %, for one more"
    )
    present = set(rows["treatment"])
    return Table(
        key=context.key("covariates", variable.name, place),
        question=f"{what}, further circumstances" if place else what,
        columns=tuple(columns),
        rows=tuple(
            (context.label(name), *(cell for item in names for cell in cells(name, item)))
            for name in context.tables.treated
            if name in present
        ),
        notes=("Above zero: the treatment left more of the pest where there was more of it.",),
        sheet="Control and conditions",
    )


def seasons(context: SeriesContext) -> Iterator[Block]:
    """Control over the years, and programmes that repeat one group of action."""
    for variable, main in _targets(context):
        rows = [
            row
            for row in context.tables["series_seasons"].where(**main.where).records()
            if defined(row["change_a_year"])
        ]
        if rows:
            yield _over_years(context, variable, main, rows)
    yield from _repeated(context)


def _over_years(
    context: SeriesContext, variable: SeriesVariable, asked: Asked, rows: list[Row]
) -> Table:
    return Table(
        key=context.key("seasons", variable.name),
        question=ranged(
            "changes a year of what treatments left",
            [(float(row["change_a_year"]), context.label(row["treatment"])) for row in rows],
            "%",
        )
        or "Control from year to year",
        about=f"Control of {context.short_label(variable).lower()} from year to year, "
        f"{context.days(asked)}.",
        columns=(
            Column(title="Treatment"),
            Column(title="Years", kind=Kind.NUMBER, digits=0),
            Column(title="Trials", kind=Kind.NUMBER, digits=0),
            Column(title="Change of what is left, % a year", kind=Kind.NUMBER, digits=0),
            Column(title="Interval", kind=Kind.SPAN),
            Column(title="p-value", kind=Kind.P_VALUE),
        ),
        rows=tuple(
            (
                context.label(row["treatment"]),
                number_or_missing(row["years"]),
                number_or_missing(row["trials"]),
                number_or_missing(row["change_a_year"], row["note"]),
                span_of(row["lower"], row["upper"]),
                number_or_missing(row["p"], row["note"]),
            )
            for row in rows
        ),
        notes=(
            "Above zero: control fell. Years differ in weather and pressure too, so a fall "
            "is a reason for a bioassay, not proof of resistance.",
        ),
        sheet="Control over the years",
    )


def repeats(context: SeriesContext) -> list[tuple[str, str, list[str], list[str]]]:
    """Treatments of one group at one site in several seasons: label, site, seasons, groups."""
    found = []
    present = context.tables["trial_control"]
    where: dict[str, set[str]] = {}
    for name, trial in zip(present["treatment"], present["trial"], strict=True):
        where.setdefault(name, set()).add(trial)
    for name in context.tables.treated:
        groups = list(dict.fromkeys(context.tables.facts(name).groups))
        if len(groups) != 1:
            continue
        by_site: dict[str, set[str]] = {}
        for item in context.series.trials:
            if item.key in where.get(name, set()) and item.site and item.season:
                by_site.setdefault(item.site, set()).add(item.season)
        for site, years in by_site.items():
            if len(years) > 1:
                found.append((context.label(name), site, sorted(years), groups))
    return found


def _repeated(context: SeriesContext) -> Iterator[Block]:
    """Point out what was put out at one site year after year from one group of action."""
    by_site: dict[tuple[str, str], list[str]] = {}
    for name, site, years, groups in repeats(context):
        by_site.setdefault((plain_line(site), joined(years)), []).append(f"{name} ({groups[0]})")
    if by_site:
        yield Paragraph(
            "One mode-of-action group was used at one site in several seasons. In a programme, "
            "repeating a group from year to year favours resistance:"
        )
        yield Notes(
            tuple(f"{site}, {years}: {joined(names)}." for (site, years), names in by_site.items())
        )


def left_out(context: SeriesContext) -> Iterator[Block]:
    """What each trial adds or contradicts: control over the others when it is left out."""
    for variable, main in _targets(context):
        rows = context.tables["leave_one_out"].where(**main.where)
        trials = _weightiest(context, main, rows)
        if not trials:
            continue
        lines, shades = [], []
        for name in context.tables.treated:
            whole = only(context.tables["combined_control"], treatment=name, **main.where)
            own = [only(rows, treatment=name, left_out=trial) for trial in trials]
            if whole is None or not any(own):
                continue
            lines.append(
                (context.label(name), *_pair(whole), *(c for row in own for c in _pair(row)))
            )
            tints = ["", "", ""]
            for row in own:
                tints += ["harm-2" if row is not None and _apart(whole, row) else "", ""]
            shades.append(tuple(tints))
        if lines:
            yield _without(context, (variable, main), trials, (tuple(lines), tuple(shades)))


def _weightiest(context: SeriesContext, asked: Asked, rows: Rows) -> list[str]:
    """The trials without which control by any treatment would move most, in their order."""
    whole = {
        row["treatment"]: row["percent"]
        for row in context.tables["combined_control"].where(**asked.where).records()
    }
    moved: dict[str, float] = {}
    for row in rows.records():
        step = abs(row["percent"] - whole.get(row["treatment"], math.nan))
        if not math.isnan(step):
            moved[row["left_out"]] = max(step, moved.get(row["left_out"], 0.0))
    kept = set(sorted(moved, key=lambda trial: -moved[trial])[:MOST_ACROSS])
    return [trial for trial in context.tables.trials_of(asked) if trial in kept]


def _farthest(context: SeriesContext, asked: Asked) -> float:
    """How far control without a trial lies from that of all, at the most."""
    whole = context.tables["combined_control"].where(**asked.where)
    of_all = dict(zip(whole["treatment"], whole["percent"], strict=True))
    rows = context.tables["leave_one_out"].where(**asked.where)
    steps = [
        abs(value - of_all.get(name, math.nan))
        for name, value in zip(rows["treatment"], rows["percent"], strict=True)
    ]
    return max((step for step in steps if not math.isnan(step)), default=0.0)


def _pair(row: Row | None) -> tuple[Cell, Cell]:
    if row is None or not defined(row["percent"]):
        return Missing("not in this trial"), ""
    return float(row["percent"]), span_of(row["lower"], row["upper"])


def _apart(whole: Row, row: Row) -> bool:
    """Whether control without a trial lies outside the interval of all trials."""
    known = all(defined(whole[name]) for name in ("lower", "upper")) and defined(row["percent"])
    return bool(known) and not whole["lower"] <= row["percent"] <= whole["upper"]


def _without(
    context: SeriesContext,
    of: tuple[SeriesVariable, Asked],
    trials: list[str],
    body: tuple[tuple[tuple[Cell, ...], ...], tuple[tuple[str, ...], ...]],
) -> Table:
    variable, main = of
    notes = []
    if any(map(any, body[1])):
        notes.append(
            "Tinted where control without the trial lies outside the interval of all trials."
        )
    if len(context.tables.trials_of(main)) > len(trials):
        notes.append("The trials that move control most; the others are in the workbook.")
    return Table(
        key=context.key("left-out", variable.name),
        question=caption("series_moved", points=write_number(_farthest(context, main), 0)),
        about=f"Influence of each trial: control of {context.short_label(variable).lower()}, "
        f"{context.days(main)}, %, without it.",
        columns=(
            Column(title="Treatment"),
            percent_column("All trials", (row[1] for row in body[0])),
            Column(title="Interval", kind=Kind.SPAN),
            *(
                column
                for place, trial in enumerate(trials)
                for column in (
                    percent_column(
                        f"Without {context.trial(trial)}", (row[2 * place + 3] for row in body[0])
                    ),
                    Column(title="Interval", kind=Kind.SPAN),
                )
            ),
        ),
        rows=body[0],
        shades=body[1],
        notes=tuple(notes),
        sheet="Each trial left out",
    )


def _apart_words(context: SeriesContext, variable: SeriesVariable, asked: Asked) -> Iterator[str]:
    """How much trials differ beyond chance, and by which treatments."""
    rows = [
        row
        for row in context.tables["combined_control"].where(**asked.where).records()
        if defined(row["heterogeneity"])
    ]
    if not rows:
        return
    ends = sorted({f"{row['heterogeneity']:.0f}" for row in rows}, key=float)
    share = ends[0] if len(ends) == 1 else f"{ends[0]}{EN_DASH}{ends[-1]}"
    names = [
        context.label(row["treatment"])
        for row in rows
        if defined(row["p_heterogeneity"]) and row["p_heterogeneity"] < context.settings.alpha
    ]
    text = (
        f"Of the variance between trials in control of {context.short_label(variable).lower()}, "
        f"{share}% is beyond chance."
    )
    if names:
        text += (
            f" Taken one by one (Cochran's Q, {100 * context.settings.alpha:g}% each), control by "
            f"{joined(names)} differed from trial to trial."
        )
    yield text


def doubts(context: SeriesContext) -> Iterator[Block]:
    """What the number of trials can tell, and where the trials disagree."""
    number = len(context.series.trials)
    items = []
    if number == 1:
        items.append(
            "One trial says nothing about other sites: the numbers are its own, and no "
            "prediction is made."
        )
    elif number < FEW_TRIALS:
        items.append(
            f"With {number} trials the spread between sites is poorly known. Intervals over "
            "all trials and for the next site are wide, and may still be too narrow. "
            "Agreement between the trials says more than the width of an interval."
        )
    for variable, main in _targets(context):
        items += _apart_words(context, variable, main)
    for variable in context.tables.measured:
        own = context.tables["error_variances"].where(variable=variable.name).numbers("p")
        if own and own[0] < context.settings.alpha:
            items.append(
                f"{context.variable_label(variable.name)}: trials differ in precision (Bartlett's "
                "test); each keeps its own error variance."
            )
    if items:
        yield Notes(tuple(items))
