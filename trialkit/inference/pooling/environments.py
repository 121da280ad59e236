"""Means of several trials analysed together: environments, treatments and how they go together.

Each trial gives the least-squares means of its treatments with their covariance, so that every
design can take part; blocks were taken out inside the trials. The mean of treatment g in trial i is

    m_ig = E_i + G_g + (GE)_ig + error,

errors with the covariance of the trial, its own error variance where the trials differ in it. The
level of an environment is taken out of each trial by contrasts. **Broad** inference, of other
environments, has (GE) random, its variance by REML and signed, so that in balanced data treatments
are tested against treatment x environment exactly; Kenward and Roger's covariance and degrees of
freedom. Where each trial has its own error variance nothing is exact. A variance of (GE) below zero
would hand all weight to the trial of the smallest error: there it is held at zero or above, and
degrees of freedom at one less than the trials of the rarer treatment or above (measured in
tests/benchmarks/own_errors.md). **Narrow** inference, of these environments alone, has (GE) fixed:
every environment weighs alike, however large its error, and error alone is what estimates err by.

Source: Moore KJ & Dixon PM 2015, Agron. J. 107:763-771 (broad and narrow inference in combined
analyses; reference from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.degrees_of_freedom import contrast_df
from trialkit.inference.pooling.environment_anova import AnovaLine, Crossing, anova_lines
from trialkit.inference.pooling.trial_contrasts import TrialContrasts, TrialMeans, centred

Inference = Literal["broad", "narrow"]

#: Level of Bartlett's test from which on each trial has its own error variance.
UNEQUAL = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimated:
    """Means, or differences of means, over environments: all of one length."""

    estimate: FloatArray
    se: FloatArray
    df: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnvironmentFit:
    """Means of several trials analysed together.

    Attributes
    ----------
    trials_of : (t,) int array
        Trials each treatment is in.
    own_errors : bool
        Whether each trial has its own error variance.
    p_errors : float
        P-value of equal error variances; NaN for one trial.
    error_variance, df_error : float
        Pooled over trials.
    interaction : float
        Variance of treatment x environment; may be below zero.
    anova : tuple of AnovaLine
    """

    trials_of: IntArray
    own_errors: bool
    p_errors: float
    error_variance: float
    df_error: float
    interaction: float
    anova: tuple[AnovaLine, ...]
    _fit: TrialContrasts
    _errors: FloatArray

    def means(self, inference: Inference) -> Estimated:
        """Means over all environments, adjusted for where treatments stood (t,)."""
        fit, t = self._fit, self._fit.t
        if inference == "narrow":
            estimate, parts = fit.means(fit.ordinary)
            return self._narrow(np.eye(t), parts, estimate)
        estimate, parts = fit.means(fit.weighted)
        variance = np.zeros(t)
        for part, trial, error in zip(parts, fit.trials, self._errors, strict=True):
            own = error * trial.unit + self.interaction * np.eye(trial.mean.size)
            variance += np.einsum("gi,ij,gj->g", part, own, part)
        # Of what sets a treatment apart from all: the level that all share adds little.
        df = contrast_df((np.eye(t) - 1.0 / t) @ centred(t), fit.small, expected=True)
        df = np.maximum(df, self._least_df(self.trials_of))
        return Estimated(estimate=estimate, se=np.sqrt(np.maximum(variance, 0.0)), df=df)

    def differences(self, a: IntArray, b: IntArray, inference: Inference) -> Estimated:
        """Differences of pairs of treatments, first minus second."""
        fit = self._fit
        rows = np.eye(fit.t)[a] - np.eye(fit.t)[b]
        if inference == "narrow":
            parts = zip(fit.ordinary, fit.trials, strict=True)
            estimate = rows @ np.sum([part @ trial.mean for part, trial in parts], axis=0)
            return self._narrow(rows, fit.ordinary, estimate)
        reduced = rows @ centred(fit.t)
        variance = np.einsum("qi,ij,qj->q", reduced, fit.small.adjusted, reduced)
        return Estimated(
            estimate=reduced @ fit.beta,
            se=np.sqrt(np.maximum(variance, 0.0)),
            df=np.maximum(
                contrast_df(reduced, fit.small, expected=True),
                self._least_df(np.minimum(self.trials_of[a], self.trials_of[b])),
            ),
        )

    def _least_df(self, trials: IntArray) -> FloatArray:
        """Degrees of freedom that so many trials give at the least."""
        return np.maximum(trials - 1.0, 1.0) if self.own_errors else np.ones(trials.size)

    def _narrow(
        self, rows: FloatArray, linear: tuple[FloatArray, ...], estimate: FloatArray
    ) -> Estimated:
        """What error alone does to combinations (q, t), by Satterthwaite over the trials."""
        parts = []
        for part, trial, error in zip(linear, self._fit.trials, self._errors, strict=True):
            own = rows @ part
            parts.append(error * np.einsum("qi,ij,qj->q", own, trial.unit, own))
        each = np.maximum(np.array(parts), 0.0)
        variance = each.sum(axis=0)
        df = np.full(len(rows), self.df_error)
        if self.own_errors:
            freedom = np.array([trial.df for trial in self._fit.trials])[:, None]
            spread = (each**2 / freedom).sum(axis=0)
            df = variance**2 / np.where(spread > 0.0, spread, np.nan)
        return Estimated(estimate=estimate, se=np.sqrt(variance), df=df)


def bartlett(variances: FloatArray, df: FloatArray) -> float:
    """P-value of equal error variances, from mean squares and their degrees of freedom.

    Notes
    -----
    Bartlett MS 1937, Proceedings of the Royal Society A 160:268-282.

    Examples
    --------
    >>> round(bartlett(np.array([2.0, 8.0, 5.0]), np.array([9.0, 9.0, 9.0])), 4)
    0.1426
    """
    if variances.size < 2 or not (variances > 0.0).all():
        return float("nan")
    total = float(df.sum())
    pooled = float(df @ variances) / total
    raw = -float(df @ np.log(variances / pooled))
    inflation = 1.0 + (float((1.0 / df).sum()) - 1.0 / total) / (3.0 * (df.size - 1))
    return float(special.chdtrc(df.size - 1, raw / inflation))


def analyse_environments(
    trials: Sequence[TrialMeans],
    *,
    own_errors: bool | None = None,
    crossing: Crossing | None = None,
) -> EnvironmentFit:
    """Analyse the means of two trials or more together.

    Parameters
    ----------
    trials : sequence of TrialMeans
        Together with every code from 0 on; only differences inside a trial tell of treatments.
    own_errors : bool, optional
        Whether each trial has its own error variance; by Bartlett's test at 5 % where not given.
    crossing : two (k,) int arrays, optional
        Site and year of each trial: where every site was there in every year, the analysis of
        variance parts environments into both.

    Raises
    ------
    NotEstimable
        Where trials do not connect all treatments, or nothing is left for their interaction.
    """
    places = [place for place, trial in enumerate(trials) if trial.mean.size > 1]
    kept = tuple(trials[place] for place in places)
    if crossing is not None:
        crossing = crossing[0][places], crossing[1][places]
    if len(kept) < 2:
        raise NotEstimable("one trial does not tell how environments differ")
    variances = np.array([trial.error_variance for trial in kept])
    freedom = np.array([trial.df for trial in kept])
    p_errors = bartlett(variances, freedom)
    if own_errors is None:
        own_errors = bool(p_errors < UNEQUAL)
    pooled = float(freedom @ variances / freedom.sum())
    errors = variances if own_errors else np.full(len(kept), pooled)
    t = int(max(trial.treatment.max() for trial in kept)) + 1
    fit = TrialContrasts(kept, errors, t, signed=not own_errors)
    return EnvironmentFit(
        trials_of=np.bincount(
            np.concatenate([trial.treatment for trial in kept]), minlength=t
        ).astype(np.intp),
        own_errors=own_errors,
        p_errors=p_errors,
        error_variance=pooled,
        df_error=float(freedom.sum()),
        interaction=fit.interaction,
        anova=anova_lines(kept, fit, own_errors=own_errors, crossing=crossing),
        _fit=fit,
        _errors=errors,
    )
