"""Analysis of deviance of count models: what each factor adds to those above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.glm.dispersion import Problem, deviance, pose, settle
from trialkit.inference.glm.weighted_fit import effects, scaffold


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DevianceLine:
    """One line of an analysis of deviance: what a factor adds to those above it.

    Attributes
    ----------
    source : str
        ``block``, ``row``, ``column``, ``treatment`` or ``error``.
    df, deviance, F, p, p_chi_square : (m,) float arrays
        ``F`` is the mean deviance over the scale with ``p`` from the F distribution on the
        residual degrees of freedom; ``p_chi_square`` is the likelihood-ratio test, which rejects
        too often in trials of a few blocks. NaN on the error line and where there is nothing to
        test.

    Notes
    -----
    Where a dispersion of the negative binomial was estimated, ``F`` is divided by what the mean
    deviance of few aggregated plots exceeds 1 by on average. For gamma variates of shape ``a``,
    which negative binomial means come to at high counts, the likelihood-ratio statistic of one
    mean has the expectation ``1 + 1 / (6 a)`` (Bartlett's correction; worked out here from the
    cumulants), so that a factor whose levels have ``n`` plots has
    ``1 + dispersion * (sum(1 / n) - 1 / sum(n)) / (6 df)``.
    """

    source: str
    df: FloatArray
    deviance: FloatArray
    F: FloatArray
    p: FloatArray
    p_chi_square: FloatArray

    @classmethod
    def of_error(cls, df: FloatArray, deviance: FloatArray) -> DevianceLine:
        """The last line: what the full model leaves, and nothing to test."""
        nothing = np.full(df.shape, np.nan)
        return cls(
            source="error", df=df, deviance=deviance, F=nothing, p=nothing, p_chi_square=nothing
        )


def deviance_lines(
    layout: Layout,
    problem: Problem,
    theta: FloatArray,
    scale: FloatArray,
    left: FloatArray,
    *,
    corrected: bool,
) -> tuple[DevianceLine, ...]:
    """Sequential analysis of deviance at the dispersion of the full model.

    Parameters
    ----------
    layout : Layout
    problem : Problem
        The full model.
    theta, scale : (m,) float array
        Dispersion of the negative binomial, and factor on the variance.
    left : (m,) float array
        Deviance that the full model leaves.
    corrected : bool
        Allow for what the mean deviance of few aggregated plots exceeds 1 by.

    Returns
    -------
    tuple of DevianceLine
        Blocking factors, treatment, error.
    """
    df_error = problem.df_error
    names = ["mean", *(source for source, _ in layout.blocking), "treatment"]
    inner = [_inner_model(layout, number, problem, theta) for number in range(len(names) - 1)]
    rank = problem.frame.rank
    if not np.array_equal(problem.live, problem.present):
        rank = scaffold(problem.model, problem.present).rank
    deviances = [*(part for part, _ in inner), left]
    ranks = [*(part for _, part in inner), rank.astype(np.float64)]
    excess = _excess(problem) if corrected else dict.fromkeys(names, np.zeros(theta.shape))
    lines: list[DevianceLine] = []
    for i, name in enumerate(names[1:], start=1):
        df = ranks[i] - ranks[i - 1]
        gain = np.maximum(deviances[i - 1] - deviances[i], 0.0)
        some = (df > 0.0) & (df_error > 0.0) & (scale > 0.0)
        degrees, unit = np.maximum(df, 1.0), np.where(scale > 0.0, scale, 1.0)
        F = gain / unit / (degrees + theta * excess[name])
        p = np.where(some, special.fdtrc(degrees, np.maximum(df_error, 1.0), F), np.nan)
        F = np.where(some, F, np.nan)
        p_lr = np.where((df > 0.0) & (scale > 0.0), special.chdtrc(degrees, gain / unit), np.nan)
        lines.append(DevianceLine(source=name, df=df, deviance=gain, F=F, p=p, p_chi_square=p_lr))
    return (*lines, DevianceLine.of_error(df_error, left))


def _inner_model(
    layout: Layout, number: int, problem: Problem, theta: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Deviance (m,) that some of the blocking factors leave, without treatments, and their rank."""
    model, present = effects(layout, treatment=False, n_blocking=number), problem.present
    if number < 2:
        # Of one factor the fitted means are the level means, whatever the dispersion.
        plots = model.columns.T @ present.astype(float)
        level = (model.columns.T @ problem.counts) / np.maximum(plots, 1.0)
        mean = np.where(present, model.columns @ level, 0.0)
        rank = (plots > 0.0).sum(axis=0)
    else:
        part = pose(model, np.where(present, problem.counts, np.nan))
        mean = np.where(part.live, np.exp(settle(part, theta, part.start).predictor), 0.0)
        rank = scaffold(model, present).rank
    return deviance(problem.counts, mean, theta).sum(axis=0), rank.astype(np.float64)


def _excess(problem: Problem) -> dict[str, FloatArray]:
    """What the deviance of each factor exceeds its degrees of freedom by, per dispersion, (m,)."""
    live = problem.live.astype(float)
    total = 1.0 / np.maximum(live.sum(axis=0), 1.0)
    found: dict[str, FloatArray] = {}
    for name, first, after in problem.model.sources:
        plots = problem.model.columns[:, first:after].T @ live
        each = np.where(plots > 0.0, 1.0 / np.maximum(plots, 1.0), 0.0).sum(axis=0)
        found[name] = np.maximum(each - total, 0.0) / 6.0
    return found
