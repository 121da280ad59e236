"""Treatments side by side: a column each, blocks and days down the rows."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from trialkit.problems import listing, quoted
from trialkit.reading.attributes import holds_numbers
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.headers import is_aside, normal
from trialkit.reading.leftout import is_summary_word
from trialkit.reading.names import Names
from trialkit.reading.sums import tell_statistics, totals_of
from trialkit.reading.tables import Column, Table
from trialkit.reading.untreated_words import is_untreated_word

#: What is counted, where nothing names it.
_NAMELESS = "count"
_FEWEST = 2


def treatments_down(table: Table, known: Collection[str], names: Names, ledger: Ledger) -> Table:
    """Bring a table with a column for each treatment to a row for each plot and day.

    Only where no other column names treatments or plots, blocks stand in the rows, and the
    headings are the treatments that are listed (``known``, reduced) or one of them is a word for
    the untreated; and it is said.
    """
    fields = {column.field for column in table.columns}
    blocks = fields & {"block", "replicate"}
    if not blocks or fields & {"treatment", "name", "plot", "variable", "value", "main_factor"}:
        return table
    columns = [
        column
        for column in table.columns
        if column.field is None
        and column.header
        and not names.knows(column.written)
        and not is_aside(column.written)
        and not is_summary_word(column.written)
        and holds_numbers(table, column)
    ]
    loose = [column.written for column in columns if column.day is None]
    listed = bool(known) and all(normal(text) in known for text in loose)
    if len(loose) < max(_FEWEST, len(columns)):
        return table
    if not (listed or any(is_untreated_word(text) for text in loose)):
        return table
    beside = [c for c in table.columns if c.field is None and c not in columns and c.header]
    lost = totals_of(table, columns, beside)
    tell_statistics(table, lost, ledger)
    kept = [c for c in table.columns if c not in columns and c not in lost]
    ledger.warn(
        "treatments-across",
        f"The headings {listing(map(quoted, loose), 4)} were taken for treatments side by side.",
        "Nothing needs to be done if that is right.",
        table.header_place(columns[0]),
    )
    return replace(
        table,
        columns=_headed(kept, columns[0], table.caption is not None),
        rows=tuple(_rows(table, kept, columns)),
    )


def _headed(kept: Sequence[Column], first: Column, captioned: bool) -> tuple[Column, ...]:
    made = [replace(column, index=place) for place, column in enumerate(kept, 1)]
    treatment = first.cell._replace(text="treatment")
    counted = first.cell._replace(text="" if captioned else _NAMELESS)
    return (
        *made,
        Column(len(made) + 1, "treatment", "treatment", treatment, made=True),
        Column(len(made) + 2, counted.text, None, counted, made=True),
    )


def _rows(
    table: Table, kept: Sequence[Column], columns: Sequence[Column]
) -> list[tuple[Cell, ...]]:
    return [
        (
            *(row[column.index - 1] for column in kept),
            Cell(column.written, row[0].row, column.index),
            row[column.index - 1],
        )
        for column in columns
        for row in table.rows
    ]
