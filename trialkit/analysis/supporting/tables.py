"""Beside the tests of each response: checks, factors, courses, covariates, contrasts, samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import Tested
from trialkit.analysis.result import join_tables
from trialkit.analysis.supporting.box_cox import Power, box_cox_powers, suggested_powers
from trialkit.analysis.supporting.contrasts import contrast_table
from trialkit.analysis.supporting.counts import count_tables, course_means
from trialkit.analysis.supporting.covariate import covariate_tables
from trialkit.analysis.supporting.detectable import reach_of_trial
from trialkit.analysis.supporting.diagnostics import check_responses
from trialkit.analysis.supporting.factors import factor_tables
from trialkit.analysis.supporting.incomplete_blocks import recovered_tables
from trialkit.analysis.supporting.modelled import Modelled
from trialkit.analysis.supporting.randomised import randomised
from trialkit.analysis.supporting.repeated import course_table
from trialkit.analysis.supporting.samples import sample_table
from trialkit.analysis.supporting.shares import share_tables
from trialkit.analysis.supporting.unequal_variances import unequal_tables
from trialkit.problems import Problem


@dataclass(frozen=True, kw_only=True, eq=False)
class Statistics:
    """Tables by name, and what was odd."""

    tables: dict[str, pd.DataFrame]
    problems: tuple[Problem, ...]


def statistics_tables(basis: Basis, choices: pd.DataFrame) -> Statistics:
    """Compute what stands beside the tests of each response.

    Parameters
    ----------
    basis : Basis
    choices : DataFrame
        Scale of each variable; comes back with its power and recommendation.
    """
    tested = basis.tested
    if tested is None:
        return Statistics(tables={"choices": choices}, problems=())
    if not basis.settings.supporting:
        return _tests_only(basis, tested, choices)
    profiles = box_cox_powers(basis)
    checked = check_responses(basis, suggested_powers(choices, profiles))
    reach = reach_of_trial(basis)
    factors = factor_tables(basis)
    adjusted, unequal = covariate_tables(basis), unequal_tables(basis)
    recovered, recovered_tests = recovered_tables(basis)
    counted, shared = count_tables(basis), share_tables(basis)
    dealt, anova = randomised(basis, factors.anova)
    names = choices["variable"]
    tables = {
        "anova": anova,
        "course": course_means(tested.means, counted),
        "responses": tested.responses.assign(
            p_randomised=dealt,
            relative_efficiency=checked.efficiency,
            significant_difference=reach.significant,
            detectable_difference=reach.detectable,
            detectable_percent=reach.percent,
            recommendation=pd.Series(checked.recommendations, dtype=object),
        ),
        "choices": choices.assign(
            power=[_of(profiles, name, "power") for name in names],
            power_lower=[_of(profiles, name, "lower") for name in names],
            power_upper=[_of(profiles, name, "upper") for name in names],
            recommendation=pd.Series([checked.variables.get(name) for name in names], dtype=object),
        ),
        "diagnostics": checked.table,
        "residuals": checked.residuals,
        "contrasts": contrast_table(basis),
        "unequal_comparisons": unequal.table,
        "factor_means": factors.means,
        "factor_comparisons": factors.comparisons,
        "factor_differences": factors.differences,
        "covariate": adjusted.tests,
        "adjusted_means": adjusted.means,
        "recovered": recovered,
        "recovered_tests": recovered_tests,
        "course_tests": course_table(basis),
        "samples": sample_table(basis),
        "count_models": _below("count_models", counted.means, shared.means),
        "count_tests": _below("count_tests", counted.tests, shared.tests),
    }
    return Statistics(tables=tables, problems=(*factors.problems, *unequal.problems))


def _tests_only(basis: Basis, tested: Tested, choices: pd.DataFrame) -> Statistics:
    """What belongs to the tests themselves: factors, planned contrasts, means for figures."""
    factors = factor_tables(basis)
    tables = {
        "anova": factors.anova,
        "course": course_means(tested.means, Modelled.of([], [])),
        "choices": choices,
        "contrasts": contrast_table(basis),
        "factor_means": factors.means,
        "factor_comparisons": factors.comparisons,
        "factor_differences": factors.differences,
    }
    return Statistics(tables=tables, problems=factors.problems)


def _below(name: str, *parts: pd.DataFrame) -> pd.DataFrame:
    return join_tables(name, [part for part in parts if not part.empty])


def _of(profiles: Mapping[str, Power], name: str, limit: str) -> float:
    return float(getattr(profiles.get(name), limit, float("nan")))
