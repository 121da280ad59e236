"""What every part of the report of a series looks up."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

from trialkit.analysis.schema import SERIES_TABLES
from trialkit.figures.identity import plain_line
from trialkit.numerals import plural
from trialkit.report.document import Cell, Column, Table, number_or_missing
from trialkit.report.document import Kind as CellKind
from trialkit.report.numbers import decimals_for_error, percent_text, write_number, write_share
from trialkit.report_choices import ReportChoices
from trialkit.rows import Rows, defined
from trialkit.series.matched import WHOLE, SeriesSettings, SeriesVariable
from trialkit.series.result import SeriesAnalysis
from trialkit.series.rows import Asked, SeriesTables

EN_DASH = "\N{EN DASH}"
#: Most trials, or treatments, that stand side by side in a table, and most that are printed.
MOST_ACROSS, MOST_PRINTED = 7, 60
#: Longest table that a workbook shows as it is.
MOST_ROWS = 5000
Item = TypeVar("Item")


@dataclass(frozen=True, kw_only=True)
class SeriesContext:
    """A series with its tables as rows and its sentences.

    Attributes
    ----------
    tables : SeriesTables
    findings : tuple of str
        Every sentence that page 1 does not have.
    front : tuple of str
        Those of page 1.
    made : str
        When the report was made.
    choices : ReportChoices
        What the series wants of its report.
    """

    tables: SeriesTables
    findings: tuple[str, ...] = ()
    front: tuple[str, ...] = ()
    made: str = ""
    choices: ReportChoices = field(default_factory=ReportChoices)

    @property
    def texts(self) -> Mapping[str, str]:
        """Texts of the user's own, by key of ``[report]``."""
        return self.series.options.report

    @property
    def series(self) -> SeriesAnalysis:
        """The series behind the report."""
        return self.tables.series

    @property
    def settings(self) -> SeriesSettings:
        """Settings of the series."""
        return self.tables.matched.settings

    @property
    def level(self) -> str:
        """Level of the intervals, such as 95%."""
        return write_share(1.0 - self.settings.alpha)

    @property
    def count(self) -> str:
        """How many trials take part, in words."""
        return plural(len(self.series.trials), "trial")

    def label(self, treatment: object) -> str:
        """Words for a treatment."""
        return plain_line(self.tables.labels.get(str(treatment), str(treatment)))

    def trial(self, key: object) -> str:
        """Words for a trial."""
        return plain_line(self.tables.trial_labels.get(str(key), str(key)))

    def key(self, kind: str, variable: str, part: int = 0) -> str:
        """Make the anchor of a table or figure; free of what a variable may be called."""
        own = f"{kind}-{list(self.tables.variables).index(variable) + 1}"
        return f"{own}-{part + 1}" if part else own

    def variable_label(self, name: str) -> str:
        """Words for a variable, with its unit where it has one."""
        item = self.tables.variables[name]
        label = plain_line(item.label)
        return f"{label}, {item.unit}" if item.unit and item.unit not in label else label

    def short_label(self, variable: SeriesVariable) -> str:
        """Words for a variable without what it is counted on."""
        label = plain_line(variable.label).split(",")[0]
        return label.split(" per ")[0].split(" on ")[0]

    def days(self, asked: Asked) -> str:
        """Words for the days of a comparison."""
        if asked.window == WHOLE:
            return WHOLE
        return f"days {asked.window.replace('-', EN_DASH)}"

    def digits(self, variable: str) -> int:
        """Decimals of the means of a variable."""
        rows = self.tables.means(variable)
        return decimals_for_error(rows.get("se"), rows.get("mean"))

    @cached_property
    def shown(self) -> set[tuple[str, str, str, str]]:
        """Variable, measure, window and treatment of what page 1 may call shown."""
        rows = self.tables["series_claims"]
        return {
            (row["variable"], row["measure"] or "", row["window"] or "", row["a"])
            for row in rows.records()
            if row["front"] is True and row["b"] == self.tables.untreated
        }

    def is_shown(self, treatment: str, variable: str, asked: Asked | None = None) -> bool:
        """Whether a difference from the untreated was shown, all claims of page 1 together."""
        measure, window = (asked.measure, asked.window) if asked else ("", "")
        return (variable, measure, window, treatment) in self.shown

    @property
    def too_long(self) -> list[str]:
        """Words for the tables that stand in record and tidy files alone."""
        return [
            about.question
            for name, about in SERIES_TABLES.items()
            if len(self.tables[name]) > MOST_ROWS
        ]

    def long_form(self, name: str) -> Table | None:
        """A table of the series as it is, in the words of the schema.

        None where it has no rows, or so many that it stands in record and tidy files alone.
        """
        if name not in self.series.tables:
            return None
        rows, about = self.tables[name], SERIES_TABLES[name]
        if not rows or len(rows) > MOST_ROWS:
            return None
        columns = [
            column for column in about.columns if column.kind != "text" or rows.knows(column.name)
        ]
        return Table(
            key=name.replace("_", "-"),
            question=about.question,
            columns=tuple(
                Column(
                    title=column.heading,
                    kind=_cell_kind(column.name, column.kind),
                    digits=None if column.name.startswith("df") else column.digits,
                )
                for column in columns
            ),
            rows=tuple(
                tuple(self._cell(column.name, row[column.name], row) for column in columns)
                for row in rows.records()
            ),
            sheet=about.sheet,
            compact=True,
        )

    def _cell(self, column: str, value: Any, row: dict[str, Any]) -> Cell:
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, int | float):
            return number_or_missing(value, row.get("note"))
        if not defined(value):
            return None
        if column in {"treatment", "a", "b"}:
            return self.label(value)
        if column in {"trial", "left_out"}:
            return self.trial(value)
        if column == "variable" and value in self.tables.variables:
            return self.variable_label(value)
        return plain_line(str(value))


def _cell_kind(name: str, kind: str) -> CellKind:
    if kind == "number":
        return CellKind.P_VALUE if name == "p" or name.startswith("p_") else CellKind.NUMBER
    return CellKind.TEXT


def words_of_series(series: SeriesAnalysis) -> Iterator[str]:
    """Names and texts of the user's own in a series."""
    yield series.title
    yield from (
        text for item in series.trials for text in (item.key, item.title, item.site, item.season)
    )
    yield from (text for pair in series.matched.treatments for text in pair)
    yield from (item.label for item in series.matched.variables)
    yield from series.options.report.values()


def span_of(lower: float, upper: float, digits: int | None = None) -> str:
    """Write the ends of an interval, as percentages without digits; empty where it has none."""
    if math.isnan(lower) or math.isnan(upper):
        return ""
    low, high = (
        percent_text(value) if digits is None else write_number(value, digits)
        for value in (lower, upper)
    )
    return f"{low}{' to ' if lower < 0 or upper < 0 else EN_DASH}{high}"


def only(rows: Rows, **wanted: object) -> dict[str, Any] | None:
    """The first row with these cells."""
    found = rows.where(**wanted).records() if rows else []
    return found[0] if found else None


def evenly(items: Sequence[Item], most: int) -> Iterator[tuple[Item, ...]]:
    """Part items into as few groups as hold ``most`` each, all about as large."""
    groups = max(1, math.ceil(len(items) / most))
    for place in range(groups):
        first, end = (round(len(items) * at / groups) for at in (place, place + 1))
        yield tuple(items[first:end])
