"""One table of a series for a short report: control by span of days, and yield."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.series.context import SeriesContext, only, span_of
from trialkit.report.series.control import by_window
from trialkit.trial import VariableRole


def one_table(context: SeriesContext) -> Iterator[Block]:
    """Compose the table of the first pest, or of the damage, with the first yield beside it.

    Of yields alone where neither was compared with an untreated.
    """
    target = next(iter(context.tables.targets), None)
    harvest = next(
        (item for item in context.tables.measured if item.role is VariableRole.YIELD), None
    )
    base = None if target is None else by_window(context, target)
    names = context.tables.treated if base is not None else list(context.tables.labels)
    columns = [Column(title="Treatment")] if base is None else list(base.columns)
    rows: list[list[Cell]] = [[context.label(name)] for name in names]
    if base is not None:
        rows = [list(row) for row in base.rows]
    notes = list(base.notes) if base else []
    untreated = context.tables.untreated
    if harvest is not None and untreated is not None and base is not None:
        names = [*names, untreated]
        rows.append([context.label(untreated), *[""] * (len(columns) - 1)])
    if harvest is not None:
        columns += [
            Column(
                title=context.variable_label(harvest.name),
                kind=Kind.NUMBER,
                digits=context.digits(harvest.name),
            ),
            Column(title="Letters", kind=Kind.LETTERS),
            Column(title="Interval", kind=Kind.SPAN),
        ]
        for name, row in zip(names, rows, strict=True):
            row += _mean(context, harvest.name, name)
        notes.append("Intervals are " + context.level + " confidence intervals.")
    if len(columns) < 2:
        return
    title = base.question if base is not None else "Means over all trials"
    yield Table(
        key="one-table",
        question=f"{title}, and yield" if base is not None and harvest is not None else title,
        columns=tuple(columns),
        rows=tuple(tuple(row) for row in rows),
        notes=tuple(notes),
        sheet="Table",
    )


def _mean(context: SeriesContext, variable: str, treatment: str) -> list[Cell]:
    row = only(context.tables.means(variable), treatment=treatment)
    if row is None:
        return [None, "", ""]
    digits = context.digits(variable)
    return [
        number_or_missing(row["mean"], row["note"]),
        row["letters"] or "",
        span_of(row["lower"], row["upper"], digits),
    ]
