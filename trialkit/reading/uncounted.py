"""Days on which nothing has been counted yet: sheets are laid out before they are filled."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.problems import Place, listing, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.observations import Record


def drop_uncounted(records: Sequence[Record], ledger: Ledger) -> list[Record]:
    """Leave out variables on days on which every cell is empty, and say so once.

    A plot that is missing where others have a value stays, as missing.
    """
    filled = {(record.variable, record.day) for record in records if record.cell.text}
    empty: dict[str, list[Record]] = {}
    kept = []
    for record in records:
        if (record.variable, record.day) in filled:
            kept.append(record)
        else:
            empty.setdefault(record.variable, []).append(record)
    told = {item.place for item in ledger.problems if item.kind == "empty-column"}
    by_days: dict[tuple[float, ...], list[Record]] = {}
    for found in empty.values():
        if not any(_head(record) in told for record in found):
            days = tuple(sorted({record.day for record in found}))
            by_days.setdefault(days, []).append(found[0])
    for days, firsts in by_days.items():
        word = "day" if len(days) == 1 else "days"
        names = listing([quoted(record.variable) for record in firsts])
        ledger.warn(
            "not-counted",
            f"Nothing is filled in for {names} on {word} {listing([f'{day:g}' for day in days])}.",
            "Nothing needs to be done if it has not been counted; the rest is analysed.",
            _head(firsts[0]),
        )
    return kept


def _head(record: Record) -> Place:
    return record.table.heading_place(record.cell)


def drop_unharvested(records: Sequence[Record]) -> list[Record]:
    """Leave out yields of which every cell is empty."""
    filled = {record.variable for record in records if record.cell.text}
    return [record for record in records if record.variable in filled]
