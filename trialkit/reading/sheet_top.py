"""What stands above a table of counts: the date, who counted, at which stage.

Counting sheets have it as a label with its value beside it, a line each, above the headings.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import date
from itertools import pairwise

from trialkit.reading.cells import Cell, Grid, Ledger
from trialkit.reading.dates import certain_date, read_dates
from trialkit.reading.headers import field_of, normal
from trialkit.reading.numbers import is_missing, plain_number
from trialkit.reading.tables import Table
from trialkit.reading.zero import Zero


def top_of(table: Table) -> dict[str, Cell]:
    """Find the labelled values above the headings, by the field that the label stands for."""
    found: dict[str, Cell] = {}
    for row in table.grid.rows:
        if row[0].row >= table.header_row:
            break
        filled = [cell for cell in row if cell.text]
        if len(filled) != 2:
            continue
        label, value = filled
        field = field_of("counts", label.text.rstrip(" :"))
        if field is not None and not is_missing(value.text):
            found.setdefault(field, value)
    return found


#: Labels of the date of the first application in the lines above a table.
APPLIED = frozenset({
    "applied", "applicationdate", "dateofapplication", "dateapplied", "applicationon", "sprayed",
    "spraydate", "dateofspraying", "treated", "treatmentdate", "dateoftreatment", "appliedon",
    "sprayedon", "firstapplication", "dateoffirstapplication", "firstspray", "application",
    "sprayingdate", "appl", "applicationdate1", "application1", "daytreated", "treatedon",
    # German, French, Spanish, Portuguese, Italian, Dutch
    "applikation", "applikationsdatum", "behandlung", "behandelt", "behandeltam", "spritzung",
    "spritztermin", "spritzdatum", "behandlungsdatum", "datumapplikation", "datumderapplikation",
    "traitement", "datedetraitement", "datetraitement", "traitéle", "datedapplication",
    "aplicación", "aplicacion", "fechadeaplicación", "fechadeaplicacion", "tratamiento",
    "fechadetratamiento", "aplicação", "aplicacao", "datadaaplicação", "datadeaplicação",
    "trattamento", "datatrattamento", "datadeltrattamento", "applicazione", "behandeling",
    "behandelingsdatum", "toepassing", "spuitdatum",
})  # fmt: skip


#: So many lines below a table may say what others say above it.
_LAST_LINES = 6


def date_above(grid: Grid, labels: Collection[str], order: str = "") -> tuple[date, Cell] | None:
    """Find the first date beside one of some labels, above or below a table; one that is certain.

    ``order`` is that of day and month in all dates of the trial, where it is but one.
    """
    for row in (*grid.rows[:20], *grid.rows[20:][-_LAST_LINES:]):
        filled = [part for cell in row if cell.text for part in _parted(cell, order)]
        for label, value in pairwise(filled):
            when = value.day or certain_date(value.text, order)
            if when is not None and len(filled) <= 6 and normal(label.text) in labels:
                return when, label
    return None


def date_column(grid: Grid, labels: Collection[str], order: str = "") -> tuple[date, Cell] | None:
    """Find a column under one of some labels that holds one and the same date in every row."""
    for row in grid.rows[:20]:
        for head in row:
            if normal(head.text) not in labels:
                continue
            below = [
                line[head.column - 1]
                for line in grid.rows
                if line[0].row > head.row and head.column <= len(line)
            ]
            filled = [cell for cell in below if not is_missing(cell.text)]
            days = {cell.day or certain_date(cell.text, order) for cell in filled}
            day = days.pop() if len(days) == 1 else None
            if day is not None:
                return day, head
    return None


_LABELLED = re.compile(
    r"(?P<label>[^\W\d][^:=\d]*?)\s*(?::|=|\bon\b|\bam\b|\ble\b|\s)\s*(?P<value>\d.*)"
)


def _parted(cell: Cell, order: str) -> list[Cell]:
    """A cell such as "Sprayed on 11 June 2025" as label and value; else the cell alone."""
    match = None if cell.day is not None else _LABELLED.fullmatch(cell.text.strip())
    if match is None or certain_date(match["value"].strip(" ."), order) is None:
        return [cell]
    return [cell._replace(text=match[name].strip(" .")) for name in ("label", "value")]


def day_above(table: Table, zero: Zero, ledger: Ledger) -> float | None:
    """Day of all values of a table, from the lines above it; None where they give none.

    A date goes before a day, for the day is often the planned one; without the date of the first
    application only the day can be used.
    """
    if any(column.day is not None for column in table.columns):
        return None
    top = top_of(table)
    planned = _number(top.get("days_after"))
    dated = top.get("date")
    if dated is None or (zero.day is None and planned is not None):
        return planned
    read: date | None = read_dates([dated], table, ledger, zero.day)[0]
    day = None if read is None else zero.after(read, table.place(dated), ledger)
    if day is not None and planned is not None and day != planned:
        ledger.understand(
            table.grid.name, dated.text, f"day {day:g}; it was planned for day {planned:g}"
        )
    return day


def _number(cell: Cell | None) -> float | None:
    if cell is None:
        return None
    return cell.number if cell.number is not None else plain_number(cell.text)
