"""The tables of a trial, read one after the other into a draft of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from trialkit.problems import Place
from trialkit.reading.across import unfold
from trialkit.reading.applications import read_applications
from trialkit.reading.attributes import with_attributes
from trialkit.reading.cells import Ledger
from trialkit.reading.compared import named_treatment
from trialkit.reading.dates import order_of, plain_date
from trialkit.reading.facts import Facts, Known, read_facts
from trialkit.reading.fractions import split_fractions
from trialkit.reading.harvest import Harvest, read_harvest
from trialkit.reading.headers import normal
from trialkit.reading.headings import PLANTING
from trialkit.reading.keys import TrialKeys, read_keys
from trialkit.reading.melt import tell_no_day
from trialkit.reading.names import Names
from trialkit.reading.observations import Values, read_values
from trialkit.reading.planning import Plan, read_plan
from trialkit.reading.settings import mapping_entries, sheet_entries, toml_entries
from trialkit.reading.share_headings import assume_examined
from trialkit.reading.shares import settle_examined
from trialkit.reading.sheet_top import APPLIED, date_above, date_column
from trialkit.reading.sources import Source
from trialkit.reading.tables import make_table
from trialkit.reading.treatments_across import treatments_down
from trialkit.reading.value_rows import (
    Rows,
    compare_with_plan,
    row_plots,
    rows_of,
    tell_extra_cells,
    with_plots,
)
from trialkit.reading.variables import variable_entries
from trialkit.reading.zero import PLANTED, Zero
from trialkit.trial import Application


@dataclass(slots=True)
class Draft:
    """Everything that becomes the trial."""

    source: Source
    keys: TrialKeys
    names: Names
    plan: Plan
    zero: Zero
    applications: list[Application]
    values: Values = field(default_factory=Values)
    harvest: Harvest = field(default_factory=dict)
    harvest_place: Place = field(default_factory=Place)
    facts: Facts = field(default_factory=Facts)
    undated: bool = False


def read_draft(source: Source, ledger: Ledger) -> Draft:
    """Read every table of a trial; what was odd stands in the ledger."""
    ledger.date_order = order_of(grid for grids in source.tables.values() for grid in grids)
    keys = _read_settings(source, ledger)
    names = Names.of(keys)
    zero = Zero(keys.applied, keys.applied_place)
    applications = _read_applications(source, keys, zero, ledger)
    _settle_zero(source, keys, zero, ledger)
    plan = read_plan(source, keys, names, applications, ledger)
    draft = Draft(source, keys, names, plan, zero, applications)
    _read_counts(draft, ledger)
    _read_yields(draft, ledger)
    zero.check(ledger)
    draft.facts = read_facts(
        source.tables,
        Known(plan.words(), applications, list(plan.plots), names, zero),
        ledger,
    )
    draft.undated = _settle_undated(draft, ledger)
    return draft


def _read_settings(source: Source, ledger: Ledger) -> TrialKeys:
    entries = None
    grid = source.first("trial")
    if source.toml is not None:
        entries = toml_entries(*source.toml, ledger)
        if entries is None:
            return TrialKeys(given=True, usable=False)
    elif source.keys is not None:
        entries = mapping_entries(source.label, source.keys)
    elif grid is not None:
        entries = sheet_entries(grid, ledger)
    grid = source.first("report")
    if grid is not None:
        entries = [
            *(entries or []),
            *(
                entry if entry.path[0] == "report" else entry._replace(path=("report", *entry.path))
                for entry in sheet_entries(grid, ledger)
            ),
        ]
    described = variable_entries(source.first("variables"), ledger)
    keys = read_keys([*(entries or []), *described], ledger)
    settle_examined(keys, ledger)
    return keys


def _read_applications(
    source: Source, keys: TrialKeys, zero: Zero, ledger: Ledger
) -> list[Application]:
    grid = source.first("applications")
    table = None if grid is None else make_table(grid, "applications", ledger, key="date")
    if table is None:
        return []
    applications = read_applications(table, ledger, keys.applied)
    if not applications:
        return []
    zero.applications = tuple(sorted({item.date for item in applications}))
    first = zero.applications[0]
    place = table.header_place(table.column("date"))
    if keys.applied is None:
        zero.day, zero.place = first, place
        ledger.understand(table.grid.name, "date", f"the first, {first.isoformat()}, is day 0")
    elif first != keys.applied:
        ledger.warn(
            "applied-differs",
            f"The first application listed is of {first.isoformat()}; the key applied says "
            f"{keys.applied.isoformat()}, which was taken as day 0.",
            "Make the two agree.",
            place,
        )
    return applications


def _settle_zero(source: Source, keys: TrialKeys, zero: Zero, ledger: Ledger) -> None:
    """Find day 0 above a table, or count from planting or a day that is named."""
    for grids in (source.tables.get("flat", []), source.tables.get("counts", [])):
        for number, grid in enumerate(grids):
            column = date_column(grid, APPLIED, ledger.date_order)
            said = date_above(grid, APPLIED, ledger.date_order) or column
            if zero.day is None and said is not None:
                zero.day, cell = said
                zero.place = grid.place(cell.row)
                ledger.understand(grid.name, cell.text, f"the first application, day 0: {zero.day}")
            if column is not None and column[0] == zero.day:
                grids[number] = grid.without(column[1].column)
    for key, text in list(keys.extra.items()):
        if normal(key) == "dayzero" and normal(text) == PLANTING and zero.day is None:
            zero.counted_from = PLANTING
            del keys.extra[key]
            ledger.understand("settings", key, "days count from planting")
        day = plain_date(text)
        if day is None:
            continue
        if normal(key) in PLANTED:
            zero.planted = day
            if zero.day is None:
                zero.day, zero.counted_from = day, PLANTING
                ledger.understand("settings", key, f"{day.isoformat()}, day 0")
        elif normal(key) == "dayzero" and not zero.applications and keys.applied is None:
            zero.day, zero.counted_from = day, "day 0"


def _read_counts(draft: Draft, ledger: Ledger) -> None:
    plan, names = draft.plan, draft.names
    if plan.flat is not None:
        rows = rows_of(*plan.flat)
        tell_extra_cells(rows, ledger)
        assume_examined(rows.table, names, ledger)
        read_values(rows, names, draft.zero, draft.values, ledger)
        _read_harvest(rows, draft, ledger)
    for grid in draft.source.tables.get("counts", []):
        table = make_table(
            grid, "counts", ledger, variables=names.words(), plots=plan.known_plots()
        )
        if table is None:
            continue
        table = treatments_down(table, {*map(normal, plan.words())}, names, ledger)
        table = unfold(split_fractions(table, names, ledger), names, ledger)
        table = named_treatment(table, plan.words())
        table = with_attributes(table, names, ledger)
        table = with_plots(table, plan.plots, plan.words())
        found = row_plots(table, plan.known_plots(), ledger)
        if found is None:
            continue
        rows = rows_of(table, found)
        tell_extra_cells(rows, ledger)
        compare_with_plan(rows, plan.plots, plan.words(), ledger)
        assume_examined(table, names, ledger)
        read_values(rows, names, draft.zero, draft.values, ledger)


def _read_yields(draft: Draft, ledger: Ledger) -> None:
    plan, names = draft.plan, draft.names
    for grid in draft.source.tables.get("yield", []):
        table = make_table(grid, "yield", ledger, variables=names.words(), plots=plan.known_plots())
        found = None if table is None else row_plots(table, plan.known_plots(), ledger)
        if table is None or found is None:
            continue
        rows = rows_of(table, found)
        tell_extra_cells(rows, ledger)
        compare_with_plan(rows, plan.plots, plan.words(), ledger)
        read_values(rows, names, draft.zero, draft.values, ledger, in_yield=True)
        _read_harvest(rows, draft, ledger)


def _read_harvest(rows: Rows, draft: Draft, ledger: Ledger) -> None:
    before = len(draft.harvest)
    read_harvest(rows, draft.harvest, ledger)
    if len(draft.harvest) > before:
        mass = rows.table.column("harvested_kg") or rows.table.column("harvested_lb")
        draft.harvest_place = rows.table.header_place(mass)


def _settle_undated(draft: Draft, ledger: Ledger) -> bool:
    """Whether all values stand without a day: one assessment, which may have none."""
    undated = draft.values.undated
    if not undated:
        return False
    tables = {id(table) for table, _ in undated}
    if len({record.day for record in draft.values.counts}) > 1:
        for key in tables:
            own = [(table, strip) for table, strip in undated if id(table) == key]
            tell_no_day(own[0][0], [strip for _, strip in own], ledger)
        return False
    table, strip = undated[0]
    ledger.warn(
        "undated",
        "No day is given for the counts; they were taken as one assessment without a day.",
        "Nothing needs to be done if that is right; else add a column days_after or date, or put "
        f"the day into the heading, such as '{strip.written} 7 DAT'.",
        table.place(strip.head),
    )
    return True
