"""The plan inside a flat table, where plots, treatments and values stand together."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from trialkit.problems import listing, quoted
from trialkit.reading.attributes import ATTRIBUTE
from trialkit.reading.cells import Cell, Ledger, Row
from trialkit.reading.headers import TIMES, field_of
from trialkit.reading.plan import (
    PLOT_FIELDS,
    Listed,
    PlotRow,
    read_treatments,
    written_treatment,
)
from trialkit.reading.plan_columns import tell_no_id, usable_id
from trialkit.reading.spellings import one_spelling, warn_near_doubles
from trialkit.reading.tables import Column, Table
from trialkit.trial import Application

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
                tell_no_id(cell, "This row has no plot.", "plot", table, ledger)
            ids.append(cell.text or None)
        return _within_blocks(table, ids, ledger)
    for names in (
        ("row", "column"),
        ("block", "row", "column"),
        ("block", "treatment"),
        ("block", "main_factor", "sub_factor"),
        ("main_plot", "sub_factor"),
    ):
        together = [column for name in names if (column := table.column(name))]
        if len(together) < len(names):
            continue
        joined = [
            "-".join(cell.text for cell in cells)
            for cells in zip(*(table.cells(column) for column in together), strict=True)
        ]
        if _told_apart(table, joined):
            ledger.warn(
                "plots-made",
                f"There is no column plot; {listing(names)} together were taken for it.",
                "Nothing needs to be done if each treatment has one plot in each; else add a "
                "column plot.",
                table.header_place(),
            )
            return list(joined)
    if _tell_samples_or_plots(table, ledger):
        return None
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


def _within_blocks(table: Table, ids: list[str | None], ledger: Ledger) -> list[str | None]:
    """Tell plots apart by their blocks where they are numbered anew in each."""
    block, treatment = table.column("block"), table.column("treatment")
    if block is None or treatment is None or None in ids:
        return ids
    found: dict[tuple[str, str], set[str]] = {}
    blocks: dict[str, set[str]] = {}
    for row, plot in zip(table.rows, ids, strict=True):
        own = row[block.index - 1].text
        found.setdefault((own, plot or ""), set()).add(row[treatment.index - 1].text)
        blocks.setdefault(plot or "", set()).add(own)
    number = len({own for own, _ in found})
    anew = number > 1 and all(len(own) == number for own in blocks.values())
    if not anew or any(len(names) > 1 for names in found.values()):
        return ids
    ledger.warn(
        "plots-within-blocks",
        "Plots are numbered anew in each block; block and plot together were taken for them.",
        "Nothing needs to be done if that is right.",
        table.header_place(table.column("plot")),
    )
    return [
        f"{row[block.index - 1].text}-{plot}" for row, plot in zip(table.rows, ids, strict=True)
    ]


def _tell_samples_or_plots(table: Table, ledger: Ledger) -> bool:
    """Ask what rows are where every treatment stands several times in every block."""
    keys = [c for name in ("block", "treatment", *TIMES) if (c := table.column(name))]
    if not {"block", "treatment"} <= {column.field for column in keys}:
        return False
    number = Counter(tuple(row[c.index - 1].text for c in keys) for row in table.rows)
    least = min(number.values(), default=0)
    if least < 2:
        return False
    ledger.error(
        "samples-or-plots",
        f"Every treatment stands {'at least ' if least != max(number.values()) else ''}{least} "
        "times in every block, and there is no column plot: the rows may be samples of one plot "
        "or plots of their own.",
        "Give a column plot with an id for each plot; number samples of one plot in a column "
        "sample.",
        table.header_place(),
    )
    return True


def _day_columns(table: Table) -> int:
    return sum(column.field in {*TIMES, "sample"} for column in table.columns)


def _told_apart(table: Table, joined: Sequence[str]) -> bool:
    """Whether no plot made from two columns stands twice on one day."""
    keys = [column for name in (*TIMES, "sample", "variable") if (column := table.column(name))]
    times = zip(*(table.cells(column) for column in keys), strict=True) if keys else None
    if times is None:
        return max(Counter(joined).values(), default=0) <= 1
    together = Counter(
        (plot, *(cell.text for cell in cells)) for plot, cells in zip(joined, times, strict=True)
    )
    return max(together.values(), default=0) <= 1


def treatments_of_plots(
    rows: Mapping[str, PlotRow],
    table: Table,
    ledger: Ledger,
    applications: Sequence[Application] = (),
) -> dict[str, Listed]:
    """Make the list of treatments that no table gives, from the plan.

    Ids that are numbers, or letters and numbers, are put in order; others stay as they come.
    What a flat table says of a treatment in all its rows (name, role, rate, cultivar) goes with
    it.
    """
    first: dict[str, PlotRow] = {}
    for row in rows.values():
        written = written_treatment(row)
        if written:
            first.setdefault(written, row)
    about = [c for c in table.columns if c.field in {"name", "role", ATTRIBUTE}]
    columns = [Column(1, "treatment", "treatment", Cell("treatment", table.header_row, 1))]
    fields: set[str] = {"treatment"}
    for place, column in enumerate(about, 2):
        field = column.field if column.field != ATTRIBUTE else field_of("treatments", column.header)
        if field in fields:
            field = None
        fields.add(field or "")
        columns.append(Column(place, column.header, field, column.cell))
    made: list[Row] = []
    for written in _in_order(list(first)):
        own = first[written].cells.get("treatment") or Cell(written, table.header_row, 1)
        cells = [_first(table, column, written) for column in about]
        made.append((own._replace(text=written), *cells))
    listed = read_treatments(
        replace(table, kind="treatments", columns=tuple(columns), rows=tuple(made)),
        ledger,
        applications,
        told=False,
    )
    for written, item in (listed or {}).items():
        item.place = first[written].place if written in first else item.place
    return listed or {}


def _first(table: Table, column: Column, treatment: str) -> Cell:
    """First cell of a column that is filled in the rows of a treatment."""
    key = table.column("treatment")
    for row in table.rows if key is not None else ():
        if key is not None and row[key.index - 1].text == treatment and row[column.index - 1].text:
            return row[column.index - 1]
    return Cell("", table.header_row, column.cell.column)


def _in_order(ids: list[str]) -> list[str]:
    parts = [_NATURAL.fullmatch(text) for text in ids]
    heads = {match.group(1) for match in parts if match}
    if not all(parts) or len(heads) > 1:
        return ids
    return sorted(ids, key=lambda text: (int(_NATURAL.fullmatch(text).group(2)), text))  # type: ignore[union-attr]


def respelled(table: Table, ledger: Ledger, *, treatments: bool) -> Table:
    """Write ids of blocks, replicates and treatments in one way, and blocks apart by replicate.

    ``treatments`` tells whether the table itself says which treatments there are.
    """
    rows = [list(row) for row in table.rows]
    columns = {name: c for name in ("treatment", "block", "replicate") if (c := table.column(name))}

    def texts(name: str) -> list[str]:
        column = columns.get(name)
        return [row[column.index - 1].text if column else "" for row in rows]

    def rewrite(name: str, made: Sequence[str]) -> None:
        index = columns[name].index - 1
        for row, text in zip(rows, made, strict=True):
            row[index] = row[index]._replace(text=text)

    crossed = {"block": texts("treatment"), "replicate": texts("treatment")}
    crossed["treatment"] = texts("block")
    for name in ("block", "replicate", "treatment"):
        if name not in columns or (name == "treatment" and not treatments):
            continue
        place = table.header_place(columns[name])
        one_row = _one_row_a_plot(table, rows)
        others = [text if keep else "" for text, keep in zip(crossed[name], one_row, strict=True)]
        kept = one_spelling(name, texts(name), others, place, ledger)
        rewrite(name, [kept.get(text, text) for text in texts(name)])
        if name == "treatment":
            own = [text for text, keep in zip(texts(name), one_row, strict=True) if keep]
            warn_near_doubles(name, own, place, ledger)
    if "block" in columns and "replicate" in columns:
        rewrite("block", _within(texts("replicate"), texts("block")))
        table = _same_blocks(table, texts("replicate"), texts("block"), ledger)
    return replace(table, rows=tuple(tuple(row) for row in rows))


def _one_row_a_plot(table: Table, rows: Sequence[Sequence[Cell]]) -> list[bool]:
    """Whether each row is the first of its plot, or of its day where plots have no id."""
    keys = [c for name in ("plot",) if (c := table.column(name))] or [
        c for name in (*TIMES, "sample", "variable") if (c := table.column(name))
    ]
    if not keys:
        return [True] * len(rows)
    if keys[0].field != "plot":
        first = tuple(rows[0][c.index - 1].text for c in keys) if rows else ()
        return [tuple(row[c.index - 1].text for c in keys) == first for row in rows]
    seen: set[str] = set()
    made = []
    for row in rows:
        text = row[keys[0].index - 1].text
        made.append(text not in seen)
        seen.add(text)
    return made


def _within(replicates: Sequence[str], blocks: Sequence[str]) -> list[str]:
    """Ids of blocks that name the replicate too, where blocks are numbered anew in each."""
    inside: dict[str, set[str]] = {}
    for replicate, block in zip(replicates, blocks, strict=True):
        inside.setdefault(block, set()).add(replicate)
    anew = any(len(found) > 1 for block, found in inside.items() if block)
    if not anew:
        return list(blocks)
    return [f"{r}/{b}" if r and b else b for r, b in zip(replicates, blocks, strict=True)]


def _same_blocks(
    table: Table, replicates: Sequence[str], blocks: Sequence[str], ledger: Ledger
) -> Table:
    """Drop the replicate where it is the block by another name."""
    pairs = set(zip(replicates, blocks, strict=True))
    column = table.column("replicate")
    if column is None or len(pairs) > len(set(replicates)):
        return table
    ledger.understand(table.grid.name, column.header, "the same as block")
    return table.with_columns(
        [replace(c, field="repeated") if c is column else c for c in table.columns]
    )
