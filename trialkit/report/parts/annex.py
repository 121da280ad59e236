"""Long tables for the workbook: every number of the analysis, one row each."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from trialkit.analysis import schema
from trialkit.figures.identity import plain_line
from trialkit.numerals import UNDEFINED, Digits
from trialkit.report.context import COMPARISONS, CONTROL_METHODS, SCALES, Context
from trialkit.report.document import Column, Kind, Listing
from trialkit.rows import Rows
from trialkit.trial import EXAMINED, numbers_examined

_WORDS: Mapping[str, str] = {
    "count": "assessment",
    "pest_days": "area under the curve",
    "yield": "yield",
    "pest_days_above": "area above the threshold",
    "days_above": "days above the threshold",
}
#: Words for the entries of a column, by what these name.
_NAMED: Mapping[str, Mapping[str, str]] = {
    "measure": _WORDS,
    "method": {**CONTROL_METHODS, **COMPARISONS},
    "scale": SCALES,
}
#: The samples as they were read: columns of `Trial.counts`.
_SAMPLES = (
    schema.text("plot", "Plot", "The plot of the row.", "plot"),
    schema.VARIABLE,
    replace(schema.DAYS_AFTER, name="day"),
    schema.text("sample", "Sample", "Name of the sample."),
    schema.number("value", "Value", "of the variable", None, "As it was read."),
    schema.number(EXAMINED, "Of how many examined", "number", 0, "Of shares: n."),
)


def long_tables(context: Context) -> Iterator[Listing]:
    """Make a listing of every table of the analysis that has rows, and of the samples."""
    for table in schema.TABLES.values():
        rows = context.table(table.name, table.columns[0].name)
        if rows:
            yield _listing(context, table, rows)
    samples = _samples(context)
    if samples is not None:
        yield samples


def _listing(context: Context, table: schema.Table, rows: Rows) -> Listing:
    heads: list[Column] = []
    cells: list[Sequence[str | None]] = []
    for column in table.columns:
        made = _cells(context, rows, column) if column.name in rows else []
        # A column without a single entry asks a question that this trial does not raise.
        nothing = {UNDEFINED} if isinstance(made, Digits) else {None, ""}
        if not nothing.issuperset(made):
            heads.append(_head(column, made))
            cells.append(made)
    return Listing(
        key=f"all-{table.name.replace('_', '-')}",
        question=table.question,
        columns=tuple(heads),
        cells=tuple(cells),
        sheet=table.sheet,
    )


def _head(column: schema.Column, cells: Sequence[str | None]) -> Column:
    if column.kind != "number":
        return Column(title=column.heading)
    if column.unit == "probability":
        return Column(title=column.heading, kind=Kind.P_VALUE)
    digits = column.digits
    if digits is not None and all(text == UNDEFINED or text.isdecimal() for text in cells if text):
        digits = 0
    return Column(title=column.heading, kind=Kind.NUMBER, digits=digits)


def _cells(context: Context, rows: Rows, column: schema.Column) -> Sequence[str | None]:
    values = rows[column.name]
    if column.kind == "number" and set(map(type, values)) == {float}:  # as nearly all are
        return rows.digits(column.name)
    if column.kind == "number":
        return Digits.of(
            float(value) if isinstance(value, int | float) else math.nan for value in values
        )
    words: Mapping[str, str] = {}
    if column.unit == "variable":
        words = {value: context.variable_label(str(value)) for value in set(values)}
    elif column.unit == "treatment":
        words = {value: context.label(str(value)) for value in set(values)}
    elif column.unit in _NAMED:
        words = _NAMED[column.unit]
    # Most texts stand in many rows.
    shown = {value: _text(value, words) for value in set(values)}
    return [shown[value] for value in values]


def _text(value: object, words: Mapping[str, str]) -> str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return words.get(value, plain_line(value)) if isinstance(value, str) else None


def _samples(context: Context) -> Listing | None:
    counts = context.trial.counts
    if counts.empty or counts["sample"].isna().all():
        return None
    numbers = numbers_examined(counts)
    rows = Rows.of(counts.assign(**{EXAMINED: numbers}))
    columns = _SAMPLES if numbers.notna().any() else _SAMPLES[:-1]
    cells = tuple(_cells(context, rows, column) for column in columns)
    return Listing(
        key="all-read-samples",
        question="Every sample as it was read",
        columns=tuple(_head(*each) for each in zip(columns, cells, strict=True)),
        cells=cells,
        sheet="Samples",
    )
