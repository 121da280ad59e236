"""Files to a Trial: every table read, every problem found, in one pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from trialkit.problems import Place, Problem, Severity, TrialError, error, one_each
from trialkit.reading.across import unfold
from trialkit.reading.applications import read_applications
from trialkit.reading.beside import with_beside
from trialkit.reading.cells import Ledger
from trialkit.reading.compared import named_treatment, with_attributes
from trialkit.reading.contrasts import check_contrasts
from trialkit.reading.dates import plain_date
from trialkit.reading.design import check_plan, infer_design
from trialkit.reading.examined import join_numbers, settle_examined
from trialkit.reading.examined_headings import assume_examined
from trialkit.reading.facts import Facts, Known, read_facts
from trialkit.reading.frames import (
    check_values,
    check_yields,
    counts_frame,
    note_values,
    without_doubles,
    yields_frame,
)
from trialkit.reading.gaps import (
    tell_missing,
    warn_missing,
    warn_missing_yields,
    warn_none_examined,
    warn_samples,
)
from trialkit.reading.harvest import Harvest, harvest_frame, read_harvest
from trialkit.reading.head import Head, read_head
from trialkit.reading.headers import normal
from trialkit.reading.headings import PLANTING
from trialkit.reading.melt import tell_no_day
from trialkit.reading.names import Names, make_variables
from trialkit.reading.observations import Record, Values, read_values
from trialkit.reading.planning import Plan, read_plan
from trialkit.reading.roles import NO_UNTREATED
from trialkit.reading.rows import (
    Rows,
    compare_with_plan,
    row_plots,
    rows_of,
    tell_extra_cells,
    with_plots,
)
from trialkit.reading.settings import mapping_entries, sheet_entries, toml_entries
from trialkit.reading.sources import Source, open_source
from trialkit.reading.tables import make_table
from trialkit.reading.uncounted import drop_uncounted, drop_unharvested
from trialkit.reading.variables import variable_entries
from trialkit.reading.zero import Zero
from trialkit.trial import (
    Application,
    ControlMethod,
    Design,
    Settings,
    Trial,
    Variable,
    VariableRole,
)
from trialkit.trial_faults import trial_faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What came of reading a path.

    Attributes
    ----------
    trial : Trial or None
        None where any error was found.
    problems : tuple of Problem
        Errors and warnings in the order of the files.
    understood : tuple of (str, str, str)
        File or sheet, header as written, what it was taken for; also where there are errors.
    """

    trial: Trial | None
    problems: tuple[Problem, ...]
    understood: tuple[tuple[str, str, str], ...]


def read_trial(path: Path | str) -> Trial:
    """Read a trial from a folder, a workbook or a flat table.

    Parameters
    ----------
    path : Path or str
        A folder with ``trial.toml`` and tables, a workbook (.xlsx, .xlsm) with the same tables
        as sheets, or one table (.csv, .tsv, or a single sheet) with plots, treatments and
        values together.

    Returns
    -------
    Trial
        With everything odd in ``warnings`` and what was made of each header in ``understood``.

    Raises
    ------
    TrialError
        With all problems found, warnings too, when there is any error.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> [variable.name for variable in trial.variables][:2]
    ['larvae', 'lady_beetles']
    """
    reading = read(path)
    if reading.trial is None:
        raise TrialError(reading.problems)
    return reading.trial


#: What is no fault of a trial that is still to be laid out.
_OF_NO_PLAN = frozenset(
    {"no-plan", "no-plots", "treatment-without-plots", "no-values", "variable-without-data"}
)


def read_protocol(path: Path | str) -> Trial:
    """Read a trial that may still be without plots, to lay it out.

    Parameters
    ----------
    path : Path or str
        As for `read_trial`; the table of plots may be empty or missing.

    Returns
    -------
    Trial
        ``plots`` is empty where it has not been laid out.

    Raises
    ------
    TrialError
        With all problems found, when there is any error beside the missing plan, or the design
        is not named.
    """
    reading = read(path, planned=False)
    if reading.trial is None:
        raise TrialError(reading.problems)
    return reading.trial


def read(path: Path | str, *, planned: bool = True) -> Reading:
    """Read a trial and say what was found, without raising on bad input.

    Parameters
    ----------
    path : Path or str
        As for `read_trial`.
    planned : bool
        Whether a trial without plots is one that lacks something.
    """
    ledger = Ledger()
    source = open_source(Path(path), ledger)
    return read_source(source, ledger, planned=planned)


def read_source(source: Source | None, ledger: Ledger, *, planned: bool = True) -> Reading:
    """Read what a path or the tables of a program hold; see `read`."""
    trial = None if source is None else _read_source(source, ledger)
    if trial is not None and trial.plots and not ledger.failed:
        ledger.problems += trial_faults(trial)
    problems = _in_order(ledger.problems)
    if not planned:
        if not any(
            normal(header) == "design" and not taken.startswith("nothing")
            for _, header, taken in ledger.understood
        ):
            problems = (*problems, _NO_DESIGN)
        problems = tuple(item for item in problems if item.kind not in _OF_NO_PLAN)
    return Reading(
        trial=None if any(p.severity is Severity.ERROR for p in problems) else trial,
        problems=problems,
        understood=tuple(ledger.understood),
    )


_NO_DESIGN = error(
    "no-design",
    "The design is not named, so the trial cannot be laid out.",
    f'Name it in the settings: design = "rcbd" ({", ".join(item.value for item in Design)}).',
)


#: So many problems of one cause become one; fewer are told one by one, each with its remedy.
_MANY = 4


def _in_order(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Errors before warnings, each cause once, otherwise as found."""
    unique = one_each(dict.fromkeys(problems), _MANY)
    return tuple(sorted(unique, key=lambda problem: problem.severity is Severity.WARNING))


@dataclass(slots=True)
class _Draft:
    """Everything that becomes the trial."""

    source: Source
    head: Head
    names: Names
    plan: Plan
    zero: Zero
    applications: list[Application]
    values: Values = field(default_factory=Values)
    harvest: Harvest = field(default_factory=dict)
    harvest_place: Place = field(default_factory=Place)
    facts: Facts = field(default_factory=Facts)
    undated: bool = False


def _read_source(source: Source, ledger: Ledger) -> Trial:
    head = _read_settings(source, ledger)
    names = Names.of(head)
    zero = Zero(head.applied, head.applied_place)
    applications = _read_applications(source, head, zero, ledger)
    _settle_zero(head, zero, ledger)
    plan = read_plan(source, head, names, applications, ledger)
    draft = _Draft(source, head, names, plan, zero, applications)
    _read_counts(draft, ledger)
    _read_yields(draft, ledger)
    zero.check(ledger)
    draft.facts = read_facts(
        source.tables,
        Known(plan.words(), applications, list(plan.plots), names, zero),
        ledger,
    )
    draft.undated = _settle_undated(draft, ledger)
    return _assemble(draft, ledger)


def _read_settings(source: Source, ledger: Ledger) -> Head:
    entries = None
    grid = source.first("trial")
    if source.toml is not None:
        entries = toml_entries(*source.toml, ledger)
        if entries is None:
            return Head(given=True, usable=False)
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
    head = read_head([*(entries or []), *described], ledger)
    settle_examined(head, ledger)
    return head


def _read_applications(source: Source, head: Head, zero: Zero, ledger: Ledger) -> list[Application]:
    grid = source.first("applications")
    table = None if grid is None else make_table(grid, "applications", ledger, key="date")
    if table is None:
        return []
    applications = read_applications(table, ledger, head.applied)
    if not applications:
        return []
    zero.applications = tuple(sorted({item.date for item in applications}))
    first = zero.applications[0]
    place = table.header_place(table.column("date"))
    if head.applied is None:
        zero.day, zero.place = first, place
        ledger.understand(table.grid.name, "date", f"the first, {first.isoformat()}, is day 0")
    elif first != head.applied:
        ledger.warn(
            "applied-differs",
            f"The first application listed is of {first.isoformat()}; the key applied says "
            f"{head.applied.isoformat()}, which was taken as day 0.",
            "Make the two agree.",
            place,
        )
    return applications


_PLANTED = frozenset({
    "planted", "plantingdate", "sown", "sowingdate", "dateofplanting", "dateofsowing", "planting",
    "sowing", "drilled", "transplanted",
})  # fmt: skip


def _settle_zero(head: Head, zero: Zero, ledger: Ledger) -> None:
    """Count days from planting, or from the day that is named, where nothing was applied."""
    for key, text in head.extra.items():
        day = plain_date(text)
        if day is None:
            continue
        if normal(key) in _PLANTED:
            zero.planted = day
            if zero.day is None:
                zero.day, zero.counted_from = day, PLANTING
                ledger.understand("settings", key, f"{day.isoformat()}, day 0")
        elif normal(key) == "dayzero" and not zero.applications and head.applied is None:
            zero.day, zero.counted_from = day, "day 0"


def _read_counts(draft: _Draft, ledger: Ledger) -> None:
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
        table = named_treatment(unfold(table, names, ledger), plan.words())
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


def _read_yields(draft: _Draft, ledger: Ledger) -> None:
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


def _read_harvest(rows: Rows, draft: _Draft, ledger: Ledger) -> None:
    before = len(draft.harvest)
    read_harvest(rows, draft.harvest, ledger)
    if len(draft.harvest) > before:
        mass = rows.table.column("harvested_kg") or rows.table.column("harvested_lb")
        draft.harvest_place = rows.table.header_place(mass)


def _assemble(draft: _Draft, ledger: Ledger) -> Trial:
    head, plan, names = draft.head, draft.plan, draft.names
    note_values([*draft.values.counts, *draft.values.yields], names)
    variables = make_variables(names, ledger, usable=head.usable, harvested=bool(draft.harvest))
    by_name = {variable.name: variable for variable in variables}
    check_values(draft.values.counts, by_name, ledger)
    check_yields(draft.values.yields, ledger)
    flat = plan.flat is not None
    counts = drop_uncounted(without_doubles(draft.values.counts, ledger), ledger)
    counts = join_numbers(counts, draft.values, names, ledger, quiet=flat)
    yields = without_doubles(draft.values.yields, ledger, once=True, quiet=flat)
    yields = drop_unharvested(yields)
    plots = list(plan.plots)
    if plan.usable:
        ids = [item.id for item in plan.treatments]
        check_contrasts(head.settings.contrasts, ids, head.contrasts_place, ledger)
        _check_gaps(draft, counts, yields, plots, ledger)
        _check_untreated(draft, by_name, ledger)
        _check_cost(draft, variables, ledger)
    design = _settle_design(draft, ledger)
    order = [variable.name for variable in variables]
    text = head.texts
    return Trial(
        title=text.get("title") or draft.source.name,
        design=design,
        treatments=plan.treatments,
        plots=tuple(plan.plots.values()),
        variables=variables,
        counts=counts_frame([item for item in counts if item.plot in plan.plots], plots, order),
        yields=yields_frame([item for item in yields if item.plot in plan.plots], plots, order),
        harvest=harvest_frame(draft.harvest, plots),
        doses=draft.facts.doses,
        assessments=with_beside(draft.facts.assessments, counts, order, ledger),
        weather=draft.facts.weather,
        events=draft.facts.events,
        report=MappingProxyType(dict(head.report)),
        applications=tuple(draft.applications),
        settings=_settings(draft),
        applied=None if draft.zero.counted_from else draft.zero.day,
        undated=draft.undated,
        untreated=plan.untreated,
        crop=text.get("crop") or None,
        crop_code=text.get("crop_code") or None,
        site=text.get("site") or None,
        season=text.get("season") or None,
        plot_area_m2=head.plot_area_m2,
        main_plots=head.main_plots if design is Design.SPLIT_PLOT else None,
        notes=text.get("notes") or None,
        extra=MappingProxyType(dict(head.extra)),
        plan=MappingProxyType(dict(head.plan)),
        warnings=tuple(
            problem
            for problem in _in_order(ledger.problems)
            if problem.severity is Severity.WARNING
        ),
        understood=tuple(ledger.understood),
        inputs=tuple(draft.source.inputs),
    )


def _settings(draft: _Draft) -> Settings:
    """Settings of the analysis; factors of a flat table are analysed as such."""
    settings = draft.head.settings
    return replace(settings, factors=settings.factors or draft.plan.factors)


def _check_cost(draft: _Draft, variables: Sequence[Variable], ledger: Ledger) -> None:
    """Ask for which area costs are, where yields are per acre and the heading does not say it."""
    units = [item.unit or "" for item in variables if item.role is VariableRole.YIELD]
    units.append(draft.head.settings.yield_unit)
    american = any("harvested_lb" in entry for entry in draft.harvest.values())
    place = draft.plan.cost_place
    if place is not None and (american or any(unit.endswith("/acre") for unit in units)):
        ledger.error(
            "cost-of-which-area",
            f"The column '{place.column}' does not say whether it is the cost per acre or per "
            "hectare, and yields are per acre.",
            "Head it cost_per_acre or cost_per_ha.",
            place,
        )


def _check_gaps(
    draft: _Draft,
    counts: Sequence[Record],
    yields: Sequence[Record],
    plots: list[str],
    ledger: Ledger,
) -> None:
    warn_none_examined(counts, ledger)
    warn_missing(counts, plots, ledger)
    warn_samples(counts, ledger)
    warn_missing_yields(yields, plots, ledger)
    lost = [plot for plot in plots if plot not in draft.harvest]
    if draft.harvest and lost:
        tell_missing(["harvested mass"], lost, "", draft.harvest_place, ledger)
    if not counts and not yields and not draft.harvest and not ledger.failed:
        ledger.warn(
            "no-values",
            "There are no counts and no yields yet.",
            "Add counts.csv or yield.csv when there is something to analyse.",
            draft.plan.place,
        )


def _check_untreated(draft: _Draft, variables: dict[str, Variable], ledger: Ledger) -> None:
    """Say what a trial without an untreated goes without; percent control asked for needs one."""
    counted = {record.variable for record in draft.values.counts}
    asked = [name for name in counted if variables[name].role is VariableRole.PEST]
    plan, head = draft.plan, draft.head
    written = head.texts.get("untreated", "")
    said_none = normal(written) in NO_UNTREATED
    if plan.untreated is not None or not plan.treatments or not head.usable:
        return
    if written and not said_none:
        return  # told where it was looked for
    by_name = head.settings.control is not ControlMethod.AUTO
    several = any(problem.kind == "several-untreated" for problem in ledger.problems)
    name_it = (
        'Name it: untreated = "..." in the settings, or give it the role untreated in the list of '
        "treatments."
    )
    if by_name or (several and asked):
        ledger.error(
            "no-untreated",
            "No treatment is the untreated, and percent control needs one.",
            name_it,
            plan.treatments_place,
        )
    elif asked and not said_none:
        ledger.warn(
            "no-untreated",
            "No treatment is the untreated, so treatments are compared with each other and there "
            "is no percent control.",
            f'{name_it} Where there was none say so: untreated = "none".',
            plan.treatments_place,
        )


def _settle_design(draft: _Draft, ledger: Ledger) -> Design:
    head, plan = draft.head, draft.plan
    plots = tuple(plan.plots.values())
    design = head.design
    if design is None:
        design, reason = infer_design(plots)
        if plan.design is not None:
            design, reason = plan.design, "levels of two factors lie in strips"
        # Where the key was given and not understood, that is said already.
        if head.usable and plan.usable and not head.design_given:
            ledger.warn(
                "design-assumed",
                f"The design was taken as {design}: {reason}.",
                f'Nothing needs to be done if that is right; else give design = "..." '
                f"({', '.join(item.value for item in Design)}) in the settings.",
                plan.place,
            )
        if head.design_given or not head.usable:
            return design
    if plan.usable:
        check_plan(
            design,
            plots,
            plan.treatments,
            plan.listed_at,
            plan.place,
            ledger,
            main_plots=head.main_plots,
        )
    return design


def _settle_undated(draft: _Draft, ledger: Ledger) -> bool:
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
