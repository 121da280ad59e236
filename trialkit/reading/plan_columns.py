"""Columns of a plan: what they were taken for, those not known, and ids that can be used."""

from __future__ import annotations

from trialkit.problems import choice, listing
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.headers import known_headers
from trialkit.reading.tables import Column, Table


def tell_columns(table: Table, ledger: Ledger, *, kept: str | None = None) -> None:
    """Record what the columns were taken for, and warn of those that are not known."""
    for column in table.columns:
        if column.field is not None:
            ledger.understand(table.grid.name, column.header, column.field)
        elif column.header and kept is not None:
            if any(cell.text for cell in table.cells(column)):
                ledger.understand(table.grid.name, column.header, kept)
        elif column.header or any(cell.text for cell in table.cells(column)):
            warn_unknown_column(table, column, ledger)


def warn_unknown_column(table: Table, column: Column, ledger: Ledger) -> None:
    """Warn of a column that is not read, with the nearest known name."""
    ledger.understand(table.grid.name, column.label, "not known, not read")
    if not column.header:
        ledger.warn(
            "unknown-column",
            "This column has no heading and was not read.",
            "Give it a heading, or clear it.",
            table.header_place(column),
        )
        return
    known = known_headers(table.kind)
    ledger.warn(
        "unknown-column",
        f"The column '{column.header}' is not known and was not read.",
        choice(column.header, known, limit=20),
        table.header_place(column),
    )


def tell_no_column(table: Table, name: str, ledger: Ledger) -> None:
    """Refuse a table that lacks a column, and list those that it has."""
    headers = listing([column.label for column in table.columns if column.header], 12)
    ledger.error(
        "no-column",
        f"There is no column {name}; found were {headers}.",
        f"Add the column {name}, or give it that heading.",
        table.header_place(),
    )


def tell_no_id(cell: Cell, what: str, column: str, table: Table, ledger: Ledger) -> None:
    """Refuse a row without what it is known by."""
    ledger.error(
        "no-id", what, f"Fill in the column {column}, or clear the row.", table.place(cell)
    )


def usable_id(cell: Cell, table: Table, ledger: Ledger) -> None:
    """Say so where an id is a formula, an error or a date that a spreadsheet made of it."""
    if cell.fault in {"formula", "error"}:
        kind = "formula-without-value" if cell.fault == "formula" else "error-cell"
        ledger.error(
            kind,
            f"The cell should name something and shows {cell.text}.",
            "Type the text itself and save the workbook.",
            table.place(cell),
        )
    elif cell.day is not None:
        ledger.warn(
            "date-as-id",
            f"This id is stored as the date {cell.text}.",
            "If it should be something like 1-2, give the cell the format 'Text' and type it "
            "again.",
            table.place(cell),
        )
