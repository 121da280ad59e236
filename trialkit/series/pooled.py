"""Matched trials -> every table of a series."""

from __future__ import annotations

import pandas as pd

from trialkit.analysis.result import empty_table, make_table
from trialkit.analysis.schema import SERIES_TABLES
from trialkit.series.claims import series_claims
from trialkit.series.control_tables import (
    combined_control,
    combined_differences,
    leave_one_out,
    trial_control,
)
from trialkit.series.held import combined_held, trial_held
from trialkit.series.matched import Matched, SeriesTrial
from trialkit.series.moderators import series_covariates, series_seasons
from trialkit.series.questions import questions
from trialkit.series.yields import (
    combined_anova,
    combined_comparisons,
    combined_means,
    harvests,
    stability_table,
)
from trialkit.series.yields_by_trial import error_variances, trial_differences


def pooled_tables(matched: Matched) -> dict[str, pd.DataFrame]:
    """Work out every table of a series.

    Parameters
    ----------
    matched : Matched

    Returns
    -------
    dict of str to DataFrame
        All tables of `trialkit.analysis.schema.SERIES_TABLES` by name, in its order, with their
        columns; without rows where there is nothing to say. ``series_matches`` is left to whoever
        matched the trials.
    """
    asked = list(questions(matched))
    yields = harvests(matched)
    seasons = series_seasons(matched, asked)
    made = {
        "series_trials": series_trials(matched.trials),
        "trial_control": trial_control(matched, asked),
        "combined_control": combined_control(matched, asked),
        "trial_held": trial_held(matched),
        "combined_held": combined_held(matched),
        "combined_differences": combined_differences(matched, asked),
        "leave_one_out": leave_one_out(matched, asked),
        "series_covariates": series_covariates(matched, asked),
        "series_seasons": seasons,
        "error_variances": error_variances(yields),
        "combined_anova": combined_anova(yields),
        "combined_means": combined_means(matched, yields),
        "combined_comparisons": combined_comparisons(matched, yields),
        "trial_differences": trial_differences(matched, yields),
        "stability": stability_table(matched, yields),
        "series_claims": series_claims(matched, asked, yields, seasons),
    }
    return {name: made.get(name, empty_table(name)) for name in SERIES_TABLES}


def series_trials(trials: tuple[SeriesTrial, ...]) -> pd.DataFrame:
    """Tabulate the trials of the series."""
    names = (
        "title",
        "site",
        "season",
        "design",
        "blocks",
        "treatments",
        "assessments",
        "first_day",
        "last_day",
        "note",
    )
    columns = {name: [getattr(trial, name) for trial in trials] for name in names}
    return make_table("series_trials", {"trial": [trial.key for trial in trials], **columns})
