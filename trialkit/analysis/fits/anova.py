"""Responses -> ANOVA, means with letters and comparisons, as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.analysis.plots.larger_units import StrataPlan
from trialkit.analysis.plots.responses import (
    FloatArray,
    IntArray,
    PlotPlan,
    Response,
    treatment_means,
)
from trialkit.analysis.result import table_of_parts
from trialkit.inference.comparisons.procedures import Comparisons, Method, compare
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import TransformName, backward, by_column, forward
from trialkit.inference.normal.linear import LinearFit, fit_layout
from trialkit.inference.normal.stratified import StratifiedFit
from trialkit.trial import Comparison, Settings

Keys = dict[str, NDArray[Any]]
#: Columns of a part of a table, and the response that each row is of.
Part = tuple[Mapping[str, Sized], IntArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class Strata:
    """Analyses with several errors.

    Attributes
    ----------
    plan : StrataPlan
    fits : tuple of (int array, StratifiedFit)
        Which responses, and their analysis.
    """

    plan: StrataPlan
    fits: tuple[tuple[IntArray, StratifiedFit], ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Tested:
    """The tables of the tests, and the fits behind them.

    Attributes
    ----------
    fits : tuple of LinearFit
        Each serves the responses with one pattern of missing plots; ``columns`` of a fit
        index the list of responses. In split-plots and strip-plots one a response, with the
        covariance of the treatment means that their strata give.
    checked : tuple of LinearFit
        Fits whose residuals are looked at, and whose error is the smallest of the design: in
        split-plots and strip-plots those with main plots or strips taken out, else ``fits``.
    checked_layout : Layout
        Layout of the fits that are checked.
    strata : Strata or None
        In split-plots and strip-plots the plan and the analyses by strata or REML.
    """

    fits: tuple[LinearFit, ...]
    checked: tuple[LinearFit, ...]
    checked_layout: Layout
    strata: Strata | None
    anova: pd.DataFrame
    means: pd.DataFrame
    comparisons: pd.DataFrame
    responses: pd.DataFrame


def response_keys(responses: list[Response], transforms: Sequence[TransformName]) -> Keys:
    """What names a response in every table, one entry a response."""
    return {
        "variable": np.array([item.variable.name for item in responses], dtype=object),
        "measure": np.array([item.measure for item in responses], dtype=object),
        "days_after": np.array([item.day for item in responses], dtype=float),
        "transform": np.array(transforms, dtype=object),
    }


def run_tests(
    plan: PlotPlan,
    responses: list[Response],
    transforms: Sequence[TransformName],
    settings: Settings,
) -> Tested:
    """Fit all responses that share plots at once, and tabulate every test.

    Parameters
    ----------
    plan : PlotPlan
    responses : list of Response
    transforms : sequence of str
        Scale of analysis of each response.
    settings : Settings
    """
    counted = np.column_stack([item.values for item in responses])
    analysed = by_column(forward, transforms, counted)
    keys = response_keys(responses, transforms)
    fits = fit_layout(plan.layout, analysed)
    anova, means, comparisons, lines = [], [], [], []
    for fit in fits:
        made = _compare_all(fit, plan, settings)
        anova.append(_anova_table(fit, keys))
        means.append(_means_table(fit, plan, keys, counted, made, settings))
        comparisons += [comparison_table(item, fit.columns, plan, keys) for item in made]
        lines.append(_response_table(fit, keys, counted, settings))
    return Tested(
        fits=fits,
        checked=fits,
        checked_layout=plan.layout,
        strata=None,
        anova=in_order("anova", anova),
        means=in_order("means", means),
        comparisons=in_order("comparisons", comparisons),
        responses=in_order("responses", lines),
    )


def in_order(name: str, parts: Sequence[Part]) -> pd.DataFrame:
    """Make a table of the rows of several fits, in the order of the responses."""
    return table_of_parts(name, [columns for columns, _ in parts], [place for _, place in parts])


def _compare_all(fit: LinearFit, plan: PlotPlan, settings: Settings) -> list[Comparisons]:
    """The procedure of the settings over all pairs, and Dunnett against the untreated beside it."""
    made = []
    chosen = settings.comparison
    if chosen not in {Comparison.NONE, Comparison.DUNNETT}:
        made.append(compare(fit, Method(chosen.value), alpha=settings.alpha))
    if chosen is not Comparison.NONE and plan.untreated is not None:
        made.append(compare(fit, Method.DUNNETT, alpha=settings.alpha, control=plan.untreated))
    return made


def repeat_keys(keys: Keys, columns: IntArray, times: int) -> Keys:
    """Keys of some responses, each so many times."""
    return {name: np.repeat(values[columns], times) for name, values in keys.items()}


def with_place(columns: Mapping[str, Sized], responses: IntArray, times: int) -> Part:
    """Mark columns with so many rows a response with their places for `in_order`."""
    return columns, np.repeat(responses, times)


def _anova_table(fit: LinearFit, keys: Keys) -> Part:
    terms = fit.terms
    count = len(terms)
    columns: dict[str, Sized] = {**repeat_keys(keys, fit.columns, count)}
    columns["source"] = np.tile(
        np.array([term.source for term in terms], dtype=object), fit.columns.size
    )
    columns["df"] = np.tile(np.array([float(term.df) for term in terms]), fit.columns.size)
    for field, attribute in (("sum_sq", "sum_sq"), ("mean_sq", "mean_sq"), ("F", "F"), ("p", "p")):
        columns[field] = np.stack([getattr(term, attribute) for term in terms]).T.ravel()
    return with_place(columns, fit.columns, count)


def _means_table(
    fit: LinearFit,
    plan: PlotPlan,
    keys: Keys,
    counted: FloatArray,
    made: list[Comparisons],
    settings: Settings,
) -> Part:
    size, width = len(plan.treatments), fit.columns.size
    raw = treatment_means(counted[:, fit.columns], plan)
    half = t_quantile(fit, settings.alpha) * fit.se
    names: list[TransformName] = [keys["transform"][column] for column in fit.columns]
    back, lower, upper = (
        by_column(backward, names, part) for part in (fit.means, fit.means - half, fit.means + half)
    )
    pairwise = next((item for item in made if item.method is not Method.DUNNETT), None)
    marks: list[str | None] = [None] * (size * width)
    if pairwise is not None:
        marks = [mark or None for marked in pairwise.letters(fit.means) for mark in marked]
    columns: dict[str, Sized] = {
        name: values
        for name, values in repeat_keys(keys, fit.columns, size).items()
        if name != "transform"
    }
    columns["treatment"] = np.tile(np.array(plan.treatments, dtype=object), width)
    columns["n"] = np.tile(fit.n.astype(float), width)
    for name, part in (
        ("mean", raw),
        ("mean_analysed", fit.means),
        ("se", fit.se),
        ("lower", lower),
        ("upper", upper),
        ("back_transformed", back),
    ):
        columns[name] = part.T.ravel()
    columns["letters"] = marks
    return with_place(columns, fit.columns, size)


def comparison_table(made: Comparisons, responses: IntArray, plan: PlotPlan, keys: Keys) -> Part:
    """Tabulate the pairs of some responses."""
    ids = np.array(plan.treatments, dtype=object)
    count, width = made.a.size, responses.size
    columns: dict[str, Sized] = {
        name: values
        for name, values in repeat_keys(keys, responses, count).items()
        if name != "transform"
    }
    columns["a"] = np.tile(ids[made.a], width)
    columns["b"] = np.tile(ids[made.b], width)
    columns["method"] = np.full(count * width, made.method.value, dtype=object)
    for name in ("difference", "se", "p_adjusted", "lower", "upper"):
        columns[name] = getattr(made, name).T.ravel()
    columns["different"] = made.different.T.ravel().astype(object)
    return with_place(columns, responses, count)


def _response_table(
    fit: LinearFit,
    keys: Keys,
    counted: FloatArray,
    settings: Settings,
) -> Part:
    width = fit.columns.size
    columns: dict[str, Sized] = {name: values[fit.columns] for name, values in keys.items()}
    columns["comparison"] = [settings.comparison.value] * width
    columns["n_plots"] = np.full(width, float(fit.plots.size))
    columns["n_missing"] = np.full(width, float(counted.shape[0] - fit.plots.size))
    columns["grand_mean"] = fit.grand_mean
    columns["cv_percent"] = fit.cv_percent
    columns["df_treatment"] = np.full(width, float(fit.treatment.df))
    columns["df_error"] = np.full(width, float(fit.df_error))
    columns["ms_error"] = fit.ms_error
    columns["F"] = fit.treatment.F
    columns["p"] = fit.treatment.p
    columns["note"] = [_note(fit, j) for j in range(width)]
    return with_place(columns, fit.columns, 1)


def t_quantile(fit: LinearFit, alpha: float) -> float:
    """Two-sided t on the error degrees of freedom; NaN where there are none."""
    if fit.df_error <= 0:
        return float("nan")
    return float(special.stdtrit(fit.df_error, 1.0 - alpha / 2.0))


def _note(fit: LinearFit, j: int) -> str | None:
    if fit.df_error <= 0:
        return "too few plots are left to estimate the error"
    if fit.treatment.df <= 0:
        return "the plots that are left allow no comparison of treatments"
    if not np.isfinite(fit.treatment.F[j]):
        return "the plots do not vary within treatments, so there is nothing to test against"
    return None
