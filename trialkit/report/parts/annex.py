"""Long tables for the workbook: every number of the analysis, one row each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from trialkit.figures.identity import plain_line
from trialkit.numerals import UNDEFINED, Digits
from trialkit.report.context import COMPARISONS, CONTROL_METHODS, SCALES, Context
from trialkit.report.document import Column, Kind, Listing
from trialkit.rows import Rows
from trialkit.trial import EXAMINED, numbers_examined

_TEXT, _NUMBER, _P = Kind.TEXT, Kind.NUMBER, Kind.P_VALUE


@dataclass(frozen=True, slots=True)
class LongTable:
    """A tidy table of the analysis, and how its columns are headed.

    ``columns`` are (column of the table, heading, kind, decimals shown).
    """

    name: str
    sheet: str
    question: str
    columns: tuple[tuple[str, str, Kind, int | None], ...]


RESPONSE = (
    ("variable", "Variable", _TEXT, None),
    ("measure", "Measure", _TEXT, None),
    ("days_after", "Days after application", _NUMBER, None),
)
INTERVAL = (
    ("lower", "Interval from", _NUMBER, 3),
    ("upper", "Interval to", _NUMBER, 3),
)

#: The long tables, in the order of their sheets; a further table is one more entry.
LONG_TABLES: tuple[LongTable, ...] = (
    LongTable(
        "means",
        "All means",
        "Every mean: as counted, on the scale of analysis, and brought back with its interval",
        (
            *RESPONSE,
            ("treatment", "Treatment", _TEXT, None),
            ("n", "Plots", _NUMBER, 0),
            ("mean", "Mean as counted", _NUMBER, 3),
            ("mean_analysed", "Least-squares mean, scale of analysis", _NUMBER, 4),
            ("se", "Standard error, scale of analysis", _NUMBER, 4),
            ("back_transformed", "Least-squares mean, brought back", _NUMBER, 3),
            *INTERVAL,
            ("letters", "Letters", _TEXT, None),
        ),
    ),
    LongTable(
        "comparisons",
        "All comparisons",
        "Every pair of treatments that was compared: first minus second, on the scale of analysis",
        (
            *RESPONSE,
            ("a", "First treatment", _TEXT, None),
            ("b", "Second treatment", _TEXT, None),
            ("difference", "Difference", _NUMBER, 4),
            ("se", "Standard error", _NUMBER, 4),
            ("p_adjusted", "p-value", _P, None),
            *INTERVAL,
            ("method", "Procedure", _TEXT, None),
        ),
    ),
    LongTable(
        "anova",
        "All sources of variation",
        "The analysis of variance of every response, source by source",
        (
            *RESPONSE,
            ("transform", "Scale of analysis", _TEXT, None),
            ("source", "Source", _TEXT, None),
            ("df", "Degrees of freedom", _NUMBER, 0),
            ("sum_sq", "Sum of squares", _NUMBER, 4),
            ("mean_sq", "Mean square", _NUMBER, 4),
            ("F", "F", _NUMBER, 3),
            ("p", "p-value", _P, None),
            ("p_randomised", "p-value, randomisation of the factors", _P, None),
        ),
    ),
    LongTable(
        "control",
        "Control, every method",
        "Percent control by every method that the data allow",
        (
            ("variable", "Variable", _TEXT, None),
            ("days_after", "Days after application", _NUMBER, None),
            ("treatment", "Treatment", _TEXT, None),
            ("method", "Method", _TEXT, None),
            ("percent", "Control, %", _NUMBER, 1),
            ("lower", "Interval from, %", _NUMBER, 1),
            ("upper", "Interval to, %", _NUMBER, 1),
            ("p_untreated", "p-value, no control", _P, None),
            ("p_target", "p-value, control above the target", _P, None),
            ("p_reference", "p-value, as the reference", _P, None),
            ("note", "Note", _TEXT, None),
            ("reason", "Why there is no value", _TEXT, None),
        ),
    ),
    LongTable(
        "pest_days",
        "Pest-days by plot",
        "The area under the curve of every plot",
        (
            ("variable", "Variable", _TEXT, None),
            ("plot", "Plot", _TEXT, None),
            ("treatment", "Treatment", _TEXT, None),
            ("pest_days", "Pest-days", _NUMBER, 2),
            ("days", "Days spanned", _NUMBER, None),
            ("per_day", "Per day", _NUMBER, 3),
            ("bridged", "Assessments bridged", _NUMBER, 0),
            ("reason", "Why there is no value", _TEXT, None),
        ),
    ),
)
_WORDS: Mapping[str, str] = {
    "count": "assessment",
    "pest_days": "area under the curve",
    "yield": "yield",
    "pest_days_above": "area above the threshold",
    "days_above": "days above the threshold",
}


def long_tables(context: Context) -> Iterator[Listing]:
    """Make the long tables that have rows."""
    yield from listings(context, LONG_TABLES)
    samples = _samples(context)
    if samples is not None:
        yield samples


def listings(context: Context, items: Iterable[LongTable]) -> Iterator[Listing]:
    """Make those of some long tables that have rows."""
    for item in items:
        rows = context.table(item.name, item.columns[0][0])
        if rows:
            yield _listing(context, item, rows)


def _listing(context: Context, item: LongTable, rows: Rows) -> Listing:
    heads: list[Column] = []
    cells: list[Sequence[str | None]] = []
    for name, title, kind, digits in item.columns:
        made = _cells(context, rows, name, kind) if name in rows else []
        # A column without a single entry asks a question that this trial does not raise.
        nothing = {UNDEFINED} if isinstance(made, Digits) else {None, ""}
        if not nothing.issuperset(made):
            heads.append(Column(title=title, kind=kind, digits=digits))
            cells.append(made)
    return Listing(
        key=f"all-{item.name.replace('_', '-')}",
        question=item.question,
        columns=tuple(heads),
        cells=tuple(cells),
        sheet=item.sheet,
    )


def _cells(context: Context, rows: Rows, name: str, kind: Kind) -> Sequence[str | None]:
    values = rows[name]
    if kind is not _TEXT and set(map(type, values)) == {float}:  # as nearly all are
        return rows.digits(name)
    if kind is not _TEXT:
        return Digits.of(
            float(value) if isinstance(value, int | float) else math.nan for value in values
        )
    words: Mapping[str, str] = {}
    if name in {"variable", "pest", "enemy"}:
        words = {value: context.variable_label(str(value)) for value in set(values)}
    elif name in {"treatment", "a", "b", "carrier", "full"}:
        words = {value: context.label(str(value)) for value in set(values)}
    elif name == "measure":
        words = _WORDS
    elif name == "method":
        words = {**CONTROL_METHODS, **COMPARISONS}
    elif name == "transform":
        words = SCALES
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
    columns = [
        ("plot", Column(title="Plot")),
        ("variable", Column(title="Variable")),
        ("day", Column(title="Days after application", kind=_NUMBER)),
        ("sample", Column(title="Sample")),
        ("value", Column(title="Value", kind=_NUMBER)),
    ]
    numbers = numbers_examined(counts)
    if numbers.notna().any():
        columns.append((EXAMINED, Column(title="Of how many examined", kind=_NUMBER)))
    rows = Rows.of(counts.assign(**{EXAMINED: numbers}))
    return Listing(
        key="all-samples",
        question="Every sample as it was read",
        columns=tuple(column for _, column in columns),
        cells=tuple(_cells(context, rows, name, column.kind) for name, column in columns),
        sheet="Samples",
    )
