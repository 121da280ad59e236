"""The plan of a trial: treatments and plots."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from trialkit.problems import Place, choice, meant, quoted, sentences
from trialkit.reading.applications import PART_MARKS, named_applications
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.headers import normal
from trialkit.reading.numbers import read_numbers
from trialkit.reading.plan_columns import tell_columns, tell_no_column, tell_no_id, usable_id
from trialkit.reading.rate_cells import rate_unit_of, with_rate_units
from trialkit.reading.tables import Table
from trialkit.trial import Application, Plot, Treatment, TreatmentRole

_ROLE_WORDS: Mapping[str, TreatmentRole] = {
    word: role
    for role, words in (
        (
            TreatmentRole.UNTREATED,
            ("untreated", "check", "control", "utc", "untreatedcheck", "untreatedcontrol",
             "nontreated", "unsprayed", "uncheck", "untreatedplot", "nottreated"),
        ),
        (TreatmentRole.CARRIER, ("carrier", "water", "carrieronly", "wateronly", "watercontrol",
                                 "wettingagent", "blank", "blankcarrier")),
        (TreatmentRole.REFERENCE, ("reference", "standard", "referenceproduct", "localstandard",
                                   "acceptedstandard", "positivecontrol")),
        (TreatmentRole.TEST, ("test", "testproduct", "treatment", "treated", "experimental",
                              "candidate", "testitem")),
    )
    for word in words
}  # fmt: skip
_NUMERIC = ("rate", "cost_per_ha", "cost_per_acre", "cost")
_POSITION = re.compile(r"[^\d\-+.,]{0,12}?0*(\d{1,6})(?:\.0+)?")


@dataclass(slots=True)
class Listed:
    """A treatment as listed; the role is None where the table gives none."""

    treatment: Treatment
    role: TreatmentRole | None
    place: Place
    parts_cell: Cell | None = None
    index: int = 0


@dataclass(slots=True)
class PlotRow:
    """A plot as listed, before its treatment is looked up."""

    id: str
    place: Place
    cells: dict[str, Cell] = field(default_factory=dict)


PLOT_FIELDS = (
    "treatment", "block", "replicate", "row", "column", "main_plot", "main_factor", "sub_factor",
)  # fmt: skip


def read_treatments(
    table: Table,
    ledger: Ledger,
    applications: Sequence[Application] = (),
    *,
    told: bool = True,
) -> dict[str, Listed] | None:
    """Read the table of treatments; None where it has no column of ids.

    ``told`` tells whether its columns are to be recorded.
    """
    id_column = table.column("treatment") or table.column("name")
    if id_column is None:
        tell_columns(table, ledger)
        tell_no_column(table, "treatment", ledger)
        return None
    if told:
        tell_columns(table, ledger, kept="further information about the treatment, kept as text")
    table = with_rate_units(table)
    numbers = _numeric_columns(table, ledger)
    listed: dict[str, Listed] = {}
    for index, row in enumerate(table.rows):
        cell = row[id_column.index - 1]
        usable_id(cell, table, ledger)
        if not cell.text:
            tell_no_id(cell, "This treatment has no id.", "treatment", table, ledger)
            continue
        if cell.text in listed:
            ledger.error(
                "treatment-twice",
                f"The treatment {quoted(cell.text)} is listed twice; "
                f"first in row {listed[cell.text].place.row}.",
                "Give each treatment an id of its own.",
                table.place(cell),
            )
            continue
        listed[cell.text] = _one_treatment(table, row, cell, numbers, index, ledger)
    _check_parts(table, listed, ledger)
    _settle_applications(table, listed, applications, ledger)
    return listed


def _numeric_columns(table: Table, ledger: Ledger) -> dict[str, list[float | None]]:
    numbers: dict[str, list[float | None]] = {}
    for name in _NUMERIC:
        column = table.column(name)
        if column is not None:
            cells = table.cells(column)
            numbers[name], _ = read_numbers(cells, table, ledger, marks=table.marks)
            for cell, value in zip(cells, numbers[name], strict=True):
                if value is not None and value < 0:
                    ledger.error(
                        "negative-number",
                        f"{name} is below zero: {cell.text}.",
                        "Type a number of 0 or more, or leave the cell empty.",
                        table.place(cell),
                    )
    return numbers


def _one_treatment(
    table: Table,
    row: Sequence[Cell],
    cell: Cell,
    numbers: Mapping[str, Sequence[float | None]],
    index: int,
    ledger: Ledger,
) -> Listed:
    def text(name: str) -> str | None:
        column = table.column(name)
        return (row[column.index - 1].text or None) if column else None

    def number(name: str) -> float | None:
        value = numbers[name][index] if name in numbers else None
        return value if value is not None and value == value else None

    role_column = table.column("role")
    role = None
    if role_column is not None and row[role_column.index - 1].text:
        role = read_role(row[role_column.index - 1], table, ledger)
    parts_column = table.column("parts")
    parts_cell = row[parts_column.index - 1] if parts_column else None
    extra = {
        column.header: row[column.index - 1].text
        for column in table.columns
        if column.field is None and column.header and row[column.index - 1].text
    }
    rate = number("rate")
    treatment = Treatment(
        id=cell.text,
        name=text("name") or cell.text,
        role=role or TreatmentRole.TEST,
        rate=rate,
        rate_unit=text("rate_unit") or (rate_unit_of(table) if rate is not None else None),
        mode_of_action=text("mode_of_action"),
        cost_per_ha=number("cost_per_ha") if "cost_per_ha" in numbers else number("cost"),
        cost_per_acre=number("cost_per_acre"),
        extra=MappingProxyType(extra),
    )
    return Listed(treatment, role, table.place(cell), parts_cell, index)


def read_role(cell: Cell, table: Table, ledger: Ledger) -> TreatmentRole | None:
    """Read the role of a treatment; None, with an error in the ledger, where it is none."""
    role = _ROLE_WORDS.get(normal(cell.text))
    if role is None:
        words = [item.value for item in TreatmentRole]
        ledger.error(
            "unknown-role",
            f"{quoted(cell.text)} is no role of a treatment.",
            choice(cell.text, words, "Roles are"),
            table.place(cell),
        )
    return role


def _check_parts(table: Table, listed: dict[str, Listed], ledger: Ledger) -> None:
    for item in listed.values():
        cell = item.parts_cell
        if cell is None or not cell.text:
            continue
        parts = split_names(cell.text, listed)
        unknown = [part for part in parts if part not in listed]
        for part in unknown:
            ledger.error(
                "part-unknown",
                f"The part {quoted(part)} of the mixture is no treatment of the list.",
                sentences(
                    "Name the ids of the components with a semicolon between them.",
                    meant(part, listed),
                ),
                table.place(cell),
            )
        if not unknown:
            item.treatment = replace(item.treatment, parts=tuple(parts))


def _settle_applications(
    table: Table, listed: dict[str, Listed], known: Sequence[Application], ledger: Ledger
) -> None:
    column = table.column("applications")
    if column is None:
        return
    for item in listed.values():
        cell = table.rows[item.index][column.index - 1]
        named = named_applications(cell, table, known, ledger)
        item.treatment = replace(item.treatment, applications=named)


def split_names(text: str, listed: Collection[str]) -> list[str]:
    """Take ids in one cell apart at the sign that leaves known ones, where there is one."""
    if text in listed:
        return [text]
    splits = [[part.strip() for part in text.split(mark)] for mark in PART_MARKS if mark in text]
    for parts in splits:
        if all(part in listed for part in parts):
            return parts
    return splits[0] if splits else [text]


def read_plot_rows(table: Table, ledger: Ledger) -> dict[str, PlotRow] | None:
    """Read the table of plots; None where it has no column of ids."""
    id_column = table.column("plot")
    if id_column is None:
        tell_columns(table, ledger)
        tell_no_column(table, "plot", ledger)
        return None
    tell_columns(table, ledger)
    columns = [(name, column) for name in PLOT_FIELDS if (column := table.column(name))]
    plots: dict[str, PlotRow] = {}
    for row in table.rows:
        cell = row[id_column.index - 1]
        usable_id(cell, table, ledger)
        if not cell.text:
            tell_no_id(cell, "This plot has no id.", "plot", table, ledger)
        elif cell.text in plots:
            ledger.error(
                "plot-twice",
                f"The plot {quoted(cell.text)} is listed twice; "
                f"first in row {plots[cell.text].place.row}.",
                "Give each plot an id of its own.",
                table.place(cell),
            )
        else:
            cells = {name: row[column.index - 1] for name, column in columns}
            plots[cell.text] = PlotRow(cell.text, table.place(cell), cells)
    return plots


def make_plots(
    rows: Mapping[str, PlotRow], table: Table, references: Mapping[str, str], ledger: Ledger
) -> tuple[Plot, ...]:
    """Plots from their rows; ``references`` leads from the treatment as written to its id."""
    made = []
    for row in rows.values():
        written = written_treatment(row)
        texts = {
            name: row.cells[name].text or None
            for name in ("block", "replicate", "main_plot", "main_factor", "sub_factor")
            if name in row.cells
        }
        made.append(
            Plot(
                id=row.id,
                treatment=references.get(written, written),
                row=_position(row.cells.get("row"), table, ledger),
                column=_position(row.cells.get("column"), table, ledger),
                **texts,
            )
        )
    return tuple(made)


def written_treatment(row: PlotRow) -> str:
    """Treatment of a plot as written; for split plots that leave it out it is main:sub."""
    cell = row.cells.get("treatment")
    if cell is not None and cell.text:
        return cell.text
    main, sub = row.cells.get("main_factor"), row.cells.get("sub_factor")
    if main is not None and sub is not None and main.text and sub.text:
        return f"{main.text}:{sub.text}"
    return ""


def _position(cell: Cell | None, table: Table, ledger: Ledger) -> int | None:
    if cell is None or not cell.text:
        return None
    match = _POSITION.fullmatch(cell.text)
    if match is None or int(match.group(1)) < 1 or cell.fault or cell.day is not None:
        ledger.error(
            "position",
            f"{quoted(cell.text)} is no place on the field map.",
            "Number rows and columns 1, 2, 3, and so on.",
            table.place(cell),
        )
        return None
    return int(match.group(1))


def match_treatments(
    rows: Mapping[str, PlotRow], listed: Mapping[str, Listed], ledger: Ledger
) -> dict[str, str]:
    """Lead from each treatment as written in the plan to its id in the list."""
    names: dict[str, list[str]] = {}
    folded: dict[str, list[str]] = {}
    for item in listed.values():
        names.setdefault(normal(item.treatment.name), []).append(item.treatment.id)
        folded.setdefault(item.treatment.id.casefold(), []).append(item.treatment.id)
    references: dict[str, str] = {}
    told: set[str] = set()
    for row in rows.values():
        written = written_treatment(row)
        if not written:
            ledger.error(
                "plot-without-treatment",
                f"The plot {quoted(row.id)} has no treatment.",
                "Fill in its treatment, or take the plot out of the plan.",
                row.place,
            )
            continue
        if written in references or written in told:
            continue
        if written in listed:
            references[written] = written
            continue
        near = folded.get(written.casefold(), []) or names.get(normal(written), [])
        if len(near) == 1:
            references[written] = near[0]
            ledger.warn(
                "treatment-by-name",
                f"{quoted(written)} was taken for the treatment {quoted(near[0])}.",
                "Nothing needs to be done if that is right.",
                row.place,
            )
            continue
        told.add(written)
        count = sum(written_treatment(other) == written for other in rows.values())
        others = f" (and {count - 1} more plot{'s' if count > 2 else ''})" if count > 1 else ""
        ledger.error(
            "treatment-unknown",
            f"The plot {quoted(row.id)}{others} has the treatment {quoted(written)}, which is "
            "not in the list of treatments.",
            sentences(
                "Add it to the list of treatments, or correct the plan.", meant(written, listed)
            ),
            row.place,
        )
    return references
