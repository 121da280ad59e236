"""Treatments and plots together, from their own tables or from a flat one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from trialkit.problems import Place
from trialkit.reading.across import unfold
from trialkit.reading.cells import Ledger
from trialkit.reading.compared import with_treatments
from trialkit.reading.flat import flat_plot_rows, respelled, treatments_of_plots
from trialkit.reading.fractions import split_fractions
from trialkit.reading.headers import normal
from trialkit.reading.keys import TrialKeys
from trialkit.reading.names import Names
from trialkit.reading.plan import (
    Listed,
    PlotRow,
    make_plots,
    match_treatments,
    read_plot_rows,
    read_treatments,
)
from trialkit.reading.roles import settle_roles
from trialkit.reading.several import tell_several
from trialkit.reading.sources import Source
from trialkit.reading.tables import Table, make_table
from trialkit.reading.treatments_across import treatments_down
from trialkit.trial import Application, Design, Plot, Treatment


@dataclass(slots=True)
class Plan:
    """The plan of a trial while it is read.

    Attributes
    ----------
    usable : bool
        False where the plots could not be read at all; then nothing is compared with them.
    flat : (Table, sequence of str or None) or None
        A table that holds plan and values together, with the plot of each row.
    cost_place : Place or None
        Where costs stand under a heading that does not say for which area they are.
    references : dict
        From a treatment as written to its id.
    factors : tuple of str
        Headings of a flat table that together make its treatments.
    design : Design or None
        What the order of a flat table in the field shows.
    """

    usable: bool = False
    plots: dict[str, Plot] = field(default_factory=dict)
    treatments: tuple[Treatment, ...] = ()
    untreated: str | None = None
    references: dict[str, str] = field(default_factory=dict)
    listed_at: dict[str, Place] = field(default_factory=dict)
    place: Place = field(default_factory=Place)
    treatments_place: Place = field(default_factory=Place)
    flat: tuple[Table, Sequence[str | None]] | None = None
    factors: tuple[str, ...] = ()
    design: Design | None = None
    cost_place: Place | None = None

    def words(self) -> dict[str, str]:
        """Ids and reduced names of treatments, each leading to its id."""
        found: dict[str, str] = {}
        for treatment in self.treatments:
            found.setdefault(normal(treatment.name), treatment.id)
        return found | self.references | {item.id: item.id for item in self.treatments}

    def known_plots(self) -> Mapping[str, Plot] | None:
        """Plots by id; None where they are not known."""
        return self.plots if self.usable else None


def read_plan(
    source: Source,
    keys: TrialKeys,
    names: Names,
    applications: Sequence[Application],
    ledger: Ledger,
) -> Plan:
    """Read treatments and plots, and look up one in the other."""
    plan = Plan(place=Place(source.label), treatments_place=Place(source.label))
    listed = _read_treatments(source, plan, applications, ledger)
    plan.listed_at = {key: item.place for key, item in (listed or {}).items()}
    table, rows = _read_plots(source, names, plan, listed, ledger)
    if table is None or rows is None:
        if listed:
            plan.treatments, plan.untreated = settle_roles(
                listed, keys, plan.treatments_place, ledger
            )
        return plan
    if listed is None:
        listed = treatments_of_plots(rows, table, ledger, applications)
        plan.treatments_place = table.header_place()
    elif not listed and any("main_factor" in row.cells for row in rows.values()):
        listed = treatments_of_plots(rows, table, ledger, applications)
    plan.references = match_treatments(rows, listed, ledger)
    plan.plots = {plot.id: plot for plot in make_plots(rows, table, plan.references, ledger)}
    plan.usable = bool(rows)
    plan.place = table.grid.place()
    plan.listed_at = {key: item.place for key, item in listed.items()}
    plan.treatments, plan.untreated = settle_roles(listed, keys, plan.treatments_place, ledger)
    if not rows:
        ledger.error(
            "no-plots",
            "The table of plots has no plot.",
            "List each plot with its treatment.",
            plan.place,
        )
    return plan


def _read_treatments(
    source: Source, plan: Plan, applications: Sequence[Application], ledger: Ledger
) -> dict[str, Listed] | None:
    """Treatments of their own table; None where there is no such table."""
    grid = source.first("treatments")
    if grid is None:
        return {} if "treatments" in source.tables else None
    plan.treatments_place = grid.place()
    table = make_table(grid, "treatments", ledger, key="treatment")
    if table is None:
        return {}
    cost = table.column("cost")
    plan.cost_place = None if cost is None else table.header_place(cost)
    return read_treatments(table, ledger, applications) or {}


def _read_plots(
    source: Source,
    names: Names,
    plan: Plan,
    listed: Mapping[str, Listed] | None,
    ledger: Ledger,
) -> tuple[Table | None, dict[str, PlotRow] | None]:
    grid = source.first("plots")
    if grid is not None:
        table = make_table(grid, "plots", ledger)
        if table is None or tell_several(table, ledger):
            return table, None
        table = respelled(table, ledger, treatments=source.first("treatments") is None)
        return table, read_plot_rows(table, ledger)
    flat = source.first("flat")
    if flat is None:
        if "plots" not in source.tables and source.tables:
            ledger.error(
                "no-plan",
                "There is no table of plots, so it is not known which treatment each plot had.",
                "Add plots.csv (in a workbook the sheet Plots) with plot, treatment and block; or "
                "have a new trial laid out by trialkit plan.",
                Place(source.label),
            )
        return None, None
    table = make_table(flat, "flat", ledger, variables=names.words())
    if table is None:
        return None, None
    known = {
        normal(word) for key, item in (listed or {}).items() for word in (key, item.treatment.name)
    }
    table = treatments_down(table, known, names, ledger)
    table = unfold(split_fractions(table, names, ledger), names, ledger)
    if tell_several(table, ledger):
        return table, None
    compared = with_treatments(table, names, ledger)
    if compared is None:
        return table, None
    plan.factors, plan.design = compared.factors, compared.design
    given = source.first("treatments") is not None
    table = respelled(compared.table, ledger, treatments=not given)
    found = flat_plot_rows(table, ledger)
    if found is None:
        return table, None
    plan.flat = (table, found[1])
    return table, found[0]
