"""Tables of means: treatments down, days across, letters beside."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit.figures.marks import DIFFERS, marks
from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import write_number, write_p, write_share
from trialkit.rows import Rows
from trialkit.trial import Comparison, Variable, VariableRole
from trialkit.words import COMPARISONS, SCALE_FORMULAS, SCALES


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
        return _distinct_notes(rows)
    for day, text in zip(rows["days_after"], rows["note"], strict=True):
        if isinstance(text, str) and text:
            where = "" if math.isnan(day) else f"Day {write_day(day)}: "
            notes.append(f"{where}{text[0].upper() if not where else text[0]}{text[1:]}.")
    return tuple(notes)


def _distinct_notes(rows: Rows) -> tuple[str, ...]:
    """Each note once, as a sentence."""
    texts = dict.fromkeys(text for text in rows["note"] if isinstance(text, str) and text)
    return tuple(f"{text[0].upper()}{text[1:]}." for text in texts)


def means_by_day(context: Context, variable: Variable) -> Table | None:
    """Means of one variable as counted, one column a day."""
    rows = context.rows("means", variable.name, "count")
    if not rows:
        return None
    digits = context.digits(variable.name, "count")
    days = sorted(set(rows["days_after"]))
    found = {
        (day, treatment): mean
        for day, treatment, mean in zip(
            rows["days_after"], rows["treatment"], rows["mean_shown"], strict=True
        )
    }
    beside = marks(context.analysis, rows)
    columns = [Column(title="Treatment")]
    lettered = {day for day, _ in beside}
    for day in days:
        columns.append(day_column(context, day, digits))
        if day in lettered:
            columns.append(Column(title=f"Day {write_day(day)}, letters", kind=Kind.LETTERS))
    body: list[tuple[Cell, ...]] = []
    for treatment in context.shown_treatments(rows):
        cells: list[Cell] = [context.label(treatment)]
        for day in days:
            cells.append(number_or_missing(found.get((day, treatment)), "no plot was assessed"))
            if day in lettered:
                cells.append(beside.get((day, treatment), ""))
        body.append(tuple(cells))
    feet, foot_notes = _feet(context, variable.name, days, lettered)
    body += feet
    label = context.variable_label(variable.name)
    notes = marks_note(context, variable.name, "count", across=len(days) > 1) if beside else ()
    return Table(
        key=context.key("means", variable.name),
        question=f"{label}: treatment means by assessment",
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            *notes,
            *foot_notes,
            *_distinct_notes(rows),
            *_response_notes(context, variable.name, "count"),
        ),
        sheet=f"Means {label}",
    )


def _feet(
    context: Context, variable: str, days: list[float], lettered: set[float]
) -> tuple[list[tuple[Cell, ...]], tuple[str, ...]]:
    """Rows below the means of each day, and a note: p, significant difference, standard error."""
    rows = context.rows("responses", variable, "count")
    found = {row["days_after"]: row for row in rows.records()}
    errors = _standard_errors(context, variable)
    wanted = (
        ("p, treatments", {day: row["p"] for day, row in found.items()}, write_p),
        (
            "Significant difference",
            {day: row["significant_difference"] for day, row in found.items()},
            write_number,
        ),
    )
    feet: list[tuple[Cell, ...]] = []
    for head, values, write in wanted:
        known = {day: value for day, value in values.items() if math.isfinite(value)}
        if not known:
            continue
        cells: list[Cell] = [head]
        for day in days:
            cells.append(write(known[day]) if day in known else "")
            if day in lettered:
                cells.append("")
        feet.append(tuple(cells))
    scale = str(rows["transform"][0]) if rows else "none"
    on = "as counted" if scale == "none" else f"on the {SCALES.get(scale, scale)} scale"
    if not errors or len(feet) < 2:
        return feet, ()
    span = sorted({write_number(min(errors.values())), write_number(max(errors.values()))})
    said = f"Standard error of a mean: {' to '.join(span)}; it and significant differences {on}."
    return feet, (said,)


def _standard_errors(context: Context, variable: str) -> dict[float, float]:
    """Standard error of a mean on each day, on average over the treatments."""
    by_day: dict[float, list[float]] = {}
    rows = context.rows("means", variable, "count")
    for day, error in zip(rows["days_after"], rows["se"], strict=True):
        if math.isfinite(error):
            by_day.setdefault(day, []).append(error)
    return {day: math.sqrt(sum(e * e for e in es) / len(es)) for day, es in by_day.items()}


def single_means(
    context: Context, variable: str, measure: str, question: str, sheet: str
) -> Table | None:
    """Means of a response that has no days: plots, mean with letters, and its interval."""
    rows = context.rows("means", variable, measure)
    if not rows:
        return None
    digits = context.digits(variable, measure)
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
        key=context.key(measure.replace("_", "-"), variable),
        question=question,
        columns=tuple(columns),
        rows=tuple(body),
        notes=(
            *(marks_note(context, variable, measure, across=False) if beside else ()),
            *_distinct_notes(rows),
            *_response_notes(context, variable, measure),
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


def fits(context: Context) -> Iterator[Block]:
    """One row a response: what the analysis of variance says of it."""
    rows = context.table("responses", "variable", "F", "p")
    if not rows:
        return
    body: list[tuple[Cell, ...]] = []
    for row in rows.records():
        day = float(row["days_after"])
        reason = row["note"]
        body.append(
            (
                context.response(row["variable"], row["measure"], day),
                SCALES.get(row["transform"], str(row["transform"])),
                number_or_missing(row["n_plots"]),
                number_or_missing(row["n_missing"]),
                number_or_missing(row["df_treatment"], reason),
                number_or_missing(row["df_error"], reason),
                number_or_missing(row["F"], reason),
                number_or_missing(row["p"], reason),
                number_or_missing(row["cv_percent"], "the mean is not above 0"),
            )
        )
    yield Table(
        key="fits",
        question="Analysis of variance of each response",
        columns=(
            Column(title="Response"),
            Column(title="Scale of analysis"),
            Column(title="Plots used", kind=Kind.NUMBER, digits=0),
            Column(title="Plots missing", kind=Kind.NUMBER, digits=0),
            Column(title="df, treatments", kind=Kind.NUMBER, digits=0),
            Column(title="df, error", kind=Kind.NUMBER, digits=_df_digits(rows)),
            Column(title="F for treatments", kind=Kind.NUMBER, digits=2),
            Column(title="p-value", kind=Kind.P_VALUE),
            Column(title="Coefficient of variation, %", kind=Kind.NUMBER, digits=1),
        ),
        rows=tuple(body),
        notes=(
            *(
                f"{SCALES[name].capitalize()}: {formula}."
                for name, formula in SCALE_FORMULAS.items()
                if name in set(rows["transform"])
            ),
            *(_distinct_notes(rows) if len(rows.known("F")) == len(rows) else ()),
            "df: degrees of freedom. The coefficient of variation is on the scale of analysis.",
        ),
        sheet="Analysis of variance",
        compact=True,
    )


def _df_digits(rows: Rows) -> int:
    """One decimal where degrees of freedom are not whole, as in designs with several errors."""
    return 0 if all(float(df).is_integer() for df in rows.numbers("df_error")) else 1
