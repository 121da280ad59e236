"""From the draft of a trial to the trial, and what is asked of the whole of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

import pandas as pd

from trialkit.problems import Severity
from trialkit.reading.assessment_facts import with_beside
from trialkit.reading.cells import Ledger
from trialkit.reading.contrasts import check_contrasts
from trialkit.reading.design import check_plan, infer_design
from trialkit.reading.draft import Draft
from trialkit.reading.frames import (
    check_values,
    check_yields,
    counts_frame,
    note_values,
    warn_near_variables,
    without_doubles,
    yields_frame,
)
from trialkit.reading.harvest import harvest_frame
from trialkit.reading.headers import normal
from trialkit.reading.keys import TrialKeys
from trialkit.reading.missing import (
    tell_missing,
    warn_missing,
    warn_missing_yields,
    warn_none_examined,
    warn_samples,
)
from trialkit.reading.names import make_variables
from trialkit.reading.numbers import plain_number
from trialkit.reading.observations import Record
from trialkit.reading.problem_order import in_order
from trialkit.reading.roles import NO_UNTREATED
from trialkit.reading.shares import join_numbers
from trialkit.reading.uncounted import drop_uncounted, drop_unharvested
from trialkit.trial import ControlMethod, Design, Kind, Settings, Trial, Variable, VariableRole
from trialkit.trial_faults import crop_in_bushels


def assemble(draft: Draft, ledger: Ledger) -> Trial:
    """Make the trial of what was read."""
    keys, plan, names = draft.keys, draft.plan, draft.names
    note_values([*draft.values.counts, *draft.values.yields], names)
    variables = make_variables(names, ledger, usable=keys.usable, harvested=bool(draft.harvest))
    by_name = {variable.name: variable for variable in variables}
    percent = {name for name, item in keys.variables.items() if item.kind is Kind.PERCENT}
    check_values(draft.values.counts, by_name, percent, ledger)
    check_yields(draft.values.yields, ledger)
    warn_near_variables(draft.values.counts, keys.variables, ledger)
    flat = plan.flat is not None
    counts = drop_uncounted(without_doubles(draft.values.counts, ledger), ledger)
    counts = join_numbers(counts, draft.values, names, ledger, quiet=flat)
    yields = without_doubles(draft.values.yields, ledger, once=True, quiet=flat)
    yields = drop_unharvested(yields)
    plots = list(plan.plots)
    if plan.usable:
        ids = [item.id for item in plan.treatments]
        check_contrasts(keys.settings.contrasts, ids, keys.contrasts_place, ledger)
        _check_gaps(draft, counts, yields, plots, ledger)
        _check_untreated(draft, by_name, ledger)
        _check_cost(draft, variables, ledger)
    design = _settle_design(draft, ledger)
    order = [variable.name for variable in variables]
    text = keys.texts
    return Trial(
        title=text.get("title") or draft.source.name,
        design=design,
        treatments=plan.treatments,
        plots=tuple(plan.plots.values()),
        variables=variables,
        counts=counts_frame([item for item in counts if item.plot in plan.plots], plots, order),
        yields=yields_frame([item for item in yields if item.plot in plan.plots], plots, order),
        harvest=_with_area(harvest_frame(draft.harvest, plots), keys),
        doses=draft.facts.doses,
        assessments=with_beside(draft.facts.assessments, counts, order, ledger),
        weather=draft.facts.weather,
        events=draft.facts.events,
        report=MappingProxyType(dict(keys.report)),
        applications=tuple(draft.applications),
        settings=_settings(draft, ledger),
        applied=None if draft.zero.counted_from else draft.zero.day,
        undated=draft.undated,
        counted_from=draft.zero.counted_from or None,
        untreated=plan.untreated,
        crop=text.get("crop") or None,
        crop_code=text.get("crop_code") or None,
        site=text.get("site") or None,
        season=text.get("season") or None,
        plot_area_m2=keys.plot_area_m2,
        main_plots=keys.main_plots if design is Design.SPLIT_PLOT else None,
        notes=text.get("notes") or None,
        extra=MappingProxyType(dict(keys.extra)),
        plan=MappingProxyType(dict(keys.plan)),
        warnings=tuple(
            problem for problem in in_order(ledger.problems) if problem.severity is Severity.WARNING
        ),
        understood=tuple(ledger.understood),
        inputs=tuple(draft.source.inputs),
        listed_at=MappingProxyType(dict(plan.listed_at)),
    )


def _with_area(harvest: pd.DataFrame, keys: TrialKeys) -> pd.DataFrame:
    """Give masses without an area that of the plots in square feet, where it is typed so."""
    typed = (text for key, text in keys.extra.items() if normal(key) == "plotareaft2")
    feet = plain_number(next(typed, ""))
    bare = harvest["harvested_area_m2"].isna() & harvest["harvested_area_ft2"].isna()
    if feet is None or feet <= 0 or keys.plot_area_m2 is not None or not bare.any():
        return harvest
    return harvest.assign(harvested_area_ft2=harvest["harvested_area_ft2"].mask(bare, feet))


def _settings(draft: Draft, ledger: Ledger) -> Settings:
    """Settings of the analysis; factors of a flat table are analysed as such.

    Masses in pounds come out in bushels or pounds an acre, unless the settings say otherwise.
    """
    settings = draft.keys.settings
    pounds = any("harvested_lb" in entry for entry in draft.harvest.values())
    if pounds and "yield_unit" not in draft.keys.settings_given:
        known = settings.bushel_lb or crop_in_bushels(draft.keys.texts.get("crop"))
        settings = replace(settings, yield_unit="bu/acre" if known else "lb/acre")
        ledger.understand(
            "settings", "yield_unit", f"{settings.yield_unit}, as masses are in pounds"
        )
    return replace(settings, factors=settings.factors or draft.plan.factors)


def _check_cost(draft: Draft, variables: Sequence[Variable], ledger: Ledger) -> None:
    """Ask for which area costs are, where yields are per acre and the heading does not say it."""
    units = [item.unit or "" for item in variables if item.role is VariableRole.YIELD]
    units.append(draft.keys.settings.yield_unit)
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
    draft: Draft,
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


def _check_untreated(draft: Draft, variables: dict[str, Variable], ledger: Ledger) -> None:
    """Say what a trial without an untreated goes without; percent control asked for needs one."""
    counted = {record.variable for record in draft.values.counts}
    asked = [name for name in counted if variables[name].role is VariableRole.PEST]
    plan, keys = draft.plan, draft.keys
    written = keys.texts.get("untreated", "")
    said_none = normal(written) in NO_UNTREATED
    if plan.untreated is not None or not plan.treatments or not keys.usable:
        return
    if written and not said_none:
        return  # told where it was looked for
    by_name = keys.settings.control is not ControlMethod.AUTO
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


def _settle_design(draft: Draft, ledger: Ledger) -> Design:
    keys, plan = draft.keys, draft.plan
    plots = tuple(plan.plots.values())
    design = keys.design
    if design is None:
        design, reason = infer_design(plots)
        if plan.design is not None:
            design, reason = plan.design, "levels of two factors lie in strips"
        # Where the key was given and not understood, that is said already.
        if keys.usable and plan.usable and not keys.design_given:
            ledger.warn(
                "design-assumed",
                f"The design was taken as {design}: {reason}.",
                f'Nothing needs to be done if that is right; else give design = "..." '
                f"({', '.join(item.value for item in Design)}) in the settings.",
                plan.place,
            )
        if keys.design_given or not keys.usable:
            return design
    if plan.usable:
        check_plan(
            design,
            plots,
            plan.treatments,
            plan.listed_at,
            plan.place,
            ledger,
            main_plots=keys.main_plots,
        )
    return design
