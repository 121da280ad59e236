"""The plan inside a flat table, where plots, treatments and values stand together."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from trialkit.reading.cells import Cell, Ledger, quoted
from trialkit.reading.plan import (
    PLOT_FIELDS,
    Listed,
    PlotRow,
    read_role,
    usable_id,
    written_treatment,
)
from trialkit.reading.tables import Table
from trialkit.trial import Treatment, TreatmentRole

_NATURAL = re.compile(r"(.*?)(\d+)")


def flat_plot_rows(
    table: Table, ledger: Ledger
) -> tuple[dict[str, PlotRow], list[str | None]] | None:
    """Find the plots of a flat table.

    Returns
    -------
    (dict, list) or None
        The plots, and the plot of each row of the table (None where it has none). None, with
        an error in the ledger, where rows cannot be told to be plots.
    """
    ids = _plot_ids(table, ledger)
    if ids is None:
        return None
    columns = [(name, column) for name in PLOT_FIELDS if (column := table.column(name))]
    plots: dict[str, PlotRow] = {}
    for row, plot in zip(table.rows, ids, strict=True):
        if plot is None:
            continue
        cells = {name: row[column.index - 1] for name, column in columns}
        known = plots.get(plot)
        if known is None:
            plots[plot] = PlotRow(plot, table.place(row[0]), cells)
            continue
        for name, cell in cells.items():
            before = known.cells[name]
            if not before.text:
                known.cells[name] = cell
            elif cell.text and cell.text != before.text:
                ledger.error(
                    "plan-conflict",
                    f"The plot {quoted(plot)} has {name} {quoted(cell.text)} here and "
                    f"{quoted(before.text)} in row {before.row}.",
                    "Give the plot the same in every row.",
                    table.place(cell),
                )
    return plots, ids


def _plot_ids(table: Table, ledger: Ledger) -> list[str | None] | None:
    column = table.column("plot")
    if column is not None:
        ids: list[str | None] = []
        for cell in table.cells(column):
            usable_id(cell, table, ledger)
            if not cell.text:
                ledger.error(
                    "no-id",
                    "This row has no plot.",
                    "Fill in the column plot, or clear the row.",
                    table.place(cell),
                )
            ids.append(cell.text or None)
        return ids
    for first, second in (("row", "column"), ("block", "treatment"), ("main_plot", "sub_factor")):
        a, b = table.column(first), table.column(second)
        if a is None or b is None:
            continue
        joined = [f"{x.text}-{y.text}" for x, y in zip(table.cells(a), table.cells(b), strict=True)]
        if _told_apart(table, joined):
            ledger.warn(
                "plots-made",
                f"There is no column plot; {first} and {second} together were taken for it.",
                "Nothing needs to be done if each treatment has one plot in each; else add a "
                "column plot.",
                table.header_place(),
            )
            return list(joined)
    if _day_columns(table) == 0:
        ledger.warn(
            "plots-made",
            "There is no column plot; each row was taken for a plot of its own.",
            "Nothing needs to be done if that is right; else add a column plot.",
            table.header_place(),
        )
        return [str(number) for number in range(1, len(table.rows) + 1)]
    ledger.error(
        "no-column",
        "There is no column plot, and the rows can't be told apart without it.",
        "Add a column plot with an id for each plot.",
        table.header_place(),
    )
    return None


def _day_columns(table: Table) -> int:
    return sum(
        column.field in {"days_after", "days_before", "date", "sample"} for column in table.columns
    )


def _told_apart(table: Table, joined: Sequence[str]) -> bool:
    """Whether no plot made from two columns stands twice on one day."""
    keys = [
        column
        for name in ("days_after", "days_before", "date", "sample", "variable")
        if (column := table.column(name))
    ]
    times = zip(*(table.cells(column) for column in keys), strict=True) if keys else None
    if times is None:
        return max(Counter(joined).values(), default=0) <= 1
    together = Counter(
        (plot, *(cell.text for cell in cells)) for plot, cells in zip(joined, times, strict=True)
    )
    return max(together.values(), default=0) <= 1


def treatments_of_plots(
    rows: dict[str, PlotRow], table: Table, ledger: Ledger
) -> dict[str, Listed]:
    """Make the list of treatments that no table gives, from the plan.

    Ids that are numbers, or letters and numbers, are put in order; others stay as they come.
    """
    first: dict[str, PlotRow] = {}
    for row in rows.values():
        written = written_treatment(row)
        if written:
            first.setdefault(written, row)
    names = _by_treatment(table, "name")
    roles = _by_treatment(table, "role")
    listed: dict[str, Listed] = {}
    for written in _in_order(list(first)):
        row = first[written]
        name = names.get(written)
        role_cell = roles.get(written)
        role = None
        if role_cell is not None:
            role = read_role(role_cell, table, ledger)
        treatment = Treatment(
            id=written,
            name=name.text if name is not None else written,
            role=role or TreatmentRole.TEST,
        )
        listed[written] = Listed(treatment, role, row.place)
    return listed


def _by_treatment(table: Table, field: str) -> dict[str, Cell]:
    column, key = table.column(field), table.column("treatment")
    if column is None or key is None:
        return {}
    found: dict[str, Cell] = {}
    for row in table.rows:
        cell, treatment = row[column.index - 1], row[key.index - 1].text
        if cell.text and treatment:
            found.setdefault(treatment, cell)
    return found


def _in_order(ids: list[str]) -> list[str]:
    parts = [_NATURAL.fullmatch(text) for text in ids]
    heads = {match.group(1) for match in parts if match}
    if not all(parts) or len(heads) > 1:
        return ids
    return sorted(ids, key=lambda text: (int(_NATURAL.fullmatch(text).group(2)), text))  # type: ignore[union-attr]
