"""Split-plot and strip-plot responses -> ANOVA with several errors, means and comparisons."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trialkit.analysis.fits.anova import (
    Keys,
    Part,
    Strata,
    Tested,
    comparison_table,
    in_order,
    repeat_keys,
    response_keys,
    run_tests,
    with_place,
)
from trialkit.analysis.plots.larger_units import StrataPlan, plan_strata
from trialkit.analysis.plots.responses import (
    FloatArray,
    IntArray,
    PlotPlan,
    Response,
    treatment_means,
)
from trialkit.inference.comparisons.mixed_procedures import compare_pairs
from trialkit.inference.comparisons.procedures import Comparisons, Method
from trialkit.inference.design.fixed_model import Factor
from trialkit.inference.design.scales import TransformName, backward, forward
from trialkit.inference.normal.linear import LinearFit, Term, fit_layout
from trialkit.inference.normal.split_plot import split_plot
from trialkit.inference.normal.strata_tests import JointTest, joint_test
from trialkit.inference.normal.stratified import StratifiedFit
from trialkit.inference.normal.strip_plot import strip_plot
from trialkit.trial import Comparison, Design, Settings, Trial

COMBINATIONS = (
    "F and p are those of all combinations of main factor and sub factor together, over both "
    "errors, with degrees of freedom after Kenward and Roger"
)


def run_all_tests(
    trial: Trial, plan: PlotPlan, responses: list[Response], transforms: Sequence[TransformName]
) -> Tested:
    """Test every response as the design of the trial asks.

    Raises
    ------
    TrialError
        When the plan of a split-plot or strip-plot contradicts its design.
    """
    strata = plan_strata(trial, plan)
    if strata is None:
        return run_tests(plan, responses, transforms, trial.settings)
    return _run_strata(plan, strata, responses, transforms, trial.settings)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Means:
    """Means of the treatments (t, k) and their pairs (p, k), by one analysis."""

    mean: FloatArray
    se: FloatArray
    df: FloatArray
    pair_se: FloatArray
    pair_df: FloatArray
    F: FloatArray
    df_error: FloatArray
    p: FloatArray

    def covariance(self, j: int) -> FloatArray:
        """Covariance (t, t) of the means of one response."""
        t = len(self.mean)
        spread = np.zeros((t, t))
        spread[np.triu_indices(t, 1)] = self.pair_se[:, j] ** 2
        spread += spread.T
        variance = self.se[:, j] ** 2
        return np.asarray((variance[:, None] + variance[None, :] - spread) / 2.0)


def _run_strata(
    plan: PlotPlan,
    strata: StrataPlan,
    responses: list[Response],
    transforms: Sequence[TransformName],
    settings: Settings,
) -> Tested:
    analysed = np.column_stack(
        [forward(name, item.values) for item, name in zip(responses, transforms, strict=True)]
    )
    counted = np.column_stack([item.values for item in responses])
    keys = response_keys(responses, transforms)
    checked = fit_layout(strata.inner, analysed)
    fits, stratified = [], []
    anova, means, comparisons, lines = [], [], [], []
    for columns in _groups(analysed):
        fit = fit_strata(strata, analysed[:, columns])
        found = _means(fit, strata)
        made = _compare_all(found, plan, settings)
        stratified.append((columns, fit))
        anova += [_anova_table(fit, j, column, keys) for j, column in enumerate(columns)]
        means.append(_means_table(found, columns, plan, keys, counted, made, settings))
        comparisons += [comparison_table(item, columns, plan, keys) for item in made]
        lines.append(_response_table(fit, found, columns, keys, analysed, settings))
        fits += [_as_linear(found, j, column, checked) for j, column in enumerate(columns)]
    order = np.argsort(np.concatenate([columns for columns, _ in stratified]), kind="stable")
    return Tested(
        fits=tuple(fits[place] for place in order),
        checked=checked,
        checked_layout=strata.inner,
        strata=Strata(plan=strata, fits=tuple(stratified)),
        anova=in_order("anova", anova),
        means=in_order("means", means),
        comparisons=in_order("comparisons", comparisons),
        responses=in_order("responses", lines),
    )


def _groups(analysed: FloatArray) -> list[IntArray]:
    """Complete responses together, each other one by itself: it may need REML."""
    complete = ~np.isnan(analysed).any(axis=0)
    whole = np.flatnonzero(complete).astype(np.intp)
    others = [np.array([column], dtype=np.intp) for column in np.flatnonzero(~complete)]
    return [whole, *others] if whole.size else others


def fit_strata(strata: StrataPlan, values: FloatArray) -> StratifiedFit:
    """Analyse responses (plots, k) by the design's strata, or by REML where plots are missing."""
    a, b = len(strata.mains), len(strata.subs)
    if strata.design is Design.STRIP_PLOT and strata.block is not None:
        return strip_plot(strata.main, strata.sub, strata.block, values, n_main=a, n_sub=b)
    return split_plot(
        strata.main,
        strata.sub,
        values,
        blocking=strata.blocking,
        main_plot=strata.main_plot,
        n_main=a,
        n_sub=b,
    )


def _means(fit: StratifiedFit, strata: StrataPlan) -> _Means:
    weights = strata.weights
    mean, se, df = fit.contrasts(weights)
    unseen = ~weights.any(axis=1)
    mean[unseen], se[unseen], df[unseen] = np.nan, np.nan, np.nan
    a, b = np.triu_indices(len(weights), 1)
    _, pair_se, pair_df = fit.contrasts(weights[a] - weights[b])
    test = _overall(fit, weights, mean)
    return _Means(
        mean=mean,
        se=se,
        df=df,
        pair_se=pair_se,
        pair_df=pair_df,
        F=test.F,
        df_error=test.df_error,
        p=test.p,
    )


def _overall(fit: StratifiedFit, weights: FloatArray, mean: FloatArray) -> JointTest:
    """Test that all treatments with a mean are alike."""
    known = weights[~np.isnan(mean).any(axis=1)]
    size = len(known)
    if size > 1:
        known = Factor("treatment", np.arange(size), size).coding.T @ known
    return joint_test(fit, known if size > 1 else known[:0])


def _compare_all(found: _Means, plan: PlotPlan, settings: Settings) -> list[Comparisons]:
    """The procedure of the settings over all pairs, and Dunnett against the untreated beside it."""
    chosen, made = settings.comparison, []
    if chosen not in {Comparison.NONE, Comparison.DUNNETT}:
        made.append(_compare(found, Method(chosen.value), settings.alpha, None))
    if chosen is not Comparison.NONE and plan.untreated is not None:
        made.append(_compare(found, Method.DUNNETT, settings.alpha, plan.untreated))
    return made


def _compare(found: _Means, method: Method, alpha: float, control: int | None) -> Comparisons:
    return compare_pairs(
        found.mean,
        found.pair_se,
        found.pair_df,
        method,
        alpha=alpha,
        control=control,
        overall_p=found.p,
    )


def _anova_table(fit: StratifiedFit, j: int, column: int, keys: Keys) -> Part:
    """Lines of one response; REML has no sums of squares and no lines for its errors."""
    terms = [term for term in fit.terms if np.isfinite(term.df[j]) and term.df[j] > 0]
    place = np.array([column], dtype=np.intp)
    columns: dict[str, Sized] = {**repeat_keys(keys, place, len(terms))}
    columns["source"] = [term.source for term in terms]
    for name in ("df", "sum_sq", "mean_sq", "F", "p"):
        columns[name] = [float(getattr(term, name)[j]) for term in terms]
    return with_place(columns, place, len(terms))


def _means_table(
    found: _Means,
    responses: IntArray,
    plan: PlotPlan,
    keys: Keys,
    counted: FloatArray,
    made: list[Comparisons],
    settings: Settings,
) -> Part:
    size, width = len(plan.treatments), responses.size
    half = special.stdtrit(found.df, 1.0 - settings.alpha / 2.0) * found.se
    names: list[TransformName] = [keys["transform"][column] for column in responses]
    back, lower, upper = (
        np.column_stack([backward(name, part[:, j]) for j, name in enumerate(names)])
        for part in (found.mean, found.mean - half, found.mean + half)
    )
    pairwise = next((item for item in made if item.method is not Method.DUNNETT), None)
    marks: list[str | None] = [None] * (size * width)
    if pairwise is not None:
        marks = [mark or None for marked in pairwise.letters(found.mean) for mark in marked]
    columns: dict[str, Sized] = {
        name: values
        for name, values in repeat_keys(keys, responses, size).items()
        if name != "transform"
    }
    known = np.isfinite(counted[:, responses])
    member = plan.treatment[None, :] == np.arange(size)[:, None]
    columns["treatment"] = np.tile(np.array(plan.treatments, dtype=object), width)
    columns["letters"] = marks
    for name, part in (
        ("n", member.astype(float) @ known),
        ("mean", treatment_means(counted[:, responses], plan)),
        ("mean_analysed", found.mean),
        ("se", found.se),
        ("lower", lower),
        ("upper", upper),
        ("back_transformed", back),
    ):
        columns[name] = part.T.ravel()
    return with_place(columns, responses, size)


def _response_table(
    fit: StratifiedFit,
    found: _Means,
    responses: IntArray,
    keys: Keys,
    analysed: FloatArray,
    settings: Settings,
) -> Part:
    number = np.isfinite(analysed[:, responses]).sum(axis=0).astype(float)
    ms_error, level = fit.components["error"], fit.grand_mean
    with np.errstate(invalid="ignore", divide="ignore"):
        cv = np.where(level > 0, 100.0 * np.sqrt(ms_error) / level, np.nan)
    seen = np.isfinite(found.mean).sum(axis=0)
    columns: dict[str, Sized] = {name: values[responses] for name, values in keys.items()}
    columns |= {
        "comparison": [settings.comparison.value] * responses.size,
        "n_plots": number,
        "n_missing": len(analysed) - number,
        "grand_mean": level,
        "cv_percent": cv,
        "df_treatment": np.maximum(seen - 1.0, 0.0),
        "df_error": found.df_error,
        "ms_error": ms_error,
        "F": found.F,
        "p": found.p,
        "note": [_note(str(text), float(f)) for text, f in zip(fit.note, found.F, strict=True)],
    }
    return with_place(columns, responses, 1)


def _note(text: str, F: float) -> str:
    if not np.isfinite(F):
        return text or "the plots do not vary, so there is nothing to test against"
    return f"{text}; {COMBINATIONS}" if text else COMBINATIONS


def _as_linear(found: _Means, j: int, column: int, checked: tuple[LinearFit, ...]) -> LinearFit:
    """One response as a fit of treatments, for what is worked out from means and covariances.

    Its error has one degree of freedom number for all means: that of the differences, on
    (harmonic) average and rounded down.
    """
    inner = next(fit for fit in checked if column in fit.columns)
    place = np.flatnonzero(inner.columns == column)
    df = found.pair_df[:, j]
    known = df[np.isfinite(df) & (df > 0)]
    common = int(known.size / (1.0 / known).sum()) if known.size else 0
    ms_error = inner.ms_error[place]
    scale = float(ms_error[0]) if ms_error[0] > 0 else 1.0
    one = np.array([np.nan])
    treatment = Term(
        source="treatment",
        df=int(np.isfinite(found.mean[:, j]).sum()) - 1,
        sum_sq=one,
        mean_sq=one,
        F=found.F[[j]],
        p=found.p[[j]],
    )
    return replace(
        inner,
        columns=np.array([column], dtype=np.intp),
        terms=(
            treatment,
            Term(
                source="error",
                df=common,
                sum_sq=inner.error.sum_sq[place],
                mean_sq=ms_error,
                F=one,
                p=one,
            ),
        ),
        df_error=common,
        ms_error=np.array([scale]) if ms_error[0] > 0 else ms_error,
        raw_means=inner.raw_means[:, place],
        means=found.mean[:, [j]],
        unit_cov=found.covariance(j) / scale,
        fitted=inner.fitted[:, place],
        residuals=inner.residuals[:, place],
        grand_mean=inner.grand_mean[place],
    )
