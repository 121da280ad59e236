"""Several trials in one table: sites, years."""

from __future__ import annotations

from collections import Counter

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.tables import Table

_WORDS = {"site": "sites", "year": "years", "trial": "trials", "farm": "farms"}
#: Fields of a table by which trials are told apart.
WHERE = tuple(_WORDS)


def tell_several(table: Table, ledger: Ledger) -> bool:
    """Say so where a table holds several trials, told apart by site, year or number."""
    found = False
    for field, word in _WORDS.items():
        column = table.column(field)
        if column is None:
            continue
        rows = Counter(cell.text for cell in table.cells(column) if cell.text)
        if len(rows) < 2:
            ledger.understand(table.grid.name, column.header, f"the {field}, the same throughout")
            continue
        found = True
        shown = [f"{quoted(text)} ({number} rows)" for text, number in rows.items()]
        ledger.error(
            "several-trials",
            f"The column {quoted(column.header)} names several {word}: {listing(shown, 5)}. This "
            "file holds several trials, and one trial is read at a time.",
            "Combine them with trialkit combine, or make a file of each and read them one by one.",
            table.header_place(column),
        )
    return found
