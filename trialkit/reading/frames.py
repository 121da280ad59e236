"""Records of values to the tables of a trial: doubles, impossible values, order."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from trialkit.problems import quoted
from trialkit.reading.cells import Ledger, variable_section
from trialkit.reading.names import Names
from trialkit.reading.numbers import cell_is_number
from trialkit.reading.observations import Record
from trialkit.reading.spellings import near_names
from trialkit.trial import EXAMINED, UNDATED, Kind, Variable, empty_counts, empty_yields


def note_values(records: Sequence[Record], names: Names) -> None:
    """Note for each variable how many values it has, and whether all are whole numbers."""
    for record in records:
        value = record.value
        if value == value:
            found = names.found[record.variable]
            found.values += 1
            found.whole = found.whole and value.is_integer()


def warn_near_variables(
    records: Sequence[Record], described: Collection[str], ledger: Ledger
) -> None:
    """Say so where two variables that nobody described may be one: alike, and never on one day."""
    days: dict[str, set[float]] = {}
    firsts: dict[str, Record] = {}
    for record in records:
        days.setdefault(record.variable, set()).add(record.day)
        firsts.setdefault(record.variable, record)
    loose = [name for name in days if name not in described]
    for a, b in combinations(loose, 2):
        alike = near_names(a, b) or _bare(a) == _bare(b)
        if alike and not days[a] & days[b]:
            ledger.warn(
                "near-variables",
                f"{quoted(a)} and {quoted(b)} are nearly the same name and were counted on "
                "different days; they were taken for two variables.",
                "Write them alike if they are one.",
                firsts[b].table.place(firsts[b].cell),
            )


def _bare(name: str) -> str:
    """A name without the signs and the small words between its words."""
    words = re.split(r"[\W_]+", name.casefold())
    return " ".join(
        word.rstrip("s") for word in words if word not in {"", "per", "no", "of", "the"}
    )


def check_values(
    records: Sequence[Record],
    variables: Mapping[str, Variable],
    described: Collection[str],
    ledger: Ledger,
) -> None:
    """Find counts and percentages that cannot be.

    ``described`` are the variables of which the settings say that they are percentages.
    """
    _tell_stand_ins(records, ledger)
    _tell_fractions(records, variables, described, ledger)
    broken: dict[str, Record] = {}
    broken_count: dict[str, int] = {}
    for record in records:
        value = record.value
        if value != value:
            continue
        if variables[record.variable].examined is not None:
            continue  # checked where it meets its number examined
        kind = variables[record.variable].kind
        if kind is Kind.COUNT:
            if value < 0:
                ledger.error(
                    "negative-count",
                    f"A count can't be negative: {quoted(record.cell.text)}.",
                    "Correct it, or leave the cell empty where nothing was counted; if it is no "
                    "count, describe the variable with the kind measurement.",
                    record.table.place(record.cell),
                )
            elif not value.is_integer():
                broken.setdefault(record.variable, record)
                broken_count[record.variable] = broken_count.get(record.variable, 0) + 1
        elif kind is Kind.PERCENT and not 0 <= value <= 100:
            ledger.error(
                "percent-range",
                f"A percentage lies between 0 and 100: {quoted(record.cell.text)}.",
                "Correct it; if it is no percentage, set the kind of the variable to measurement.",
                record.table.place(record.cell),
            )
    for name, record in broken.items():
        ledger.warn(
            "broken-count",
            f"The count '{name}' has {broken_count[name]} values that are no whole numbers, such "
            f"as {quoted(record.cell.text)}.",
            "Nothing needs to be done if they are means of several units; counts of single units "
            "are whole.",
            record.table.place(record.cell),
        )


def _tell_fractions(
    records: Sequence[Record],
    variables: Mapping[str, Variable],
    described: Collection[str],
    ledger: Ledger,
) -> None:
    """Ask whether percentages of which none is above 1 are fractions, as 0.45 for 45 percent."""
    values: dict[str, list[Record]] = {}
    for record in records:
        known = variables[record.variable]
        plain = known.kind is Kind.PERCENT and known.examined is None
        if plain and record.variable not in described and record.value == record.value:
            values.setdefault(record.variable, []).append(record)
    for name, own in values.items():
        inside = [record for record in own if 0 < record.value < 1]
        if len(inside) < _FEWEST_FRACTIONS or max(record.value for record in own) > 1:
            continue
        ledger.error(
            "percent-fraction",
            f"No percentage of '{name}' is above 1, such as {quoted(inside[0].cell.text)}: they "
            "may be parts of 1, and 0.45 would mean 45 percent.",
            "Multiply the column by 100 if they are; if they are percent, say so in the settings: "
            f'{variable_section(name)} with kind = "percent".',
            inside[0].table.place(inside[0].cell),
        )


_FEWEST_FRACTIONS = 8
_STAND_IN = re.compile(r"-?9{2,6}(?:\.0+|\.9+)?")


def _tell_stand_ins(records: Sequence[Record], ledger: Ledger) -> None:
    """Refuse 999 and its like where it stands for a value that is missing."""
    largest: dict[str, float] = {}
    marked: list[Record] = []
    for record in records:
        if _STAND_IN.fullmatch(record.cell.text) and abs(record.value) >= _LEAST_STAND_IN:
            marked.append(record)
        elif record.value == record.value:
            largest[record.variable] = max(largest.get(record.variable, 0.0), record.value)
    for record in marked:
        beyond = largest.get(record.variable, math.inf) * _FAR < abs(record.value)
        if beyond:
            ledger.error(
                "stand-in",
                f"{quoted(record.cell.text)} stands where no other value of "
                f"'{record.variable}' is above {largest[record.variable]:g}; many programs write "
                "it for a missing value.",
                "Leave the cell empty where nothing was counted.",
                record.table.place(record.cell),
            )


#: Stand-ins begin here, and lie so many times above the largest value.
_LEAST_STAND_IN, _FAR = 999.0, 5.0


def check_yields(records: Sequence[Record], ledger: Ledger) -> None:
    """Find yields below zero."""
    for record in records:
        if record.value < 0:
            ledger.error(
                "negative-number",
                f"A yield can't be negative: {quoted(record.cell.text)}.",
                "Correct it, or leave the cell empty.",
                record.table.place(record.cell),
            )


def without_doubles(
    records: Sequence[Record], ledger: Ledger, *, once: bool = False, quiet: bool = False
) -> list[Record]:
    """Keep one record of each plot, variable, day and sample.

    A second one with another value is an error; with the same value it is a warning, or
    nothing where ``quiet`` (a flat table repeats a yield on every row of the plot). With
    ``once`` the values belong to no day.
    """
    seen: dict[tuple[str, str, float, str | None], int] = {}
    kept: list[Record] = []
    for record in records:
        key = record[:4]
        index = seen.get(key)
        if index is None:
            seen[key] = len(kept)
            kept.append(record)
            continue
        before = kept[index]
        if math.isnan(record.value):
            continue
        if math.isnan(before.value):
            # Variables may stand on rows of their own, empty in those of the others.
            kept[index] = record
            continue
        same = record.value == before.value
        if not (same and quiet):
            _tell_double(before, record, ledger, same=same, once=once)
    return kept


def _tell_double(before: Record, record: Record, ledger: Ledger, *, same: bool, once: bool) -> None:
    table, first = record.table, before.table
    where = str(first.place(before.cell))
    if first.grid is table.grid:
        where = f"row {before.cell.row}"
        if before.cell.column != record.cell.column:
            where += f", column {first.place(before.cell).column}"
    on = "" if once or record.day == UNDATED else f" on day {record.day:g}"
    sample = f", sample {quoted(record.sample)}" if record.sample is not None else ""
    subject = f"Plot {quoted(record.plot)} has '{record.variable}' twice{on}{sample}"
    shown = [cell.text or "empty" for cell in (before.cell, record.cell)]
    if same:
        ledger.warn(
            "same-value-twice",
            f"{subject}, with the same value (first in {where}); it was taken once.",
            "Take one of the two out.",
            table.place(record.cell),
        )
        return
    remedy = "Keep the right one."
    other = _telling(before, record)
    if other:
        remedy = (
            f"The column {quoted(other)} tells the two apart: head it 'variable' if it says what "
            "was counted, 'sample' if it numbers units within the plot."
        )
    elif first.grid is not table.grid and record.day == UNDATED:
        remedy = "Name each sheet by its day or date ('7 DAT', '2025-06-19'), or write it above."
    elif record.sample is None and not once:
        remedy += " If they are samples of one plot, number them in a column sample."
    if once:
        remedy += " Of several harvests enter the total."
    ledger.error(
        "different-values-twice",
        f"{subject}: {shown[0]} in {where} and {shown[1]} here.",
        remedy,
        table.place(record.cell),
    )


def _telling(before: Record, record: Record) -> str:
    """Heading of an unread column whose texts differ between two rows of one table."""
    if before.table is not record.table or before.cell.row == record.cell.row:
        return ""
    rows = {row[0].row: row for row in record.table.rows}
    first, second = rows.get(before.cell.row), rows.get(record.cell.row)
    if first is None or second is None:
        return ""
    for column in record.table.columns:
        loose = column.field is None or column.field in {"growth_stage", "method", "assessor"}
        a, b = first[column.index - 1], second[column.index - 1]
        words = a.text and b.text and not cell_is_number(a)
        if loose and column.header and words and a.text != b.text:
            return column.header
    return ""


def counts_frame(
    records: Sequence[Record], plots: Sequence[str], variables: Sequence[str]
) -> pd.DataFrame:
    """Counts in the order of plots, variables and days; samples stay as listed.

    A day or sample on which a variable has no value at all was not assessed and is left out:
    wide tables have such empty cells wherever variables were counted on different days.
    """
    assessed = {
        (record.variable, record.day, record.sample)
        for record in records
        if record.value == record.value
    }
    kept = [
        record for record in records if (record.variable, record.day, record.sample) in assessed
    ]
    if not kept:
        return empty_counts()
    plot_rank = {plot: rank for rank, plot in enumerate(plots)}
    variable_rank = {name: rank for rank, name in enumerate(variables)}
    kept.sort(key=lambda r: (plot_rank[r.plot], variable_rank[r.variable], r.day))
    numbers = [
        record.number.value if record.number and record.number.value > 0 else math.nan
        for record in kept
    ]
    further = {EXAMINED: np.array(numbers, dtype=float)} if not np.isnan(numbers).all() else {}
    return pd.DataFrame(
        {
            "plot": _texts([record.plot for record in kept]),
            "variable": _texts([record.variable for record in kept]),
            "day": np.array([record.day for record in kept], dtype=float) + 0.0,
            "sample": _texts([record.sample for record in kept]),
            "value": np.array([record.value for record in kept], dtype=float) + 0.0,
            **further,
        }
    )


def yields_frame(
    records: Sequence[Record], plots: Sequence[str], variables: Sequence[str]
) -> pd.DataFrame:
    """Yields in the order of plots and variables, without the missing ones."""
    kept = [record for record in records if not math.isnan(record.value)]
    if not kept:
        return empty_yields()
    plot_rank = {plot: rank for rank, plot in enumerate(plots)}
    variable_rank = {name: rank for rank, name in enumerate(variables)}
    kept.sort(key=lambda r: (plot_rank[r.plot], variable_rank[r.variable]))
    return pd.DataFrame(
        {
            "plot": _texts([record.plot for record in kept]),
            "variable": _texts([record.variable for record in kept]),
            "value": np.array([record.value for record in kept], dtype=float) + 0.0,
        }
    )


def _texts(items: Sequence[str | None]) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    made = np.empty(len(items), dtype=object)
    made[:] = items
    return made
