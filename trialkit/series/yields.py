"""Yields and measurements over all trials as tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.result import table_of_parts
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import Comparisons, compare_pairs
from trialkit.inference.design.layout import FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.environment_anova import Crossing
from trialkit.inference.pooling.environments import (
    EnvironmentFit,
    Inference,
    analyse_environments,
)
from trialkit.inference.pooling.stability import (
    LEAST_ENVIRONMENTS,
    complete_table,
    stability,
)
from trialkit.inference.pooling.trial_contrasts import TrialMeans
from trialkit.numerals import plural
from trialkit.series.control_tables import Columns
from trialkit.series.matched import Matched, Means, SeriesVariable
from trialkit.trial import Comparison

#: Whom an inference speaks of.
SPEAKS_OF: dict[Inference, str] = {"broad": "other sites", "narrow": "these sites"}
#: Where the comparison of a pair was made only for claims.
_PAIRWISE = {Comparison.NONE, Comparison.DUNNETT}


@dataclass(frozen=True, kw_only=True, eq=False)
class Harvest:
    """One yield or measurement over all trials.

    Attributes
    ----------
    variable : SeriesVariable
    treatments : tuple of str
        In the order of the series; codes are places in it.
    means : tuple of Means
        Of the trials that have it.
    fit : EnvironmentFit or None
        None where trials cannot be analysed together.
    reason : str or None
        Why not.
    """

    variable: SeriesVariable
    treatments: tuple[str, ...]
    means: tuple[Means, ...]
    trials: tuple[TrialMeans, ...]
    fit: EnvironmentFit | None
    reason: str | None

    def order(self, chosen: str) -> tuple[Inference, ...]:
        """Both inferences, that of the settings first."""
        return ("broad", "narrow") if chosen == "random" else ("narrow", "broad")


def harvests(matched: Matched) -> list[Harvest]:
    """Analyse every yield and measurement over all trials."""
    found = []
    for variable in matched.variables:
        means = tuple(part for part in matched.means if part.variable == variable.name)
        if not means:
            continue
        seen = {name for part in means for name in part.treatments}
        treatments = tuple(name for name, _ in matched.treatments if name in seen)
        trials = tuple(_as_codes(part, treatments) for part in means)
        fit, reason = None, None
        try:
            fit = analyse_environments(trials, crossing=_crossing(matched, means))
        except NotEstimable as fault:
            reason = str(fault)
        found.append(
            Harvest(
                variable=variable,
                treatments=treatments,
                means=means,
                trials=trials,
                fit=fit,
                reason=reason,
            )
        )
    return found


def _crossing(matched: Matched, means: Sequence[Means]) -> Crossing | None:
    """Codes of sites and years of the trials; None where one does not say both."""
    places = {trial.key: (trial.site, trial.year) for trial in matched.trials}
    found = [places[part.trial] for part in means]
    if any(not site or year is None for site, year in found):
        return None
    sites, years = (list(dict.fromkeys(part)) for part in zip(*found, strict=True))
    return (
        np.array([sites.index(site) for site, _ in found], dtype=np.intp),
        np.array([years.index(year) for _, year in found], dtype=np.intp),
    )


def _as_codes(part: Means, treatments: tuple[str, ...]) -> TrialMeans:
    return TrialMeans(
        treatment=np.array([treatments.index(name) for name in part.treatments], dtype=np.intp),
        mean=part.means,
        unit=part.unit_covariance,
        error_variance=part.error_variance,
        df=part.df,
    )


def combined_anova(asked: Sequence[Harvest]) -> pd.DataFrame:
    """Analysis of variance over all trials."""
    parts: list[Columns] = []
    for one in asked:
        if one.fit is None:
            continue
        lines = one.fit.anova
        sums, df = np.array([line.sum_sq for line in lines]), np.array([line.df for line in lines])
        parts.append(
            {
                "variable": [one.variable.name] * len(lines),
                "source": [line.source for line in lines],
                "df": df,
                "sum_sq": sums,
                "mean_sq": sums / np.where(df > 0.0, df, np.nan),
                "F": [line.F for line in lines],
                "p": [line.p for line in lines],
                "df_error": [line.df_error for line in lines],
                "error": [line.error for line in lines],
                "note": [line.note for line in lines],
            }
        )
    return table_of_parts("combined_anova", parts)


def combined_means(matched: Matched, asked: Sequence[Harvest]) -> pd.DataFrame:
    """Means over all trials, with letters of the procedure of the settings."""
    parts: list[Columns] = []
    for one in asked:
        if one.fit is None:
            parts.append(_of_single_trials(matched, one))
            continue
        for inference in one.order(matched.settings.environments):
            parts.append(_means(matched, one, one.fit, inference))
    return table_of_parts("combined_means", parts)


def _means(matched: Matched, one: Harvest, fit: EnvironmentFit, inference: Inference) -> Columns:
    t = len(one.treatments)
    found = fit.means(inference)
    half = special.stdtrit(found.df, 1.0 - matched.settings.alpha / 2.0) * found.se
    letters: list[str | None] = [None] * t
    if matched.settings.comparison not in _PAIRWISE:
        made = compared(matched, one, fit, inference)
        letters = [mark or None for mark in made.letters(found.estimate[:, None])[0]]
    trials = len(one.trials)
    return {
        **_shown(matched, one, found.estimate),
        "trials": fit.trials_of.astype(float),
        "se": found.se,
        "df": found.df,
        "lower": found.estimate - half,
        "upper": found.estimate + half,
        "letters": letters,
        "inference": [SPEAKS_OF[inference]] * t,
        "note": [
            None if count == trials else f"in {count} of {trials} trials: adjusted for these"
            for count in fit.trials_of
        ],
    }


def _shown(matched: Matched, one: Harvest, means: FloatArray) -> Columns:
    """Means, and what they are of the reference and of all means."""
    base = next(
        (
            one.treatments.index(name)
            for name in (matched.settings.reference, matched.settings.untreated)
            if name in one.treatments
        ),
        None,
    )
    of_base = np.full(means.size, np.nan)
    if base is not None and means[base] > 0.0:
        of_base = 100.0 * means / means[base]
    level = float(means.mean())
    return {
        "variable": [one.variable.name] * means.size,
        "treatment": list(one.treatments),
        "mean": means,
        "percent_of_reference": of_base,
        "percent_of_mean": 100.0 * means / level if level > 0.0 else np.full(means.size, np.nan),
    }


def _of_single_trials(matched: Matched, one: Harvest) -> Columns:
    """Means of one trial, or of the first where trials have nothing in common to combine."""
    part, trial = one.means[0], one.trials[0]
    t = len(part.treatments)
    se = np.sqrt(part.error_variance * np.maximum(np.diagonal(part.unit_covariance), 0.0))
    half = special.stdtrit(part.df, 1.0 - matched.settings.alpha / 2.0) * se
    own = Harvest(
        variable=one.variable,
        treatments=part.treatments,
        means=(part,),
        trials=(trial,),
        fit=None,
        reason=one.reason,
    )
    return {
        **_shown(matched, own, part.means),
        "trials": np.ones(t),
        "se": se,
        "df": np.full(t, part.df),
        "lower": part.means - half,
        "upper": part.means + half,
        "letters": [None] * t,
        "inference": [SPEAKS_OF["narrow"]] * t,
        "note": [f"of trial {part.trial} alone: {one.reason}"] * t,
    }


def compared(
    matched: Matched,
    one: Harvest,
    fit: EnvironmentFit,
    inference: Inference,
    method: Method | None = None,
) -> Comparisons:
    """Compare the means over all trials, by the procedure of the settings unless another is named.

    Dunnett's procedure has the untreated of the series for its control.
    """
    a, b = np.triu_indices(len(one.treatments), 1)
    apart = fit.differences(a, b, inference)
    chosen = Method(matched.settings.comparison.value) if method is None else method
    untreated = matched.settings.untreated
    control = one.treatments.index(untreated) if untreated in one.treatments else None
    overall = next(
        line.p
        for line in fit.anova
        if line.source == "treatment" and (line.error == "error") == (inference == "narrow")
    )
    return compare_pairs(
        fit.means(inference).estimate[:, None],
        (apart.se[:, None], apart.df[:, None]),
        chosen,
        alpha=matched.settings.alpha,
        control=control,
        overall_p=np.array([overall]),
    )


def combined_comparisons(matched: Matched, asked: Sequence[Harvest]) -> pd.DataFrame:
    """Differences of means over all trials: the procedure of the settings, Dunnett beside it."""
    parts: list[Columns] = []
    for one in asked:
        if one.fit is None:
            continue
        methods = []
        if matched.settings.comparison not in _PAIRWISE:
            methods.append(Method(matched.settings.comparison.value))
        if matched.settings.untreated in one.treatments:
            methods.append(Method.DUNNETT)
        for inference in one.order(matched.settings.environments):
            for method in methods:
                made = compared(matched, one, one.fit, inference, method)
                size = made.a.size
                columns = ("difference", "se", "df", "lower", "upper", "p_adjusted")
                parts.append(
                    {
                        "variable": [one.variable.name] * size,
                        "a": [one.treatments[code] for code in made.a],
                        "b": [one.treatments[code] for code in made.b],
                        **{name: getattr(made, name)[:, 0] for name in columns},
                        "method": [method.value] * size,
                        "inference": [SPEAKS_OF[inference]] * size,
                    }
                )
    return table_of_parts("combined_comparisons", parts)


def stability_table(matched: Matched, asked: Sequence[Harvest]) -> pd.DataFrame:
    """Stability of treatments, where five trials have all of them.

    Treatments that are in fewer than five trials are left out first.
    """
    parts: list[Columns] = []
    for one in asked:
        if one.fit is None:
            continue
        kept, trials = _widest(one)
        table, whole = complete_table(trials, len(kept))
        if not whole.size:
            continue
        sizes = [float(np.mean(np.diagonal(trials[int(place)].unit))) for place in whole]
        error = one.fit.error_variance * float(np.mean(sizes))
        try:
            found = stability(table, error, one.fit.df_error, alpha=matched.settings.alpha)
        except NotEstimable:
            continue
        t = len(kept)
        names = (
            "mean",
            "slope",
            "slope_lower",
            "slope_upper",
            "deviation_variance",
            "ecovalence",
            "stability_variance",
            "superiority",
        )
        left = len(one.treatments) - t
        parts.append(
            {
                "variable": [one.variable.name] * t,
                "treatment": [one.treatments[code] for code in kept],
                "environments": np.full(t, float(found.environments)),
                **{name: getattr(found, name) for name in names},
                "p_stability": found.p,
                "note": [
                    f"without {plural(left, 'treatment')}, in too few trials" if left else None
                ]
                * t,
            }
        )
    return table_of_parts("stability", parts)


def _widest(one: Harvest) -> tuple[list[int], tuple[TrialMeans, ...]]:
    """Treatments and trials of a whole table: treatments in the fewest trials go first."""
    kept = list(range(len(one.treatments)))
    while len(kept) > 2:
        whole = [trial for trial in one.trials if set(kept) <= set(trial.treatment.tolist())]
        if len(whole) >= LEAST_ENVIRONMENTS:
            break
        count = {code: sum(code in trial.treatment for trial in one.trials) for code in kept}
        kept.remove(min(kept, key=lambda code: (count[code], -code)))
    place = {code: new for new, code in enumerate(kept)}
    trials = []
    for trial in one.trials:
        chosen = [row for row, code in enumerate(trial.treatment.tolist()) if code in place]
        trials.append(
            TrialMeans(
                treatment=np.array(
                    [place[int(trial.treatment[row])] for row in chosen], dtype=np.intp
                ),
                mean=trial.mean[chosen],
                unit=trial.unit[np.ix_(chosen, chosen)],
                error_variance=trial.error_variance,
                df=trial.df,
            )
        )
    return kept, tuple(trials)
