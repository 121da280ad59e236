"""Tables of means: treatments down, days across, letters beside."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit.figures.marks import DIFFERS, marks
from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.numerals import p_value
from trialkit.plain_text import capital
from trialkit.report.captions import Spot, caption, plots_words, range_caption, shown_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import write_number, write_p, write_share
from trialkit.rows import Rows
from trialkit.trial import Comparison, Variable, VariableRole
from trialkit.words import COMPARISONS, SCALES

#: Largest over smallest standard error of pairs that count as equal.
_EVEN = 1.01


def day_column(context: Context, day: float, digits: int | None = None) -> Column:
    """Head a column with its day."""
    return Column(
        title=f"Day {write_day(day)}",
        kind=Kind.NUMBER,
        digits=digits,
        under=context.since_latest(day),
    )


def marks_note(context: Context, variable: str, measure: str, *, across: bool) -> tuple[str, ...]:
    """Say what the letters beside the means stand for, and on which scale they were tested."""
    responses = context.rows("responses", variable, measure)
    settings = context.trial.settings
    if not responses or settings.comparison is Comparison.NONE:
        return ()
    scale = str(responses["transform"][0])
    on = "" if scale == "none" else f", tested on the {SCALES.get(scale, scale)} scale"
    level = write_share(settings.alpha)
    within = "of a day " if across else ""
    if settings.comparison is Comparison.DUNNETT:
        return (f"{DIFFERS} differs from the untreated (Dunnett's procedure, {level}{on}).",)
    method = COMPARISONS.get(settings.comparison.value, settings.comparison.value)
    return (
        f"Means {within}followed by the same letter do not differ significantly "
        f"({method}, {level}{on}).",
    )


def _response_notes(context: Context, variable: str, measure: str) -> tuple[str, ...]:
    rows = context.rows("responses", variable, measure)
    notes = []
    if len(set(rows["note"])) == 1:
        return distinct_notes(rows)
    for day, text in zip(rows["days_after"], rows["note"], strict=True):
        if isinstance(text, str) and text:
            where = "" if math.isnan(day) else f"Day {write_day(day)}: "
            notes.append(f"{where}{text if where else capital(text)}.")
    return tuple(notes)


def distinct_notes(rows: Rows) -> tuple[str, ...]:
    """Each note once, as a sentence."""
    texts = dict.fromkeys(text for text in rows["note"] if isinstance(text, str) and text)
    return tuple(f"{capital(text)}." for text in texts)


def means_by_day(context: Context, variable: Variable) -> Table | None:
    """Means of one variable as counted, one column a day."""
    rows = context.rows("means", variable.name, "count")
    if not rows:
        return None
    digits = context.digits(variable.name, "count")
    days = sorted(set(rows["days_after"]))
    found = {(row["days_after"], row["treatment"]): row for row in rows.records()}
    beside = marks(context.analysis, rows)
    lettered = {day for day, _ in beside}
    back = scale_of(context, variable.name) != "none" and rows.knows("back_transformed")
    columns = [Column(title="Treatment")]
    for day in days:
        columns.append(day_column(context, day, digits))
        title = columns[-1].title
        if day in lettered:
            columns.append(Column(title=f"{title}, letters", kind=Kind.LETTERS))
        if back:
            columns.append(
                Column(title=f"{title}, back-transformed", kind=Kind.SPAN, digits=digits)
            )
    body: list[tuple[Cell, ...]] = []
    for treatment in context.shown_treatments(rows):
        cells: list[Cell] = [context.label(treatment)]
        for day in days:
            row = found.get((day, treatment), {})
            cells.append(number_or_missing(row.get("mean_shown"), "no plot was assessed"))
            if day in lettered:
                cells.append(beside.get((day, treatment), ""))
            if back:
                cells.append(number_or_missing(row.get("back_transformed")))
        body.append(tuple(cells))
    feet, foot_notes = _feet(context, variable.name, columns)
    body += feet
    label = context.variable_label(variable.name)
    notes = marks_note(context, variable.name, "count", across=len(days) > 1) if beside else ()
    return Table(
        key=context.key("means", variable.name),
        question=means_caption(context, variable),
        about=caption("means_how", label=label, plots=plots_words(rows["n"])),
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            *notes,
            *foot_notes,
            *distinct_notes(rows),
            *_response_notes(context, variable.name, "count"),
        ),
        sheet=f"Means {label}",
    )


def means_caption(context: Context, variable: Variable) -> str:
    """State what page 1 holds as shown of a variable, else the range of its means."""
    enemy = variable.role is VariableRole.NATURAL_ENEMY  # told by the table of reductions
    found = None if enemy else shown_caption(context, variable)
    if found is None:
        rows = context.rows("means", variable.name, "count")
        found = range_caption(
            context, "range", mean_places(context, variable.name, rows), noun=noun(variable)
        )
    return found or caption("by_treatment", label=context.variable_label(variable.name))


def mean_places(context: Context, variable: str, rows: Rows, measure: str = "count") -> list[Spot]:
    """Where the means of some rows stand, for a caption."""
    digits = context.digits(variable, measure)
    return [
        Spot(mean, treatment, day, digits)
        for mean, treatment, day in zip(
            rows["mean_shown"], rows["treatment"], rows["days_after"], strict=True
        )
    ]


def scale_of(context: Context, variable: str, measure: str = "count") -> str:
    """On which scale a variable was tested."""
    rows = context.rows("responses", variable, measure)
    return str(rows["transform"][0]) if rows else "none"


def feet_of(context: Context, variable: str, measure: str) -> dict[str, dict[float, str]]:
    """What stands below the means, by its head and the day: p, standard error, difference."""
    found = {
        row["days_after"]: row for row in context.rows("responses", variable, measure).records()
    }
    wanted = (
        ("p, treatments", {day: row["p"] for day, row in found.items()}, write_p),
        ("Standard error of a mean", _standard_errors(context, variable, measure), write_number),
        (
            "Significant difference",
            {day: row["significant_difference"] for day, row in found.items()},
            write_number,
        ),
    )
    return {
        head: {day: write(value) for day, value in values.items() if math.isfinite(value)}
        for head, values, write in wanted
    }


def _feet(
    context: Context, variable: str, columns: list[Column]
) -> tuple[list[tuple[Cell, ...]], tuple[str, ...]]:
    """Rows below the means of each day, and a note on their scale."""
    feet: list[tuple[Cell, ...]] = []
    heads = feet_of(context, variable, "count")
    for head, values in heads.items():
        known = {f"Day {write_day(day)}": text for day, text in values.items()}
        if known:
            feet.append((head, *(known.get(column.title, "") for column in columns[1:])))
    scale = scale_of(context, variable)
    uneven = uneven_pairs(context, variable, "count") if "Significant difference" in heads else ()
    if scale == "none" or not feet:
        return feet, tuple(uneven) if feet else ()
    on = SCALES.get(scale, scale)
    return feet, (
        *uneven,
        f"In brackets: means back-transformed from the {on} scale, on which standard errors and "
        "significant differences are.",
    )


def _standard_errors(context: Context, variable: str, measure: str) -> dict[float, float]:
    """Standard error of a mean on each day, on average over the treatments."""
    by_day: dict[float, list[float]] = {}
    rows = context.rows("means", variable, measure)
    for day, error in zip(rows["days_after"], rows["se"], strict=True):
        if error > 0.0:
            by_day.setdefault(day, []).append(error)
    return {day: math.sqrt(sum(e * e for e in es) / len(es)) for day, es in by_day.items()}


def precision_note(context: Context, variable: str, measure: str) -> Iterator[str]:
    """P of the treatments, standard error of a mean and significant difference, in a line."""
    rows = context.rows("responses", variable, measure)
    if not rows:
        return
    parts = []
    p, least = float(rows["p"][0]), float(rows["significant_difference"][0])
    errors = [e for e in context.rows("means", variable, measure)["se"] if e > 0.0]
    if math.isfinite(p):
        parts.append(f"treatments {p_value(p)}")
    if errors:
        span = dict.fromkeys(write_number(error) for error in (min(errors), max(errors)))
        parts.append(f"standard error of a mean {' to '.join(span)}")
    if math.isfinite(least):
        parts.append(f"significant difference {write_number(least)}")
    scale = scale_of(context, variable, measure)
    if parts:
        on = "" if scale == "none" else f" ({SCALES.get(scale, scale)} scale)"
        text = "; ".join(parts)
        yield f"{capital(text)}{on}."
    if math.isfinite(least):
        yield from uneven_pairs(context, variable, measure)


def uneven_pairs(context: Context, variable: str, measure: str) -> Iterator[str]:
    """Say that one significant difference stands for pairs of unequal standard errors."""
    errors: dict[float, list[float]] = {}
    rows = context.rows("comparisons", variable, measure)
    for day, error in zip(rows["days_after"], rows["se"], strict=True) if rows else ():
        if error > 0.0:
            errors.setdefault(day, []).append(error)
    if any(max(found) > _EVEN * min(found) for found in errors.values()):
        yield (
            "A significant difference is the average over pairs. Some pairs need more and some "
            "less; letters and marks come from each pair's own."
        )


def single_means(
    context: Context, variable: Variable, measure: str, question: str, sheet: str
) -> Table | None:
    """Means of a response that has no days: plots, mean with letters, and its interval."""
    name = variable.name
    rows = context.rows("means", name, measure)
    if not rows:
        return None
    digits = context.digits(name, measure)
    beside = marks(context.analysis, rows)
    level = write_share(1 - context.trial.settings.alpha)
    columns = [
        Column(title="Treatment"),
        Column(title="Plots", kind=Kind.NUMBER, digits=0),
        Column(title="Mean", kind=Kind.NUMBER, digits=digits),
        *([Column(title="Letters", kind=Kind.LETTERS)] if beside else []),
        Column(title=f"{level} interval from", kind=Kind.NUMBER, digits=digits),
        Column(title="to", kind=Kind.NUMBER, digits=digits),
    ]
    body: list[tuple[Cell, ...]] = []
    by_treatment = {row["treatment"]: row for row in rows.records()}
    for treatment in context.shown_treatments(rows):
        row = by_treatment[treatment]
        body.append(
            (
                context.label(treatment),
                number_or_missing(row["n"]),
                number_or_missing(row["mean_shown"], "no plot was assessed"),
                *([beside.get((0.0, treatment), "")] if beside else []),
                number_or_missing(row["lower"]),
                number_or_missing(row["upper"]),
            )
        )
    return Table(
        key=context.key(measure.replace("_", "-"), name),
        question=question,
        about=caption("single_how", label=context.variable_label(name), level=level),
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            *(marks_note(context, name, measure, across=False) if beside else ()),
            *precision_note(context, name, measure),
            *distinct_notes(rows),
            *_response_notes(context, name, measure),
        ),
        sheet=sheet,
    )


def _means_of(context: Context, *roles: VariableRole) -> Iterator[Block]:
    for variable in context.of_role(*roles):
        table = means_by_day(context, variable)
        if table is not None:
            yield table


def pest_means(context: Context) -> Iterator[Block]:
    """Tables of means of the pests, one column a day."""
    yield from _means_of(context, VariableRole.PEST)


def crop_means(context: Context) -> Iterator[Block]:
    """Tables of means of what was assessed on the crop, where no percent control tells of it."""
    yield from _means_of(context, VariableRole.CROP_INJURY)
    yield from _means_of(context, VariableRole.CROP)
    for variable in context.of_role(VariableRole.DAMAGE):
        if not context.rows("control", variable.name):
            table = means_by_day(context, variable)
            if table is not None:
                yield table


def damage_means(context: Context) -> Iterator[Block]:
    """Tables of means of damage that has percent control too."""
    for variable in context.of_role(VariableRole.DAMAGE):
        table = means_by_day(context, variable)
        if table is not None and context.rows("control", variable.name):
            yield table


def enemy_means(context: Context) -> Iterator[Block]:
    """Tables of means of natural enemies, one column a day."""
    yield from _means_of(context, VariableRole.NATURAL_ENEMY)
