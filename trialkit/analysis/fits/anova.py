"""Responses -> ANOVA, means with letters and comparisons, as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.plots.responses import (
    FloatArray,
    IntArray,
    PlotPlan,
    Response,
    treatment_means,
)
from trialkit.analysis.result import table_of_parts
from trialkit.inference.comparisons.family import t_critical
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import Comparisons, compare
from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import TransformName, backward, by_column, forward
from trialkit.inference.fit import Fit, JointTest
from trialkit.inference.normal.linear import LinearFit, fit_layout
from trialkit.inference.normal.strata_fit import StratifiedFit
from trialkit.inference.normal.stratified import fit_strata
from trialkit.trial import Comparison, Settings

Keys = dict[str, NDArray[Any]]
#: Columns of a part of a table, and the response that each row is of.
Part = tuple[Mapping[str, Sized], IntArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class Tested:
    """The tables of the tests, and the fits behind them.

    Attributes
    ----------
    fits : tuple of Fit
        ``columns`` of a fit index the list of responses. With one error each serves the
        responses with one pattern of missing plots; with several one serves all.
    strata : StratifiedFit or None
        The one fit of a design with larger units.
    checked : tuple of LinearFit
        Fits whose residuals are looked at, and whose error is the smallest of the design: with
        larger units those with the units taken out, else ``fits``.
    checked_layout : Layout
        Layout of the fits that are checked.
    """

    fits: tuple[Fit, ...]
    strata: StratifiedFit | None
    checked: tuple[LinearFit, ...]
    checked_layout: Layout
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
    layout = plan.layout
    checked = fit_layout(layout.inside_units, analysed)
    strata = fit_strata(layout, analysed) if layout.units else None
    fits: tuple[Fit, ...] = checked if strata is None else (strata,)
    anova, means, comparisons, lines = [], [], [], []
    for fit in fits:
        overall = fit.overall(layout.weights)
        made = _compare_all(fit, plan, settings, overall.p)
        anova.append(_anova_table(fit, keys))
        means.append(_means_table(fit, plan, keys, counted, made, settings))
        comparisons += [comparison_table(item, fit.columns, plan.treatments, keys) for item in made]
        lines.append(_response_table(fit, overall, keys, counted, settings))
    return Tested(
        fits=fits,
        strata=strata,
        checked=checked,
        checked_layout=layout.inside_units,
        anova=in_order("anova", anova),
        means=in_order("means", means),
        comparisons=in_order("comparisons", comparisons),
        responses=in_order("responses", lines),
    )


def in_order(name: str, parts: Sequence[Part]) -> pd.DataFrame:
    """Make a table of the rows of several fits, in the order of the responses."""
    return table_of_parts(name, [columns for columns, _ in parts], [place for _, place in parts])


def _compare_all(
    fit: Fit, plan: PlotPlan, settings: Settings, overall_p: FloatArray
) -> list[Comparisons]:
    """The procedure of the settings over all pairs, and Dunnett against the untreated beside it."""
    made = []
    chosen, rows, alpha = settings.comparison, plan.layout.weights, settings.alpha
    if chosen not in {Comparison.NONE, Comparison.DUNNETT}:
        method = Method(chosen.value)
        made.append(compare(fit, method, rows=rows, alpha=alpha, overall_p=overall_p))
    if chosen is not Comparison.NONE and plan.untreated is not None:
        made.append(compare(fit, Method.DUNNETT, rows=rows, alpha=alpha, control=plan.untreated))
    return made


def repeat_keys(keys: Keys, columns: IntArray, times: int) -> Keys:
    """Keys of some responses, each so many times."""
    return {name: np.repeat(values[columns], times) for name, values in keys.items()}


def with_place(columns: Mapping[str, Sized], responses: IntArray, times: int) -> Part:
    """Mark columns with so many rows a response with their places for `in_order`."""
    return columns, np.repeat(responses, times)


def _anova_table(fit: Fit, keys: Keys) -> Part:
    """Lines of all responses; what REML has no number for (its errors) is left out."""
    k, count = fit.columns.size, len(fit.terms)
    numbers = {
        name: np.stack([np.broadcast_to(getattr(term, name), k) for term in fit.terms]).T.ravel()
        for name in ("df", "sum_sq", "mean_sq", "df_error", "F", "p")
    }
    sources = np.tile(np.array([term.source for term in fit.terms], dtype=object), k)
    shown = numbers["df"] > 0 if fit.covariance(np.eye(fit.n_means)) is None else slice(None)
    place = np.repeat(fit.columns, count)[shown]
    columns: dict[str, Sized] = {name: values[place] for name, values in keys.items()}
    columns["source"] = sources[shown]
    columns |= {name: np.asarray(values, dtype=float)[shown] for name, values in numbers.items()}
    return columns, place


def _means_table(
    fit: Fit,
    plan: PlotPlan,
    keys: Keys,
    counted: FloatArray,
    made: list[Comparisons],
    settings: Settings,
) -> Part:
    size, width = len(plan.treatments), fit.columns.size
    found = fit.contrasts(plan.layout.weights)
    values = counted[:, fit.columns]
    half = t_critical(settings.alpha, found.df) * found.se
    names: list[TransformName] = [keys["transform"][column] for column in fit.columns]
    back, lower, upper = (
        by_column(backward, names, part)
        for part in (found.estimate, found.estimate - half, found.estimate + half)
    )
    pairwise = next((item for item in made if item.method is not Method.DUNNETT), None)
    columns: dict[str, Sized] = {
        name: values
        for name, values in repeat_keys(keys, fit.columns, size).items()
        if name != "transform"
    }
    columns["treatment"] = np.tile(np.array(plan.treatments, dtype=object), width)
    columns["letters"] = letters_of(pairwise, found.estimate)
    member = indicator(plan.treatment, size).T
    for name, part in (
        ("n", member @ np.isfinite(values)),
        ("mean", treatment_means(values, plan)),
        ("mean_analysed", found.estimate),
        ("se", found.se),
        ("df", found.df),
        ("lower", lower),
        ("upper", upper),
        ("back_transformed", back),
    ):
        columns[name] = part.T.ravel()
    return with_place(columns, fit.columns, size)


def letters_of(made: Comparisons | None, means: FloatArray) -> list[str | None]:
    """Letters of means (t, k), one response after the other; None where there are none."""
    if made is None:
        return [None] * means.size
    return [mark or None for marked in made.letters(means) for mark in marked]


def comparison_table(
    made: Comparisons,
    responses: IntArray,
    names: Sequence[str],
    keys: Keys,
    factor: str | None = None,
) -> Part:
    """Tabulate the pairs of some responses: of treatments, or of the levels of a factor."""
    ids = np.array(names, dtype=object)
    count, width = made.a.size, responses.size
    columns: dict[str, Sized] = {
        name: values
        for name, values in repeat_keys(keys, responses, count).items()
        if name != "transform"
    }
    if factor is not None:
        columns["factor"] = [factor] * (count * width)
    columns["a"] = np.tile(ids[made.a], width)
    columns["b"] = np.tile(ids[made.b], width)
    columns["method"] = np.full(count * width, made.method.value, dtype=object)
    for name in ("difference", "se", "df", "p_adjusted", "lower", "upper"):
        columns[name] = getattr(made, name).T.ravel()
    columns["different"] = made.different.T.ravel().astype(object)
    return with_place(columns, responses, count)


def _response_table(
    fit: Fit, overall: JointTest, keys: Keys, counted: FloatArray, settings: Settings
) -> Part:
    width, level = fit.columns.size, fit.grand_mean
    number = np.isfinite(counted[:, fit.columns]).sum(axis=0).astype(float)
    cv = 100.0 * np.sqrt(fit.ms_error) / np.where(level > 0, level, np.nan)
    columns: dict[str, Sized] = {name: values[fit.columns] for name, values in keys.items()}
    columns |= {
        "comparison": [settings.comparison.value] * width,
        "n_plots": number,
        "n_missing": len(counted) - number,
        "grand_mean": level,
        "cv_percent": cv,
        "df_treatment": np.array(np.broadcast_to(overall.df, width), dtype=float),
        "df_error": overall.df_error,
        "ms_error": fit.ms_error,
        "F": overall.F,
        "p": overall.p,
        "note": [text or None for text in overall.note],
    }
    return with_place(columns, fit.columns, 1)
