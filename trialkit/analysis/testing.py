"""Responses -> ANOVA, means with letters and comparisons, as tables."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.analysis.responses import FloatArray, PlotPlan, Response, treatment_means
from trialkit.analysis.result import make_table
from trialkit.inference.comparisons import Comparisons, Method, compare
from trialkit.inference.linear import LinearFit, fit_layout
from trialkit.inference.transforms import TransformName, backward, forward
from trialkit.trial import Comparison, Settings

Keys = dict[str, NDArray[Any]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Tested:
    """The tables of the tests, and the fits behind them.

    Attributes
    ----------
    fits : tuple of LinearFit
        Each serves the responses with one pattern of missing plots; ``columns`` of a fit
        index the list of responses.
    """

    fits: tuple[LinearFit, ...]
    anova: pd.DataFrame
    means: pd.DataFrame
    comparisons: pd.DataFrame
    responses: pd.DataFrame


def _keys(responses: list[Response], transforms: Sequence[TransformName]) -> Keys:
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
    analysed = np.column_stack(
        [forward(name, item.values) for item, name in zip(responses, transforms, strict=True)]
    )
    counted = np.column_stack([item.values for item in responses])
    keys = _keys(responses, transforms)
    fits = fit_layout(plan.layout, analysed)
    anova, means, comparisons, lines = [], [], [], []
    for fit in fits:
        made = _compare_all(fit, plan, settings)
        anova.append(_anova_table(fit, keys))
        means.append(_means_table(fit, plan, keys, counted, made, settings))
        comparisons += [_comparison_table(item, fit, plan, keys) for item in made]
        lines.append(_response_table(fit, keys, counted, settings))
    order = np.argsort(np.concatenate([fit.columns for fit in fits]), kind="stable")
    return Tested(
        fits=fits,
        anova=_in_order(anova),
        means=_in_order(means),
        comparisons=_in_order(comparisons),
        responses=pd.concat(lines, ignore_index=True).iloc[order].reset_index(drop=True),
    )


def _in_order(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Put the rows of several fits into the order of the responses."""
    joined = pd.concat(tables, ignore_index=True)
    place = joined.pop("_response").to_numpy()
    return joined.iloc[np.argsort(place, kind="stable")].reset_index(drop=True)


def _compare_all(fit: LinearFit, plan: PlotPlan, settings: Settings) -> list[Comparisons]:
    """The procedure of the settings over all pairs, and Dunnett against the untreated beside it."""
    made = []
    chosen = settings.comparison
    if chosen not in {Comparison.NONE, Comparison.DUNNETT}:
        made.append(compare(fit, Method(chosen.value), alpha=settings.alpha))
    if chosen is not Comparison.NONE and plan.untreated is not None:
        made.append(compare(fit, Method.DUNNETT, alpha=settings.alpha, control=plan.untreated))
    return made


def _repeat_keys(keys: Keys, columns: NDArray[np.intp], times: int) -> Keys:
    return {name: np.repeat(values[columns], times) for name, values in keys.items()}


def _with_place(name: str, columns: dict[str, Sized], fit: LinearFit, times: int) -> pd.DataFrame:
    table = make_table(name, columns)
    table["_response"] = np.repeat(fit.columns, times)
    return table


def _anova_table(fit: LinearFit, keys: Keys) -> pd.DataFrame:
    terms = fit.terms
    count = len(terms)
    columns: dict[str, Sized] = {**_repeat_keys(keys, fit.columns, count)}
    columns["source"] = np.tile(
        np.array([term.source for term in terms], dtype=object), fit.columns.size
    )
    columns["df"] = np.tile(np.array([float(term.df) for term in terms]), fit.columns.size)
    for field, attribute in (("sum_sq", "sum_sq"), ("mean_sq", "mean_sq"), ("F", "F"), ("p", "p")):
        columns[field] = np.stack([getattr(term, attribute) for term in terms]).T.ravel()
    return _with_place("anova", columns, fit, count)


def _means_table(
    fit: LinearFit,
    plan: PlotPlan,
    keys: Keys,
    counted: FloatArray,
    made: list[Comparisons],
    settings: Settings,
) -> pd.DataFrame:
    size, width = len(plan.treatments), fit.columns.size
    raw = treatment_means(counted[:, fit.columns], plan)
    half = t_quantile(fit, settings.alpha) * fit.se
    names: list[TransformName] = [keys["transform"][column] for column in fit.columns]
    back, lower, upper = (
        np.column_stack([backward(name, part[:, j]) for j, name in enumerate(names)])
        for part in (fit.means, fit.means - half, fit.means + half)
    )
    pairwise = next((item for item in made if item.method is not Method.DUNNETT), None)
    marks: list[str | None] = [None] * (size * width)
    if pairwise is not None:
        marks = [mark or None for marked in pairwise.letters(fit.means) for mark in marked]
    columns: dict[str, Sized] = {
        name: values
        for name, values in _repeat_keys(keys, fit.columns, size).items()
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
    return _with_place("means", columns, fit, size)


def _comparison_table(
    made: Comparisons, fit: LinearFit, plan: PlotPlan, keys: Keys
) -> pd.DataFrame:
    ids = np.array(plan.treatments, dtype=object)
    count, width = made.a.size, fit.columns.size
    columns: dict[str, Sized] = {
        name: values
        for name, values in _repeat_keys(keys, fit.columns, count).items()
        if name != "transform"
    }
    columns["a"] = np.tile(ids[made.a], width)
    columns["b"] = np.tile(ids[made.b], width)
    columns["method"] = np.full(count * width, made.method.value, dtype=object)
    for name in ("difference", "se", "p_adjusted", "lower", "upper"):
        columns[name] = getattr(made, name).T.ravel()
    columns["different"] = made.different.T.ravel().astype(object)
    return _with_place("comparisons", columns, fit, count)


def _response_table(
    fit: LinearFit,
    keys: Keys,
    counted: FloatArray,
    settings: Settings,
) -> pd.DataFrame:
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
    return make_table("responses", columns)


def t_quantile(fit: LinearFit, alpha: float) -> float:
    """Two-sided t on the error degrees of freedom; NaN where there are none."""
    if fit.df_error <= 0:
        return float("nan")
    return float(special.stdtrit(fit.df_error, 1.0 - alpha / 2.0))


def _note(fit: LinearFit, j: int) -> str | None:
    if fit.df_error <= 0:
        return "too few plots are left to estimate the error"
    if not np.isfinite(fit.treatment.F[j]):
        return "the plots do not vary within treatments, so there is nothing to test against"
    return None
