"""Shares k of n analysed as such, beside the analysis of variance of percentages."""

from __future__ import annotations

from collections.abc import Mapping, Sized

import numpy as np

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.result import empty_table, table_of_parts
from trialkit.analysis.supporting.counts import Counted
from trialkit.analysis.supporting.strata_shares import (
    BETA_BINOMIAL,
    ONE_SIDED,
    ModelledShares,
    none_or_all,
    shares_in_strata,
    totals_of,
)
from trialkit.analysis.supporting.warnings import MOST_UNEQUAL
from trialkit.inference.glm.share_model import fit_shares
from trialkit.inference.glm.share_result import ShareFit, ratios_by_name
from trialkit.trial import VariableRole

QUASI_BINOMIAL = "quasi-binomial"

_TRUSTING = "rejects too often where plots are of very different size: read F by the beta-binomial"
_ALONE = (
    "the correlation of units came out as 0; where they are independent the test shows less than "
    "it could"
)

_Arrays = tuple[FloatArray, FloatArray]


def share_tables(basis: Basis) -> Counted:
    """Fit logit models to the shares k of n of every day after treatment.

    Means are percentages with their limits, odds are within blocks, both by the model with the
    variance of the beta-binomial. Tests: F of that model, whose dispersion is the correlation
    between units of a plot, and F of the quasi-binomial, whose dispersion is a factor on the
    variance. A plain binomial, which takes the units of a plot for independent, is not tested.
    Split-plots and strip-plots have tests of their own, see `shares_in_strata`. ``note`` says where
    a test or a limit is known not to keep its level; how often each does is in
    tests/benchmarks/shares.md and null_strata_shares.md.
    """
    means: list[Mapping[str, Sized]] = []
    tests: list[Mapping[str, Sized]] = []
    for item in basis.assessed if basis.tested is not None else ():
        hits, examined = item.hits, item.examined
        after = np.flatnonzero(item.days > 0)
        yielded = item.variable.role is VariableRole.YIELD
        if hits is None or examined is None or yielded or not after.size:
            continue
        data = (hits[:, after], examined[:, after])
        if not basis.plan.layout.units:
            modelled, lines = _in_blocks(basis, item, after, data)
        else:
            modelled, lines = shares_in_strata(basis, item, after, data)
        means.append(_means(basis, item, after, modelled))
        tests.append(lines)
    if not means:
        return Counted(means=empty_table("count_models"), tests=empty_table("count_tests"))
    return Counted(
        means=table_of_parts("count_models", means), tests=table_of_parts("count_tests", tests)
    )


def _in_blocks(
    basis: Basis, item: Assessed, after: np.ndarray, data: _Arrays
) -> tuple[ModelledShares, Mapping[str, Sized]]:
    alpha, layout = basis.settings.alpha, basis.plan.layout
    fit = fit_shares(layout, *data, family="beta-binomial", alpha=alpha)
    loose = fit_shares(layout, *data, family="quasi-binomial", alpha=alpha)
    levels = fit.levels(basis.plan.untreated)
    modelled = ModelledShares(
        levels=levels,
        correlation=fit.correlation,
        settled=fit.converged,
        totals=totals_of(basis.plan, data),
        notes=np.where(none_or_all(levels) & fit.converged, ONE_SIDED, ""),
    )
    return modelled, _tests(item, after, fit, loose, data[1])


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
    basis: Basis, item: Assessed, after: np.ndarray, modelled: ModelledShares
) -> Mapping[str, Sized]:
    plan, levels = basis.plan, modelled.levels
    t, size = levels.proportions.shape
    reasons = np.full((t, size), "", dtype=object)
    reasons[np.isnan(levels.proportions)] = "no plot was assessed"
    reasons[:, ~modelled.settled] = "the model did not settle"
    untreated = plan.untreated
    if untreated is None:
        reasons[reasons == ""] = "there is no untreated to compare with"
    else:
        none = ~(levels.proportions[untreated] > 0)
        reasons[(reasons == "") & none] = "the untreated has none"
        reasons[untreated] = "the untreated itself"
    known, settled = reasons == "", np.where(modelled.settled, 1.0, np.nan)
    ratios = {**ratios_by_name(levels), "p": levels.p}
    hits, examined = modelled.totals
    return {
        "variable": [item.variable.name] * (t * size),
        "days_after": np.repeat(item.days[after], t),
        "treatment": list(plan.treatments) * size,
        "mean": (100.0 * levels.proportions * settled).T.ravel(),
        "lower": (100.0 * levels.lower * settled).T.ravel(),
        "upper": (100.0 * levels.upper * settled).T.ravel(),
        **{name: np.where(known, part, np.nan).T.ravel() for name, part in ratios.items()},
        "dispersion": np.repeat(modelled.correlation, t),
        "reason": [text or None for text in reasons.T.ravel()],
        "model": [BETA_BINOMIAL] * (t * size),
        "hits": hits.T.ravel(),
        "examined": examined.T.ravel(),
        "note": [text or None for text in modelled.notes.T.ravel()],
    }
