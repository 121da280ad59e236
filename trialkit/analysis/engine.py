"""Trial -> Analysis: which measure and which test for which variable."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from importlib import import_module
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.claims.claims import claim_table, held_together
from trialkit.analysis.claims.glance import glance_table
from trialkit.analysis.efficacy.control_tables import control_method_problems, control_method_table
from trialkit.analysis.efficacy.natural_enemies import (
    enemy_reductions,
    enemy_table,
    resurgence_table,
)
from trialkit.analysis.efficacy.persistence import persistence_table, targets_held
from trialkit.analysis.efficacy.persistence_differences import persistence_difference_table
from trialkit.analysis.efficacy.rates import rate_persistence_table
from trialkit.analysis.efficacy.reductions import reduction_table
from trialkit.analysis.efficacy.returns import money_problems, money_table
from trialkit.analysis.fits.anova import run_tests
from trialkit.analysis.fits.control import control_by_method, control_problems, control_table
from trialkit.analysis.fits.courses import find_courses
from trialkit.analysis.fits.shown_means import with_shown_means
from trialkit.analysis.plots.harvest import settle_moisture, yield_of_plots
from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.analysis.plots.responses import (
    area_responses,
    areas_above_thresholds,
    areas_under_curves,
    assessed_variables,
    count_responses,
    yield_responses,
)
from trialkit.analysis.plots.scales import choose_transforms
from trialkit.analysis.result import Analysis, empty_table, table_of_parts
from trialkit.analysis.schema import TABLES
from trialkit.analysis.supporting.incomplete_blocks import incomplete_by_design
from trialkit.analysis.supporting.tables import statistics_tables
from trialkit.analysis.supporting.warnings import odd_data
from trialkit.problems import Problem
from trialkit.trial import Trial
from trialkit.trial_faults import refuse_unsound


def analyse(trial: Trial | Path | str) -> Analysis:
    """Compute everything that the report of a trial says.

    Parameters
    ----------
    trial : Trial, Path or str
        A trial, or the folder, workbook or flat table that holds one.

    Returns
    -------
    Analysis

    Raises
    ------
    TrialError
        When the trial is not sound, or the settings ask for what the tables cannot give.

    Notes
    -----
    The same trial gives the same numbers: every random sequence starts from the seed in the
    settings.

    Examples
    --------
    >>> import trialkit
    >>> analysis = trialkit.analyse(trialkit.example_trial("leaf_beetle_potato"))
    >>> analysis.means.columns[:4].tolist()
    ['variable', 'measure', 'days_after', 'treatment']
    """
    if not isinstance(trial, Trial):
        from trialkit.reading import read_trial

        trial = read_trial(trial)
    refuse_unsound(trial)
    trial, moisture_problems = settle_moisture(trial)
    basis, choices, found = _basis(trial)
    held = targets_held(basis)
    enemies = enemy_reductions(basis)
    methods = control_method_table(basis)
    statistics = statistics_tables(basis, choices)
    tables = {
        **_tests(basis),
        **statistics.tables,
        "control": control_table(basis.controlled, basis.plan),
        "persistence": persistence_table(basis, held),
        "reductions": reduction_table(basis),
        "money": money_table(basis),
    }
    tables |= claim_tables(basis, tables)
    tables |= _by_schema(basis)
    return Analysis(
        trial=trial,
        pest_days=_pest_days_table(basis),
        control_methods=methods,
        persistence_differences=persistence_difference_table(basis, held),
        natural_enemies=enemy_table(basis, enemies),
        resurgence=resurgence_table(basis, enemies, tables["claims"]),
        rate_persistence=rate_persistence_table(basis, held),
        problems=(
            *moisture_problems,
            *trial.warnings,
            *found,
            *control_method_problems(methods, trial),
            *money_problems(basis),
            *statistics.problems,
            *odd_data(basis),
        ),
        **tables,
    )


def _basis(trial: Trial) -> tuple[Basis, pd.DataFrame, tuple[Problem, ...]]:
    """What every table is made of, the scales with their reasons, and what was odd on the way."""
    plan = plan_plots(trial)
    assessed = assessed_variables(trial, plan)
    areas = areas_under_curves(assessed)
    harvested, harvest_problems = yield_of_plots(trial, plan)
    responses = [
        *count_responses(assessed),
        *area_responses(areas),
        *yield_responses(trial, plan, harvested),
    ]
    choices, scales, scale_problems = choose_transforms(trial, plan, assessed, responses)
    tested = run_tests(plan, responses, scales, trial.settings) if responses else None
    courses = find_courses(assessed, plan)
    basis = Basis(
        trial=trial,
        plan=plan,
        assessed=assessed,
        areas=areas,
        above=areas_above_thresholds(areas),
        harvested=harvested,
        responses=responses,
        scales=scales,
        tested=tested,
        courses=courses,
        controlled=control_by_method(assessed, plan, trial.settings, courses),
    )
    problems = [*harvest_problems, *scale_problems]
    if plan.untreated is not None:
        problems += control_problems(assessed, trial.settings, courses)
    return basis, choices, tuple(problems)


def _tests(basis: Basis) -> dict[str, pd.DataFrame]:
    """Tables of the tests of each response."""
    tested = basis.tested
    if tested is None:
        return {}
    return {
        "anova": tested.anova,
        "means": with_shown_means(
            tested.means,
            basis.plan,
            basis.responses,
            basis.scales,
            incomplete=incomplete_by_design(basis.trial),
        ),
        "comparisons": tested.comparisons,
        "responses": tested.responses,
    }


def _by_schema(basis: Basis) -> dict[str, pd.DataFrame]:
    """Make the tables of which the schema says what makes them."""
    made = {}
    for name, table in TABLES.items():
        if table.made_by and (basis.settings.supporting or not table.supporting):
            module, _, function = table.made_by.rpartition(".")
            made[name] = getattr(import_module(f"trialkit.analysis.{module}"), function)(basis)
    return made


def claim_tables(basis: Basis, tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Tabulate what was shown, and page 1 in rows, from the tables that are made."""
    held = held_together(basis, tables["money"])
    claims = claim_table(basis, held, tables["control"])
    found = {"means": empty_table("means"), **tables}
    return {"claims": claims, "glance": glance_table(basis, claims, found)}


def _pest_days_table(basis: Basis) -> pd.DataFrame:
    plan = basis.plan
    ids = np.array(plan.treatments, dtype=object)[plan.treatment]
    nothing = np.full(len(plan.plots), np.nan)
    parts: list[dict[str, Sized]] = []
    for item, area in basis.areas:
        above = basis.above.get(item.variable.name)
        part: dict[str, Sized] = {
            "variable": [item.variable.name] * len(plan.plots),
            "plot": plan.plots,
            "treatment": ids,
            "pest_days": area.pest_days,
            "days": area.days,
            "per_day": area.per_day,
            "bridged": area.bridged.astype(float),
            "days_above": nothing if above is None else above.days_above,
            "pest_days_above": nothing if above is None else above.pest_days_above,
            "reason": [text or None for text in area.reason],
        }
        parts.append(part)
    return table_of_parts("pest_days", parts)
