"""The rows of a table of values: which plot each belongs to, and whether it fits the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from trialkit.problems import listing, meant, quoted, sentences
from trialkit.reading.cells import Cell, Ledger, column_letter
from trialkit.reading.headers import normal
from trialkit.reading.numbers import Marks
from trialkit.reading.plan_columns import tell_no_id
from trialkit.reading.spellings import folded, folded_block
from trialkit.reading.tables import Column, Table
from trialkit.trial import Plot


@dataclass(slots=True)
class Rows:
    """A table with what is known of each of its rows.

    ``plots`` holds None where the plot is not known; such rows are left out.
    """

    table: Table
    plots: Sequence[str | None]
    samples: Sequence[str | None]
    marks: Marks


def row_plots(
    table: Table, plots: Mapping[str, Plot] | None, ledger: Ledger
) -> Sequence[str | None] | None:
    """Plot of each row, each looked up in the plan; None where there is no such column.

    Parameters
    ----------
    table : Table
    plots : mapping or None
        Plots by id; None where the plan could not be read, then every id is believed.
    ledger : Ledger
        Gets one error for each plot that is not in the plan.
    """
    column = table.column("plot")
    if column is None:
        headers = listing([item.label for item in table.columns if item.header], 12)
        ledger.error(
            "no-column",
            f"There is no column plot; found were {headers}.",
            "Add the column plot, or give it that heading.",
            table.header_place(),
        )
        return None
    folded: dict[str, list[str]] = {}
    for plot in plots or ():
        folded.setdefault(plot.casefold(), []).append(plot)
    known: dict[str, str | None] = {plot: plot for plot in plots or ()}
    found: list[str | None] = []
    for cell in table.cells(column):
        text = cell.text
        if not text:
            tell_no_id(cell, "This row has values and no plot.", "plot", table, ledger)
            found.append(None)
            continue
        if text not in known:
            known[text] = text if plots is None else _unknown_plot(cell, table, folded, ledger)
        found.append(known[text])
    return found


def with_plots(table: Table, plots: Mapping[str, Plot], treatments: Mapping[str, str]) -> Table:
    """Add a column of plots to a table that has block and treatment in its place.

    Only where each treatment stands once in each block of the plan, so that the two name a plot.

    Parameters
    ----------
    table : Table
    plots : mapping
        Plots of the plan by id.
    treatments : mapping
        From ids and reduced names of treatments to their ids.
    """
    key, block = table.column("treatment"), table.column("block")
    if table.column("plot") is not None or key is None or block is None or not plots:
        return table
    by_place: dict[tuple[str, str], list[str]] = {}
    for plot in plots.values():
        spot = (folded_block(plot.block or ""), plot.treatment)
        by_place.setdefault(spot, []).append(plot.id)
    if any(len(found) > 1 for found in by_place.values()):
        return table
    folds = {folded(text): meant for text, meant in treatments.items()}
    rows = []
    for row in table.rows:
        text = row[key.index - 1].text
        meant = treatments.get(text) or treatments.get(normal(text)) or folds.get(folded(text))
        where = (folded_block(row[block.index - 1].text), meant or text)
        found = by_place.get(where, [f"{row[block.index - 1].text}-{text}"])
        rows.append((*row, row[key.index - 1]._replace(text=found[0], number=None, day=None)))
    made = Column(len(table.columns) + 1, "plot", "plot", key.cell, made=True)
    # What names the plot has been compared with the plan by that.
    columns = [replace(c, field="repeated") if c in (key, block) else c for c in table.columns]
    return replace(table, columns=(*columns, made), rows=tuple(rows))


def _unknown_plot(
    cell: Cell, table: Table, folded: Mapping[str, list[str]], ledger: Ledger
) -> str | None:
    near = folded.get(cell.text.casefold(), [])
    if len(near) == 1:
        ledger.warn(
            "plot-by-case",
            f"The plot {quoted(cell.text)} was taken for {quoted(near[0])} of the plan.",
            "Nothing needs to be done if that is right.",
            table.place(cell),
        )
        return near[0]
    plots = [plot for items in folded.values() for plot in items]
    ledger.error(
        "plot-unknown",
        f"The plot {quoted(cell.text)} is not in the plan.",
        sentences("Add it to the plots, or correct it here.", meant(cell.text, plots)),
        table.place(cell),
    )
    return None


def rows_of(table: Table, plots: Sequence[str | None]) -> Rows:
    """Join a table with the plots and samples of its rows."""
    sample = table.column("sample")
    samples = [cell.text or None for cell in table.cells(sample)] if sample else None
    return Rows(table, plots, samples or [None] * len(table.rows), table.marks)


def compare_with_plan(
    rows: Rows, plan: Mapping[str, Plot], treatments: Mapping[str, str], ledger: Ledger
) -> None:
    """Say so where a table repeats treatment or block and differs from the plan.

    ``treatments`` leads from ids and reduced names of treatments to their ids. What names no
    treatment or block of the plan cannot be compared, which is a warning.
    """
    blocks = {plot.block: plot.block for plot in plan.values() if plot.block is not None}
    for field, name, known in (
        ("treatment", "treatment", treatments),
        ("name", "treatment", treatments),
        ("block", "block", blocks),
    ):
        column = rows.table.column(field)
        if column is None or not known:
            continue
        told: set[str] = set()
        for plot, cell in zip(rows.plots, rows.table.cells(column), strict=True):
            if plot is None or not cell.text or plot not in plan:
                continue
            expected = getattr(plan[plot], name)
            meant = known.get(cell.text) or known.get(normal(cell.text))
            if meant is None and cell.text not in told:
                told.add(cell.text)
                ledger.warn(
                    "not-compared",
                    f"{quoted(cell.text)} is no {name} of the plan; it was not compared.",
                    f"Write {name}s as in the plan, or take the column out; the plan is followed.",
                    rows.table.place(cell),
                )
            elif meant is not None and meant != expected:
                ledger.error(
                    "plan-conflict",
                    f"The plot {quoted(plot)} has {name} {quoted(cell.text)} here and "
                    f"{quoted(expected or 'none')} in the plan.",
                    "Correct one of the two.",
                    rows.table.place(cell),
                )


def tell_extra_cells(rows: Rows, ledger: Ledger) -> None:
    """Say so where a row of a text file has more cells than the heading row.

    Most often a decimal comma has split a number in two.
    """
    table = rows.table
    if not table.grid.separator:
        return
    width = max((c.cell.column for c in table.columns if c.header or c.made), default=0)
    beyond = [c.index for c in table.columns if not (c.header or c.made) and c.cell.column > width]
    for row in table.rows:
        extra = [row[index - 1] for index in beyond if row[index - 1].text]
        if extra:
            ledger.error(
                "too-many-cells",
                f"This row has a value in column {column_letter(extra[0].column)}, where the "
                "heading row ends before it.",
                "Give the column a heading, or clear it. If numbers have decimal commas, write "
                "them with points, or separate the columns with semicolons; put quotation marks "
                "around text with commas.",
                table.grid.place(row[0].row),
            )
