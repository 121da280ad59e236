"""Trial -> Analysis: which measure and which test for which variable."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.control import control_table
from trialkit.analysis.harvest import yield_of_plots
from trialkit.analysis.oddities import odd_data
from trialkit.analysis.persistence import persistence_table
from trialkit.analysis.responses import (
    Assessed,
    PlotPlan,
    area_responses,
    areas_under_curves,
    assessed_variables,
    count_responses,
    plan_plots,
    yield_responses,
)
from trialkit.analysis.result import Analysis, empty_table, make_table
from trialkit.analysis.testing import run_tests
from trialkit.analysis.transforms import choose_transforms
from trialkit.measures.pest_days import PestDays
from trialkit.trial import Trial


def analyse(trial: Trial) -> Analysis:
    """Compute everything that the report of a trial says.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    Analysis

    Notes
    -----
    The same trial gives the same numbers: every random sequence starts from the seed in the
    settings.
    """
    plan = plan_plots(trial)
    assessed = assessed_variables(trial, plan)
    curves = areas_under_curves(assessed)
    harvested, harvest_problems = yield_of_plots(trial, plan)
    responses = [
        *count_responses(assessed),
        *area_responses(curves),
        *yield_responses(trial, plan, harvested),
    ]
    choices, scales, scale_problems = choose_transforms(trial, plan, assessed, responses)
    tested = run_tests(plan, responses, scales, trial.settings) if responses else None
    control = control_table(assessed, plan, trial.settings.control)
    return Analysis(
        trial=trial,
        anova=tested.anova if tested else empty_table("anova"),
        means=tested.means if tested else empty_table("means"),
        comparisons=tested.comparisons if tested else empty_table("comparisons"),
        responses=tested.responses if tested else empty_table("responses"),
        control=control,
        pest_days=_pest_days_table(curves, plan),
        persistence=persistence_table(control, trial),
        course=_course(tested.means) if tested else empty_table("course"),
        choices=choices,
        problems=(
            *trial.warnings,
            *harvest_problems,
            *scale_problems,
            *(odd_data(plan, responses, tested, trial.settings.alpha) if tested else ()),
        ),
    )


def _pest_days_table(curves: list[tuple[Assessed, PestDays]], plan: PlotPlan) -> pd.DataFrame:
    if not curves:
        return empty_table("pest_days")
    ids = np.array(plan.treatments, dtype=object)[plan.treatment]
    tables = [
        make_table(
            "pest_days",
            {
                "variable": [item.variable.name] * len(plan.plots),
                "plot": plan.plots,
                "treatment": ids,
                "pest_days": area.pest_days,
                "days": area.days,
                "per_day": area.per_day,
                "bridged": area.bridged.astype(float),
                "reason": [text or None for text in area.reason],
            },
        )
        for item, area in curves
    ]
    return pd.concat(tables, ignore_index=True)


def _course(means: pd.DataFrame) -> pd.DataFrame:
    days = means[means["measure"] == "count"].reset_index(drop=True)
    return days[["variable", "days_after", "treatment", "n", "mean", "lower", "upper"]]
