"""The trial as plain frozen data: no files, no statistics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date
from types import MappingProxyType
from typing import Any, ClassVar

import pandas as pd

from trialkit.numerals import plural
from trialkit.problems import Place, Problem
from trialkit.settings import (
    Comparison,
    ControlMethod,
    Settings,
    Transform,
    changed_settings,
)
from trialkit.trial_enums import Better, Design, Kind, TreatmentRole, VariableRole
from trialkit.trial_tables import (
    COUNT_COLUMNS,
    EXAMINED,
    HARVEST_COLUMNS,
    UNDATED,
    YIELD_COLUMNS,
    empty_assessments,
    empty_counts,
    empty_doses,
    empty_events,
    empty_harvest,
    empty_weather,
    empty_yields,
    numbers_examined,
    same_table,
)

__all__ = [
    "Better",
    "COUNT_COLUMNS",
    "EXAMINED",
    "HARVEST_COLUMNS",
    "REPORT_TEXTS",
    "UNDATED",
    "YIELD_COLUMNS",
    "Application",
    "Comparison",
    "ControlMethod",
    "Design",
    "Kind",
    "Plot",
    "Settings",
    "Transform",
    "Treatment",
    "TreatmentRole",
    "Trial",
    "Variable",
    "VariableRole",
    "empty_assessments",
    "empty_counts",
    "empty_doses",
    "empty_events",
    "empty_harvest",
    "empty_weather",
    "empty_yields",
    "harvest_variable",
    "numbers_examined",
]

#: Texts of the user's own that a report can hold, as ``[report]`` names them.
REPORT_TEXTS = (
    "objective",
    "methods",
    "discussion",
    "conclusion",
    "sponsor",
    "protocol",
    "author",
    "approved_by",
    "version",
    "amendment",
)


def _no_extras() -> Mapping[str, str]:
    return MappingProxyType({})


def _nowhere() -> Mapping[str, Place]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """What is compared. The id is text and stays as it was written.

    Attributes
    ----------
    rate, rate_unit : float, str or None
        As written; where it differs between applications see ``Trial.doses``.
    cost_per_ha, cost_per_acre : float or None
        Cost of the treatment, of which the one is set that was given.
    parts : tuple of str
        Ids of the components of a mixture.
    applications : tuple of str
        Ids of the applications on which it was put out, as `Application.id` has them; empty
        where nothing is said. Where the trial lists no applications, what was written.
    extra : Mapping
        Further columns of the list of treatments, as text.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Treatment(id="1", name="Untreated", role=trialkit.TreatmentRole.UNTREATED).name
    'Untreated'
    """

    id: str
    name: str
    role: TreatmentRole = TreatmentRole.TEST
    rate: float | None = None
    rate_unit: str | None = None
    mode_of_action: str | None = None
    cost_per_ha: float | None = None
    cost_per_acre: float | None = None
    parts: tuple[str, ...] = ()
    applications: tuple[str, ...] = ()
    extra: Mapping[str, str] = field(default_factory=_no_extras)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """The experimental unit and its position.

    ``row`` and ``column`` number the rows and columns of the field map from 1; in a Latin
    square they are the blocking factors too. ``replicate`` is the complete set of treatments
    that an incomplete block lies in; ids of blocks are then unique over replicates.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Plot(id="101", treatment="1", block="1").block
    '1'
    """

    id: str
    treatment: str
    block: str | None = None
    replicate: str | None = None
    row: int | None = None
    column: int | None = None
    main_plot: str | None = None
    main_factor: str | None = None
    sub_factor: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Variable:
    """What is counted or measured.

    Attributes
    ----------
    name, label : str
    kind : Kind
    role : VariableRole
    threshold : float or None
        In the units of the variable.
    code, unit : str or None
    transform : Transform or None
    examined : str, float or None
        For percentages that are k of n (damaged fruits of fruits examined): what names n, a
        column or another variable, or n itself where it is the same in every plot.
    better : Better or None
        Of stand, vigour, lodging and the like on the crop: whether more or less is better.

    Examples
    --------
    >>> import trialkit
    >>> pest = trialkit.VariableRole.PEST
    >>> trialkit.Variable(name="larvae", label="Larvae", kind=trialkit.Kind.COUNT, role=pest).label
    'Larvae'
    """

    name: str
    label: str
    kind: Kind
    role: VariableRole
    threshold: float | None = None
    code: str | None = None
    unit: str | None = None
    transform: Transform | None = None
    examined: str | float | None = None
    better: Better | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Application:
    """One time at which treatments were put out.

    Attributes
    ----------
    id : str
        Number or letter by which treatments and doses name it; its place in the list where none
        was given. Two volumes put out on one day are two applications.
    date : date
    carrier_l_per_ha, carrier_gal_per_acre : float or None
        Volume of the carrier, of which the one is set that was given.
    method : str or None
        How it was put out: spray, drench, bait, seed treatment.
    growth_stage, equipment : str or None
    details : Mapping
        Every other column, as text under its heading (nozzle, pressure, temperature).

    Examples
    --------
    >>> from datetime import date
    >>> import trialkit
    >>> trialkit.Application(id="1", date=date(2025, 6, 12), method="spray").date.isoformat()
    '2025-06-12'
    """

    id: str
    date: date
    carrier_l_per_ha: float | None = None
    carrier_gal_per_acre: float | None = None
    method: str | None = None
    growth_stage: str | None = None
    equipment: str | None = None
    details: Mapping[str, str] = field(default_factory=_no_extras)


@dataclass(frozen=True, kw_only=True, eq=False)
class Trial:
    """One experiment at one site in one season.

    Attributes
    ----------
    treatments, plots, variables, applications : tuple
        In the order in which they were listed.
    main_plots : Design or None
        ``latin`` for a split-plot whose main plots lie in a Latin square: ``row`` and ``column``
        of a plot are then those of its main plot. None where main plots lie in blocks or were
        completely randomised, and in other designs.
    undated : bool
        Whether the counts are of one assessment whose day was not given; ``day`` is then
        ``UNDATED`` throughout.
    counted_from : str or None
        What days count from where it is not the first application: ``planting``, or ``day 0`` for
        a day that was named. None for the first application.
    counts : DataFrame
        One row a plot, variable, day and sample, sorted in that order (plots, variables as
        listed; samples as listed): ``plot`` (text), ``variable`` (text), ``day`` (float, days
        after the first application), ``sample`` (text or None), ``value`` (float, NaN where
        the cell was missing). Where a variable is k of n there is also ``examined`` (float):
        n, a whole number; ``value`` is then 100 k / n. NaN for other variables and where the
        value is missing.
    yields : DataFrame
        ``plot``, ``variable``, ``value``.
    harvest : DataFrame
        Masses as harvested, not yet brought to area and moisture: ``plot`` and the columns of
        ``HARVEST_COLUMNS``, NaN where not given.
    doses : DataFrame
        Doses of single applications: ``treatment``, ``application`` (id, None for all), ``rate``
        (as intended) and ``actual`` (as put out) in ``rate_unit``; further columns as text.
    assessments : DataFrame
        How assessments were done: ``day`` (NaN for all days), ``variable`` (None for all) and
        the texts ``growth_stage``, ``assessor``, ``method``, ``sample_size``, ``notes``; further
        columns as text.
    weather : DataFrame
        ``date`` and a column for each thing measured, under its heading as written: numbers
        where all cells are, else text.
    events : DataFrame
        What happened in the field: ``date`` (or None), ``what``, ``kind`` (one of
        `trialkit.trial_tables.EVENT_KINDS`), ``plots`` (ids with semicolons between them, None
        for the whole trial); further columns as text.
    report : Mapping
        Texts of the user's own for the report, by the names of ``REPORT_TEXTS``, and what he chose
        of it (``trialkit.report_choices``).
    settings : Settings
    extra : Mapping
        Further keys of the trial, as text (season, trial number, cultivar and the like).
    plan : Mapping
        How the trial is laid out, assessed and sprayed: the keys of ``trialkit.plan_keys`` with
        their section (``plan.blocks``), as text.
    warnings : tuple of Problem
        What was odd in the input and did not stop the reading; not part of equality.
    understood : tuple of (str, str, str)
        File or sheet, header as written, what it was taken for; not part of equality.
    inputs : tuple of (str, str)
        Name and SHA-256 of each file read; not part of equality.
    listed_at : Mapping
        Where each treatment was listed, by its id; not part of equality, nor of a record.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    <Trial 'Leaf beetle larvae in potatoes, 2025': rcbd, 8 treatments, 32 plots, ...>
    """

    title: str
    design: Design
    treatments: tuple[Treatment, ...]
    plots: tuple[Plot, ...]
    variables: tuple[Variable, ...]
    counts: pd.DataFrame = field(default_factory=empty_counts)
    yields: pd.DataFrame = field(default_factory=empty_yields)
    harvest: pd.DataFrame = field(default_factory=empty_harvest)
    doses: pd.DataFrame = field(default_factory=empty_doses)
    assessments: pd.DataFrame = field(default_factory=empty_assessments)
    weather: pd.DataFrame = field(default_factory=empty_weather)
    events: pd.DataFrame = field(default_factory=empty_events)
    report: Mapping[str, str] = field(default_factory=_no_extras)
    applications: tuple[Application, ...] = ()
    settings: Settings = field(default_factory=Settings)
    applied: date | None = None
    untreated: str | None = None
    crop: str | None = None
    crop_code: str | None = None
    site: str | None = None
    season: str | None = None
    plot_area_m2: float | None = None
    notes: str | None = None
    main_plots: Design | None = None
    undated: bool = False
    counted_from: str | None = None
    extra: Mapping[str, str] = field(default_factory=_no_extras)
    plan: Mapping[str, str] = field(default_factory=_no_extras)
    warnings: tuple[Problem, ...] = ()
    understood: tuple[tuple[str, str, str], ...] = ()
    inputs: tuple[tuple[str, str], ...] = ()
    listed_at: Mapping[str, Place] = field(default_factory=_nowhere)

    #: Whether it was looked through and nothing was wrong; a trial that is changed is another one.
    known_sound: ClassVar[bool] = False
    __hash__ = None  # type: ignore[assignment]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Trial):
            return NotImplemented
        for item in fields(self):
            if item.name in {"warnings", "understood", "inputs", "listed_at"}:
                continue
            mine, theirs = getattr(self, item.name), getattr(other, item.name)
            if isinstance(mine, pd.DataFrame):
                if not same_table(mine, theirs):
                    return False
            elif mine != theirs:
                return False
        return True

    def __repr__(self) -> str:
        days = sorted(set(self.counts["day"].dropna()))
        held = (
            plural(len(self.treatments), "treatment"),
            plural(len(self.plots), "plot"),
            plural(len(self.variables), "variable"),
            plural(len(days), "day"),
        )
        return f"<Trial {self.title!r}: {self.design.value}, {', '.join(held)}>"

    def with_settings(self, **settings: Any) -> Trial:
        """Make the same trial with other settings.

        Parameters
        ----------
        **settings
            Any attributes of `Settings`; those not named stay as they are.

        Raises
        ------
        TrialError
            When a setting does not fit.

        Examples
        --------
        >>> import trialkit
        >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
        >>> trial.with_settings(alpha=0.1, comparison="lsd").settings.comparison.value
        'lsd'
        """
        return replace(self, settings=changed_settings(self.settings, settings))

    def treatment(self, treatment_id: str) -> Treatment:
        """Find a treatment by its id.

        Raises
        ------
        KeyError
            When the trial has no such treatment.
        """
        for treatment in self.treatments:
            if treatment.id == treatment_id:
                return treatment
        raise KeyError(treatment_id)

    def variable(self, name: str) -> Variable:
        """Find a variable by its name.

        Raises
        ------
        KeyError
            When the trial has no such variable.
        """
        for variable in self.variables:
            if variable.name == name:
                return variable
        raise KeyError(name)


def sign_not_in_label(variable: Variable) -> bool:
    """Whether a percentage has neither sign nor word for it in its label, nor a unit of its own.

    Its numbers would then be read as counts.
    """
    label = variable.label.lower()
    told = "%" in label or "percent" in label or "per cent" in label
    return variable.kind is Kind.PERCENT and variable.unit is None and not told


def harvest_variable(trial: Trial) -> Variable:
    """Under which variable masses stand once they are brought to area and moisture.

    The first yield variable of the trial that has no column of its own, or else a variable
    named ``yield``.
    """
    named = set(trial.yields["variable"])
    for variable in trial.variables:
        if variable.role is VariableRole.YIELD and variable.name not in named:
            return replace(variable, unit=variable.unit or trial.settings.yield_unit)
    moisture = trial.settings.standard_moisture_percent
    at = f" at {moisture:g} % moisture" if moisture is not None else ""
    return Variable(
        name="yield",
        label=f"Yield{at}",
        kind=Kind.MEASUREMENT,
        role=VariableRole.YIELD,
        unit=trial.settings.yield_unit,
    )
