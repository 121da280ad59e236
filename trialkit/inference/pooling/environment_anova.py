"""The analysis of variance of several trials together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.normal.degrees_of_freedom import f_probability, kenward_roger
from trialkit.inference.pooling.trial_contrasts import TrialContrasts, TrialMeans

#: What is to be known of tests where each trial has its own error.
OWN_ERRORS = "approximate: each trial has its own error variance"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AnovaLine:
    """One line of the analysis over trials; NaN where there is no number."""

    source: str
    df: float
    sum_sq: float
    F: float
    p: float
    df_error: float
    error: str | None
    note: str | None = None


def anova_lines(
    trials: tuple[TrialMeans, ...], fit: TrialContrasts, *, own_errors: bool
) -> tuple[AnovaLine, ...]:
    """Lines of the analysis; sums of squares in plots where all trials share one error."""
    nan, freedom = float("nan"), np.array([trial.df for trial in trials])
    pooled = float(freedom @ np.array([trial.error_variance for trial in trials]) / freedom.sum())
    df_error, df_treatment = float(freedom.sum()), float(fit.t - 1)
    df_both = float(fit.x.shape[0]) - df_treatment
    between, both = _squares(fit, freedom if own_errors else None)
    scale, note = (nan, OWN_ERRORS) if own_errors else (pooled, None)
    f, df_broad = kenward_roger(np.eye(fit.t - 1), fit.beta, fit.small)
    narrow = between / df_treatment
    return (
        AnovaLine(
            source="environment",
            df=float(len(trials) - 1),
            sum_sq=nan if own_errors else _environment(trials),
            F=nan,
            p=nan,
            df_error=nan,
            error=None,
        ),
        AnovaLine(
            source="treatment",
            df=df_treatment,
            sum_sq=between * scale,
            F=f,
            p=f_probability(f, df_treatment, df_broad),
            df_error=df_broad,
            error="treatment x environment",
        ),
        AnovaLine(
            source="treatment",
            df=df_treatment,
            sum_sq=between * scale,
            F=narrow,
            p=f_probability(narrow, df_treatment, df_error),
            df_error=df_error,
            error="error",
            note=note,
        ),
        AnovaLine(
            source="treatment x environment",
            df=df_both,
            sum_sq=both * scale,
            F=both / df_both,
            p=f_probability(both / df_both, df_both, df_error),
            df_error=df_error,
            error="error",
            note=note,
        ),
        AnovaLine(
            source="error",
            df=df_error,
            sum_sq=pooled * df_error,
            F=nan,
            p=nan,
            df_error=nan,
            error=None,
        ),
    )


def _squares(fit: TrialContrasts, own: FloatArray | None) -> tuple[float, float]:
    """Sums of squares of treatments, and of treatment x environment, over the error variance.

    With errors of their own (``own``: their degrees of freedom) estimated variances stand in
    denominators, which makes squares too large by df / (df - 2): taken off again.
    """
    roots = [np.linalg.cholesky(part) for part in fit.known]
    ends = np.cumsum([len(root) for root in roots])[:-1]
    solved = [
        linalg.solve_triangular(root, np.column_stack(part), lower=True)
        for root, part in zip(
            roots,
            zip(np.split(fit.x, ends), np.split(fit.y, ends), strict=True),
            strict=True,
        )
    ]
    if own is not None:
        shrink = np.sqrt(np.maximum(own - 2.0, 0.5) / own)
        solved = [size * part for size, part in zip(shrink, solved, strict=True)]
    joined = np.vstack(solved)
    x, y = joined[:, :-1], joined[:, -1]
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    both = float(rest @ rest)
    return float(y @ y) - both, both


def _environment(trials: tuple[TrialMeans, ...]) -> float:
    """Sum of squares of environments before treatments, in plots."""
    weights, levels = [], []
    for trial in trials:
        inverse = np.linalg.pinv(trial.unit)
        weights.append(float(inverse.sum()))
        levels.append(float(inverse.sum(axis=0) @ trial.mean) / weights[-1])
    weight, level = np.array(weights), np.array(levels)
    return float(weight @ (level - weight @ level / weight.sum()) ** 2)
