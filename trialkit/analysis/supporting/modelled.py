"""Means and tests by models for counts and for shares, as rows of their two tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.plots.responses import Assessed, FloatArray, PlotPlan
from trialkit.analysis.result import table_of_parts
from trialkit.inference.design.layout import BoolArray
from trialkit.inference.glm.strata_terms import ModelTest

Rows = Mapping[str, Sized]
TextArray = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class ModelledMeans:
    """Means of one variable by a model, (treatments, days) arrays unless said otherwise.

    Attributes
    ----------
    model : str
    columns : mapping of str to float array
        ``mean``, ``lower``, ``upper``, and what else the table has of means.
    against : mapping of str to float array
        Ratios to the untreated with their limits, and p.
    dispersion : float array, shape (days,)
    settled : bool array, shape (days,)
    notes : array of str
        What is to be known of the limits, or nothing.
    """

    model: str
    columns: Mapping[str, FloatArray]
    against: Mapping[str, FloatArray]
    dispersion: FloatArray
    settled: BoolArray
    notes: TextArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Span:
    """Limits of the means of one variable, (treatments, days), before treatment too."""

    days: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Modelled:
    """Tables ``count_models`` and ``count_tests``, and limits of means.

    Attributes
    ----------
    means, tests : DataFrame
    spans : mapping of str to Span
        Limits of the means of each variable that was modelled.
    """

    means: pd.DataFrame
    tests: pd.DataFrame
    spans: Mapping[str, Span] = field(default_factory=dict)

    @classmethod
    def of(
        cls, means: Sequence[Rows], tests: Sequence[Rows], spans: Mapping[str, Span] | None = None
    ) -> Modelled:
        """Put the rows of all variables together."""
        return cls(
            means=table_of_parts("count_models", means),
            tests=table_of_parts("count_tests", tests),
            spans=spans or {},
        )


def why_no_ratio(mean: FloatArray, settled: BoolArray, untreated: int | None) -> TextArray:
    """Say of each mean (treatments, days) why it is not compared with the untreated, or ''."""
    reasons = np.full(mean.shape, "", dtype=object)
    reasons[np.isnan(mean)] = "no plot was assessed"
    reasons[:, ~settled] = "the model did not converge"
    if untreated is None:
        reasons[reasons == ""] = "there is no untreated to compare with"
    else:
        reasons[(reasons == "") & ~(mean[untreated] > 0)] = "the untreated has none"
        reasons[untreated] = "the untreated itself"
    return reasons


def mean_rows(plan: PlotPlan, item: Assessed, made: ModelledMeans) -> Rows:
    """Rows of ``count_models`` of the days after treatment, day after day."""
    reasons = why_no_ratio(made.columns["mean"], made.settled, plan.untreated)
    t, size = reasons.shape
    against = {name: np.where(reasons == "", part, np.nan) for name, part in made.against.items()}
    return {
        "variable": [item.variable.name] * (t * size),
        "days_after": np.repeat(item.days[item.days > 0], t),
        "treatment": list(plan.treatments) * size,
        **{name: part.T.ravel() for name, part in {**made.columns, **against}.items()},
        "dispersion": np.repeat(made.dispersion, t),
        "reason": _texts(reasons),
        "model": [made.model] * (t * size),
        "note": _texts(made.notes),
    }


def tested_rows(
    item: Assessed,
    models: Sequence[str],
    numbers: Mapping[str, FloatArray],
    notes: TextArray,
    sources: Sequence[str] = (),
) -> Rows:
    """Rows of ``count_tests`` of the days after treatment, day after day.

    Parameters
    ----------
    item : Assessed
    models : sequence of str
        Of the lines of a day.
    numbers : mapping of str to float array, shape (lines, days)
    notes : array of str, shape (lines, days)
    sources : sequence of str, optional
        Of the lines of a day, where they are of several factors.
    """
    days = item.days[item.days > 0]
    rows: dict[str, Sized] = {
        "variable": [item.variable.name] * (len(models) * days.size),
        "days_after": np.repeat(days, len(models)),
        "model": list(models) * days.size,
        **{name: part.T.ravel() for name, part in numbers.items()},
        "note": _texts(notes),
    }
    return {**rows, "source": list(sources) * days.size} if sources else rows


def strata_rows(
    item: Assessed,
    model: str,
    terms: Sequence[ModelTest],
    dispersion: FloatArray,
    notes: TextArray,
) -> Rows:
    """Rows of ``count_tests`` of factors that are each tested in their own stratum.

    Parameters
    ----------
    item : Assessed
    model : str
    terms : sequence of ModelTest
        All combinations, and each factor and their interaction.
    dispersion : float array, shape (days,)
        Of plots; all combinations are tested over all errors, and it is shown with them.
    notes : array of str, shape (days,)
    """
    numbers = {
        name: np.array([getattr(term, name) for term in terms])
        for name in ("df", "df_error", "F", "deviance", "p", "dispersion")
    }
    numbers["dispersion"][0] = dispersion
    lines = np.tile(notes.astype(object), (len(terms), 1))
    return tested_rows(item, [model] * len(terms), numbers, lines, [term.source for term in terms])


def _texts(notes: TextArray) -> list[str | None]:
    return [text or None for text in notes.T.ravel()]
