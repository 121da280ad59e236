"""Rates and their units: in the heading, in a column beside, or in the cell of the rate itself."""

from __future__ import annotations

import re
from dataclasses import replace

from trialkit.reading.cells import Cell
from trialkit.reading.doubles import REPEATED
from trialkit.reading.heading_units import heading_unit
from trialkit.reading.tables import Column, Table

#: A rate with its unit in one cell: "200 g ai/ha", "0,5 L/ha", "12 fl oz per acre".
_RATE_WITH_UNIT = re.compile(
    r"(?P<rate>\d+(?:[.,]\d+)?)\s*(?P<unit>(?:fl\.?\s?oz|oz|lbs?|pts?|qts?|gal|mls?|cc|l|lit(?:er|re)s?"
    r"|hl|mg|kg|g|t|%|ppm)(?![a-z]).*)",
    re.IGNORECASE,
)


def with_rate_units(table: Table) -> Table:
    """Part rates from units typed into the same cell, where there is no other place for them."""
    rate, beside = table.column("rate"), table.column("rate_unit")
    if rate is None or heading_unit(rate.header):
        return table
    if beside is not None:
        if any(cell.text for cell in table.cells(beside)):
            return table
        # an empty column of units is a blank that nobody filled in
        table = table.with_columns(
            [replace(c, field=REPEATED) if c is beside else c for c in table.columns]
        )
    width = len(table.columns)
    rows = []
    found = False
    for row in table.rows:
        cell = row[rate.index - 1]
        match = _RATE_WITH_UNIT.fullmatch(cell.text)
        own = Cell("", cell.row, rate.cell.column)
        if match is not None:
            found = True
            own = own._replace(text=match["unit"].strip())
            cell = cell._replace(text=match["rate"])
        rows.append((*row[: rate.index - 1], cell, *row[rate.index : width], own))
    if not found:
        return table
    unit = Column(width + 1, rate.header, "rate_unit", rate.cell, made=True)
    return replace(table, columns=(*table.columns, unit), rows=tuple(rows))


def rate_unit_of(table: Table) -> str | None:
    """Unit of the rates that their heading holds; None where it holds none."""
    column = table.column("rate")
    unit = None if column is None else heading_unit(column.header)
    return None if unit is None else unit.unit
