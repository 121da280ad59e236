"""Counts of split-plots and strip-plots analysed as counts, each factor in its own stratum."""

from __future__ import annotations

from collections.abc import Mapping, Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.draws import Course, limits, step_of, two_sided
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import table_of_parts
from trialkit.inference.glm.count_limits import few_counted
from trialkit.inference.glm.count_model import fit_counts
from trialkit.inference.glm.count_strata import count_strata
from trialkit.inference.glm.strata_terms import ModelTest
from trialkit.trial import ControlMethod, Kind, VariableRole

NEGATIVE_BINOMIAL = "negative binomial"
MODELLED = (VariableRole.PEST, VariableRole.NATURAL_ENEMY)
#: Dispersion beyond which 5 to 7 % of simulated null trials were rejected at 5 %.
CROWDED = 0.7
_FEW = "so few individuals were counted that the test shows less than it could"
_UNEVEN = (
    "plots of one treatment vary so much (dispersion above 0.7) that tests at 5 % rejected up to 7 "
    "% of simulated trials without any effect"
)


def strata_count_tables(basis: Basis) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Model the counts of every day after treatment: ``count_models`` and ``count_tests``.

    Tests are those of `count_strata`. The intervals of the means and of their ratios to the
    untreated come from the draws of the courses, which know of main plots and strips; treatments
    of zeros have a one-sided upper limit.
    """
    layout = basis.plan.layout
    means: list[Mapping[str, Sized]] = []
    tests: list[Mapping[str, Sized]] = []
    for item in basis.assessed:
        after = np.flatnonzero(item.days > 0)
        wanted = item.variable.kind is Kind.COUNT and item.variable.role in MODELLED
        if not wanted or not after.size:
            continue
        values, unit = item.values[:, after], step_of(item)
        terms = count_strata(layout, values, unit=unit)
        days, few = item.days[after], few_counted(values, unit)
        for j in range(after.size):
            tests.append(_tests(item, float(days[j]), terms, j, scarce=bool(few[j])))
        # Means as counted; where plots are missing, free of the blocks that they stood in.
        level = fit_counts(layout, values, unit=unit, family="quasi-poisson").means
        means.append(_means(basis, item, days, level, terms[-1].dispersion))
    return table_of_parts("count_models", means), table_of_parts("count_tests", tests)


def _tests(
    item: Assessed, day: float, terms: tuple[ModelTest, ...], j: int, *, scarce: bool
) -> Mapping[str, Sized]:
    size, inner = len(terms), float(terms[-1].dispersion[j])
    note = _FEW if scarce else _UNEVEN if inner > CROWDED else None
    numbers = {
        name: [float(getattr(term, name)[j]) for term in terms]
        for name in ("df", "df_error", "F", "deviance", "p", "dispersion")
    }
    # All combinations are tested over both errors; what is shown is that of the plots.
    numbers["dispersion"][0] = inner
    return {
        "variable": [item.variable.name] * size,
        "days_after": [day] * size,
        "model": [NEGATIVE_BINOMIAL] * size,
        **numbers,
        "note": [note] * size,
        "source": [term.source for term in terms],
    }


def _means(
    basis: Basis, item: Assessed, days: FloatArray, mean: FloatArray, dispersion: FloatArray
) -> Mapping[str, Sized]:
    plan, alpha = basis.plan, basis.settings.alpha
    t, size = mean.shape
    course = basis.courses.get(item.variable.name)
    lower, upper, ratio, low, high, p = (np.full((t, size), np.nan) for _ in range(6))
    reasons = np.full((t, size), "", dtype=object)
    reasons[np.isnan(mean)] = "no plot was assessed"
    zero = mean == 0
    if course is not None:
        lower, upper = _limits(course.means[:, :, course.item.days > 0], zero, alpha)
    untreated = plan.untreated
    if untreated is None:
        reasons[reasons == ""] = "there is no untreated to compare with"
    else:
        reasons[(reasons == "") & ~(mean[untreated] > 0)] = "the untreated has none"
        reasons[untreated] = "the untreated itself"
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = mean / np.where(mean[untreated] > 0, mean[untreated], np.nan)
        if course is not None:
            low, high, p = _ratios(course, untreated, zero, alpha)
    known = reasons == ""
    return {
        "variable": [item.variable.name] * (t * size),
        "days_after": np.repeat(days, t),
        "treatment": list(plan.treatments) * size,
        "mean": mean.T.ravel(),
        "lower": lower.T.ravel(),
        "upper": upper.T.ravel(),
        "ratio": np.where(known, ratio, np.nan).T.ravel(),
        "ratio_lower": np.where(known, low, np.nan).T.ravel(),
        "ratio_upper": np.where(known, high, np.nan).T.ravel(),
        "p": np.where(known, p, np.nan).T.ravel(),
        "dispersion": np.repeat(dispersion, t),
        "reason": [text or None for text in reasons.T.ravel()],
        "model": [NEGATIVE_BINOMIAL] * (t * size),
        "note": [
            "no individual was found: the upper limit is one-sided" if none else None
            for none in zero.T.ravel()
        ],
    }


def _limits(draws: FloatArray, zero: np.ndarray, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Central intervals; from 0 to a one-sided limit for treatments of zeros."""
    low, high = limits(draws, alpha)
    one_sided = limits(draws, 2.0 * alpha)[1]
    return np.where(zero, 0.0, low), np.where(zero, one_sided, high)


def _ratios(
    course: Course, untreated: int, zero: np.ndarray, alpha: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    drawn = course.survival(untreated, ControlMethod.ABBOTT)
    low, high = _limits(drawn, zero, alpha)
    return low, high, two_sided(drawn, 1.0)
