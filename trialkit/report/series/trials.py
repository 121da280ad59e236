"""The trials of a series: what each is, what differs between them, what was taken as the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.plain_text import capital, joined
from trialkit.report.captions import caption
from trialkit.report.document import Block, Cell, Column, Kind, Paragraph, Table, number_or_missing
from trialkit.report.numbers import decimals_as_entered, decimals_for_size
from trialkit.report.series.context import (
    EN_DASH,
    MOST_ACROSS,
    MOST_PRINTED,
    SeriesContext,
    evenly,
)
from trialkit.rows import defined
from trialkit.trial import Design
from trialkit.words import DESIGNS, TREATMENT_ROLES

#: Most circumstances of a trial that the table of trials has a column for.
MOST_COVARIATES = 4
#: Most trials without a treatment that are named.
MOST_LACKING = 4


def trials_table(context: SeriesContext) -> Iterator[Block]:
    """List the trials, a line each."""
    rows = context.tables["series_trials"].records()
    about = {item.key: item.covariates for item in context.series.trials}
    names = list(dict.fromkeys(name for own in about.values() for name in own))
    different = [name for name in names if len({own.get(name) for own in about.values()}) > 1]
    shown = different[:MOST_COVARIATES]
    if len(rows) > MOST_PRINTED:
        yield Paragraph(f"All {len(rows):,} trials are listed in the workbook.")
        return
    notes = [f"{context.trial(row['trial'])}: {row['note']}" for row in rows if row["note"]]
    if len(different) > len(shown):
        notes.append(f"Further circumstances: {'; '.join(different[MOST_COVARIATES:])}.")
    yield Table(
        key="trials",
        question=caption("series_trials", trials=context.count),
        about="The trials, and what differs between them.",
        columns=(
            Column(title="Trial"),
            Column(title="Design"),
            Column(title="Assessed", under="number and days"),
            *(
                Column(
                    title=capital(name).partition(",")[0],
                    under=name.partition(",")[2].strip(),
                    kind=Kind.NUMBER,
                    digits=_decimals([own.get(name) for own in about.values()]),
                )
                for name in shown
            ),
        ),
        rows=tuple(
            (
                context.trial(row["trial"]),
                _design(row["design"], row["blocks"], row["treatments"]),
                _days(row["assessments"], row["first_day"], row["last_day"]),
                *(_covariate(about[row["trial"]].get(name)) for name in shown),
            )
            for row in rows
        ),
        notes=tuple(map(plain_line, notes)),
        sheet="Trials",
    )


def _decimals(values: Iterable[float | None]) -> int:
    """Decimals of a circumstance: as it was entered, and no more than its size is worth."""
    known = [value for value in values if value is not None]
    return min(decimals_as_entered(known), decimals_for_size(known))


def _covariate(value: float | None) -> Cell:
    return number_or_missing(value, "not known")


def _design(design: str, blocks: float, treatments: float) -> str:
    words = DESIGNS.get(design, design)
    if design != Design.LATIN and defined(blocks):
        words += f", {plural(f'{blocks:g}', 'block')}"
    return f"{words}, {plural(f'{treatments:g}', 'treatment')}" if defined(treatments) else words


def _days(number: float, first: float, last: float) -> str:
    if not defined(number):
        return ""
    if not (defined(first) and defined(last)):
        return f"{number:g}"
    between = EN_DASH if first >= 0 else " to "
    return f"{number:g}: day {write_day(first)}{between}{write_day(last)}"


def treatments_table(context: SeriesContext) -> Iterator[Block]:
    """List the treatments, and in which trials each stands."""
    tables = context.tables
    present: dict[str, set[str]] = {name: set() for name in tables.labels}
    for table in ("trial_control", "series_matches"):
        rows = tables[table]
        if table == "series_matches" and rows:
            rows = rows.where(kind="treatment")
        column = "treatment" if table == "trial_control" else "taken_as"
        for name, trial in zip(rows.get(column), rows.get("trial"), strict=True):
            if name in present:
                present[name].add(trial)
    every = [item.key for item in context.series.trials]
    facts = {name: tables.facts(name) for name in tables.labels}
    rates = any(item.rate is not None for item in facts.values())
    groups = any(item.groups for item in facts.values())

    def line(name: str) -> Iterator[Cell]:
        item = facts[name]
        yield context.label(name)
        role = "reference" if name == context.settings.reference else item.role
        yield "untreated" if name == tables.untreated else plain_role(role)
        if rates:
            rate = f"{item.rate:g} {item.rate_unit}".strip() if item.rate is not None else ""
            yield plain_line(rate)
        if groups:
            yield plain_line("; ".join(dict.fromkeys(item.groups)))
        lacking = [context.trial(key) for key in every if key not in present[name]]
        untold = name == tables.untreated or not lacking
        few = len(lacking) <= MOST_LACKING
        number = f"{len(every) - len(lacking)}"
        yield "all" if untold else f"{number}: not {joined(lacking)}" if few else number

    optional = [*(["Rate"] if rates else []), *(["Mode of action"] if groups else [])]
    yield Table(
        key="treatments",
        question=caption(
            "series_tried",
            number=len(tables.labels),
            all=sum(len(found) == len(every) for found in present.values()),
        ),
        about="Treatments, and the trials that have them.",
        columns=tuple(Column(title=title) for title in ("Treatment", "Role", *optional, "Trials")),
        rows=tuple(tuple(line(name)) for name in tables.labels),
        sheet="Treatments",
    )


def plain_role(role: str) -> str:
    """The word of a role without its explanation."""
    return TREATMENT_ROLES.get(role, role).partition(" (")[0]


def how_to_read(context: SeriesContext) -> Iterator[Block]:
    """Say the conventions of all tables once."""
    yield Paragraph(
        f"How to read the tables: numbers in small type are {context.level} confidence intervals, "
        "each on its own unless a note says otherwise. Days count from the first application of "
        "each trial. A dash stands where there is no value."
    )


def matches(context: SeriesContext) -> Iterator[Block]:
    """What each trial calls a treatment or variable, and which day stands for a span of days."""
    rows = [row for row in context.tables["series_matches"].records() if defined(row["taken_as"])]
    trials = [item.key for item in context.series.trials]
    if len(trials) > MOST_PRINTED:
        return
    kinds = (
        ("treatment", "What each trial calls a treatment", "Treatment"),
        ("variable", "What each trial calls a variable", "Variable"),
        ("days", "The day of each trial that represents a span of days", "Days"),
    )
    for kind, question, head in kinds:
        own = [row for row in rows if row["kind"] == kind]
        lines: dict[str, dict[str, str]] = {}
        for row in own:
            found, taken = plain_line(row["found"]), plain_line(row["taken_as"])
            if kind == "days":
                what, _, day = found.rpartition(", ")
                days = f"days {taken.replace('-', EN_DASH)}"
                taken, found = f"{_called(context, what)}, {days}", day
            elif kind == "variable":
                taken = _called(context, taken)
            own_line = lines.setdefault(taken, {})
            before = own_line.get(row["trial"])
            own_line[row["trial"]] = found if before is None else f"{before}, {found}"
        if len(trials) > 1 and lines:
            yield from _side_by_side(context, (kind, question, head), lines, trials)


def _called(context: SeriesContext, variable: str) -> str:
    """Words for a variable of the series; a name that is none stays as it is."""
    known = context.tables.variables.get(variable)
    return context.short_label(known) if known else variable


def _side_by_side(
    context: SeriesContext,
    about: tuple[str, str, str],
    lines: dict[str, dict[str, str]],
    trials: list[str],
) -> Iterator[Table]:
    kind, question, head = about
    for place, group in enumerate(evenly(trials, MOST_ACROSS - 1)):
        yield Table(
            key=f"matches-{kind}" + f"-{place + 1}" * bool(place),
            question=f"{question}, further trials" if place else question,
            columns=(Column(title=head), *(Column(title=context.trial(key)) for key in group)),
            rows=tuple(
                (context.label(name), *(own.get(key, "\N{EM DASH}") for key in group))
                for name, own in lines.items()
            ),
            sheet=f"Matches, {kind}",
            compact=True,
        )


#: How a line of what took no part begins, by its kind.
_OF = {"treatment": "treatment ", "variable": "variable "}


def unmatched(context: SeriesContext) -> list[str]:
    """Say what found no match, alike things of several trials together.

    Counts before the first application are in no span of days, and are not told; trials that
    took no part are told with their reasons.
    """
    alike: dict[tuple[str, str, str], list[str]] = {}
    for row in context.tables["series_matches"].records():
        told = row["kind"] == "trial" or "before the first application" in row["how"]
        if not defined(row["taken_as"]) and not told:
            found = row["found"]
            if row["kind"] == "days":
                what, _, day = found.rpartition(", ")
                found = f"{_called(context, what)}, {day}"
            key = (row["kind"], found, row["how"])
            alike.setdefault(key, []).append(context.trial(row["trial"]))
    return [
        capital(plain_line(f"{_OF.get(kind, '')}{found} took no part ({how}): {joined(trials)}."))
        for (kind, found, how), trials in alike.items()
    ]
