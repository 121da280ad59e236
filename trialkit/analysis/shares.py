"""Shares k of n analysed as such, beside the analysis of variance of percentages."""

from __future__ import annotations

from collections.abc import Mapping, Sized

import numpy as np
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.counts import Counted
from trialkit.analysis.oddities import MOST_UNEQUAL
from trialkit.analysis.responses import Assessed, FloatArray, PlotPlan
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.inference.proportions import fit_shares
from trialkit.inference.proportions_result import ShareFit
from trialkit.trial import VariableRole

BETA_BINOMIAL = "beta-binomial"
QUASI_BINOMIAL = "quasi-binomial"

_TRUSTING = "rejects too often where plots are of very different size: read F by the beta-binomial"
_ALONE = (
    "the correlation of units came out as 0; where they are independent the test shows less than "
    "it could"
)
_NONE = "none or all were counted: the limit is one-sided"

_Arrays = tuple[FloatArray, FloatArray]


def share_tables(basis: Basis) -> Counted:
    """Fit logit models to the shares k of n of every day after treatment.

    Means are percentages with their limits, odds are within blocks, both by the model with the
    variance of the beta-binomial. Tests: F of that model, whose dispersion is the correlation
    between units of a plot, and F of the quasi-binomial, whose dispersion is a factor on the
    variance. A plain binomial, which takes the units of a plot for independent, is not tested.
    Not in split-plots and strip-plots, whose main plots such a model does not know. ``note`` says
    where a test is known not to keep its level; how often each does is in
    tests/benchmarks/shares.md.
    """
    means: list[Mapping[str, Sized]] = []
    tests: list[Mapping[str, Sized]] = []
    if basis.tested is not None and basis.tested.strata is None:
        for item in basis.assessed:
            hits, examined = item.hits, item.examined
            after = np.flatnonzero(item.days > 0)
            yielded = item.variable.role is VariableRole.YIELD
            if hits is None or examined is None or yielded or not after.size:
                continue
            data = (hits[:, after], examined[:, after])
            alpha, layout = basis.settings.alpha, basis.plan.layout
            fit = fit_shares(layout, *data, family="beta-binomial", alpha=alpha)
            loose = fit_shares(layout, *data, family="quasi-binomial", alpha=alpha)
            means.append(_means(basis.plan, item, after, data, fit))
            tests.append(_tests(item, after, fit, loose, data[1]))
    if not means:
        return Counted(means=empty_table("count_models"), tests=empty_table("count_tests"))
    return Counted(
        means=table_of_parts("count_models", means), tests=table_of_parts("count_tests", tests)
    )


def _tests(
    item: Assessed, after: np.ndarray, fit: ShareFit, loose: ShareFit, examined: FloatArray
) -> Mapping[str, Sized]:
    """Two lines a day: F by the beta-binomial variance, and by the quasi-binomial."""
    fits = (fit, loose)
    lines = [next(line for line in one.lines if line.source == "treatment") for one in fits]
    parts = {
        "df": [line.df for line in lines],
        "df_error": [one.df_error for one in fits],
        "F": [line.F for line in lines],
        "deviance": [line.deviance for line in lines],
        "p": [line.p for line in lines],
        "dispersion": [fit.correlation, loose.scale],
    }
    numbers = {
        name: np.stack(
            [np.where(one.converged, part, np.nan) for one, part in zip(fits, values, strict=True)]
        ).T.ravel()
        for name, values in parts.items()
    }
    known = np.isfinite(examined)
    most = np.where(known, examined, -np.inf).max(axis=0)
    uneven = most > MOST_UNEQUAL * np.where(known, examined, np.inf).min(axis=0)
    alone = fit.correlation == 0
    notes = [
        text
        for j in range(after.size)
        for text in (_ALONE if alone[j] else None, _TRUSTING if uneven[j] else None)
    ]
    return {
        "variable": [item.variable.name] * (2 * after.size),
        "days_after": np.repeat(item.days[after], 2),
        "model": [BETA_BINOMIAL, QUASI_BINOMIAL] * after.size,
        **numbers,
        "note": notes,
    }


def _means(
    plan: PlotPlan, item: Assessed, after: np.ndarray, data: _Arrays, fit: ShareFit
) -> Mapping[str, Sized]:
    t, size = len(plan.treatments), after.size
    nothing = np.full((t, size), np.nan)
    ratios = dict.fromkeys(
        ("ratio", "ratio_lower", "ratio_upper", "odds", "odds_lower", "odds_upper", "p"), nothing
    )
    reasons = np.full((t, size), "", dtype=object)
    reasons[np.isnan(fit.proportions)] = "no plot was assessed"
    reasons[:, ~fit.converged] = "the model did not settle"
    untreated = plan.untreated
    if untreated is None:
        reasons[reasons == ""] = "there is no untreated to compare with"
    else:
        against = fit.ratios(untreated)
        ratios = {name: getattr(against, name) for name in ratios if name != "p"}
        ratios["p"] = _p_values(fit, untreated)
        none = ~(fit.proportions[untreated] > 0)
        reasons[(reasons == "") & none] = "the untreated has none"
        reasons[untreated] = "the untreated itself"
    known, settled = reasons == "", np.where(fit.converged, 1.0, np.nan)
    hits, examined = (_totals(part, plan) for part in data)
    whole = np.isin(fit.proportions, (0.0, 1.0)) & fit.converged
    return {
        "variable": [item.variable.name] * (t * size),
        "days_after": np.repeat(item.days[after], t),
        "treatment": list(plan.treatments) * size,
        "mean": (100.0 * fit.proportions * settled).T.ravel(),
        "lower": (100.0 * fit.lower * settled).T.ravel(),
        "upper": (100.0 * fit.upper * settled).T.ravel(),
        **{name: np.where(known, part, np.nan).T.ravel() for name, part in ratios.items()},
        "dispersion": np.repeat(fit.correlation, t),
        "reason": [text or None for text in reasons.T.ravel()],
        "model": [BETA_BINOMIAL] * (t * size),
        "hits": hits.T.ravel(),
        "examined": examined.T.ravel(),
        "note": [_NONE if one else None for one in whole.T.ravel()],
    }


def _p_values(fit: ShareFit, base: int) -> FloatArray:
    """Two-sided p-values of odds equal to those of one group; NaN for groups of none or all."""
    contrast = fit.logits - fit.logits[base]
    spread = np.einsum("mtt->tm", fit.logit_covariance)
    variance = spread + spread[base] - 2.0 * fit.logit_covariance[:, :, base].T
    sound = (variance > 0) & (fit.df_error > 0)
    t = np.abs(contrast) / np.sqrt(np.where(sound, variance, np.nan))
    p: FloatArray = 2.0 * special.stdtr(np.where(fit.df_error > 0, fit.df_error, 1.0), -t)
    return p


def _totals(values: FloatArray, plan: PlotPlan) -> FloatArray:
    """Sums over the plots of each treatment, (treatments, days)."""
    member = plan.treatment[None, :] == np.arange(len(plan.treatments))[:, None]
    totals: FloatArray = member.astype(float) @ np.where(np.isnan(values), 0.0, values)
    return totals
