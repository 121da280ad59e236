"""Shares k of n analysed as such, beside the analysis of variance of percentages."""

from __future__ import annotations

import numpy as np

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.analysis.supporting.modelled import (
    Modelled,
    ModelledMeans,
    Rows,
    TextArray,
    mean_rows,
    strata_rows,
    tested_rows,
)
from trialkit.analysis.supporting.warnings import MOST_UNEQUAL
from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.glm.share_model import fit_shares
from trialkit.inference.glm.share_result import ShareFit, ShareLevels, ratios_by_name
from trialkit.inference.glm.share_strata import share_strata
from trialkit.inference.glm.share_strata_limits import share_levels
from trialkit.inference.permutation.dealt_shares import dealt_shares, few_hit
from trialkit.trial import VariableRole

BETA_BINOMIAL, QUASI_BINOMIAL = "beta-binomial", "quasi-binomial"
ONE_SIDED = "none or all were counted: the limit is one-sided"
#: Part of the plots with none or all beyond which simulated tests in split-plots and strip-plots
#: rejected less than 4 %, and limits of shares held in less than 93 %.
MOST_EMPTY = 0.5
#: Units hit (or not hit) of a treatment below which, and odds of its upper limit to those of its
#: lower limit above which, intervals of simulated ratios covered more than 97 %.
LEAST_HIT = 10
WIDEST = 12.0

_TRUSTING = "rejects too often where plots are of very different size: read F by the beta-binomial"
_ALONE = (
    "the correlation of units came out as 0: the dispersion in F is that of the quasi-binomial, 1 "
    "at most"
)
#: Where p is not that of F.
DEALT_ANEW = (
    "with so few hit, or not hit, F by the model rejects too often: p is the share of ways of "
    "dealing out the treatments, as the design allows, whose deviance is as large"
)
_FEW_HIT = "with so few hit, or not hit, the test rejects too often"
_FEW = "in so many plots none or all were counted that the test is conservative"
_CLOSE = "in so many plots none or all were counted that the limits of the share are too narrow"
_WIDE = "shares are known so roughly that the limits of the ratios are conservative"

_Arrays = tuple[FloatArray, FloatArray]


def share_tables(basis: Basis) -> Modelled:
    """Fit logit models to the shares k of n of every day after treatment.

    Means are percentages with their limits, odds are within blocks, both by the model with the
    variance of the beta-binomial. Tests: F of that model, whose dispersion is the correlation
    between units of a plot, and F of the quasi-binomial, whose dispersion is a factor on the
    variance. Where few were hit p of the former is that of dealing the treatments out anew. A plain
    binomial, which takes the units of a plot for independent, is not tested.
    In split-plots and strip-plots each factor is tested in its own stratum, by `share_strata`.
    ``note`` says where a test or a limit is known not to keep its level; how often each does is in
    tests/benchmarks/shares.md and null_strata_shares.md.
    """
    means: list[Rows] = []
    tests: list[Rows] = []
    model = _in_strata if basis.plan.layout.units else _in_blocks
    for item in basis.assessed if basis.tested is not None else ():
        after = np.flatnonzero(item.days > 0)
        yielded = item.variable.role is VariableRole.YIELD
        if item.hits is None or item.examined is None or yielded or not after.size:
            continue
        made, lines = model(basis, item, (item.hits[:, after], item.examined[:, after]))
        means.append(mean_rows(basis.plan, item, made))
        tests.append(lines)
    return Modelled.of(means, tests)


def _in_blocks(basis: Basis, item: Assessed, data: _Arrays) -> tuple[ModelledMeans, Rows]:
    alpha, layout = basis.settings.alpha, basis.plan.layout
    fit = fit_shares(layout, *data, family="beta-binomial", alpha=alpha)
    loose = fit_shares(layout, *data, family="quasi-binomial", alpha=alpha)
    levels, settled = fit.levels(basis.plan.untreated), fit.converged
    notes = np.where(_none_or_all(levels) & settled, ONE_SIDED, "")
    made = _means(levels, fit.correlation, settled, notes, _totals(basis, data))
    return made, _tests(layout, item, (fit, loose), data)


def _in_strata(basis: Basis, item: Assessed, data: _Arrays) -> tuple[ModelledMeans, Rows]:
    plan, (hits, examined) = basis.plan, data
    layout, alpha = plan.layout, basis.settings.alpha
    found = share_strata(layout, hits, examined)
    levels = share_levels(found, layout, hits, examined, base=plan.untreated, alpha=alpha)
    totals, empty = _totals(basis, data), _empty(hits, examined) > MOST_EMPTY
    notes = np.where(_none_or_all(levels), ONE_SIDED, np.where(empty, _CLOSE, ""))
    if plan.untreated is not None:
        rough = _rough(levels, totals)
        rough |= rough[plan.untreated]
        rough[plan.untreated] = False
        notes = np.where((notes == "") & rough & np.isfinite(levels.ratio), _WIDE, notes)
    settled, correlation = np.ones(empty.shape, dtype=bool), found.plots.correlation
    few = np.where(empty, _FEW, "")
    return (
        _means(levels, correlation, settled, notes, totals),
        strata_rows(item, BETA_BINOMIAL, found.terms, correlation, few),
    )


def _means(
    levels: ShareLevels,
    correlation: FloatArray,
    settled: BoolArray,
    notes: TextArray,
    totals: _Arrays,
) -> ModelledMeans:
    percent = np.where(settled, 100.0, np.nan)
    return ModelledMeans(
        model=BETA_BINOMIAL,
        columns={
            "mean": levels.proportions * percent,
            "lower": levels.lower * percent,
            "upper": levels.upper * percent,
            "hits": totals[0],
            "examined": totals[1],
        },
        against={**ratios_by_name(levels), "p": levels.p},
        dispersion=correlation,
        settled=settled,
        notes=notes,
    )


def _rough(levels: ShareLevels, totals: _Arrays) -> BoolArray:
    """Mark shares that are known too roughly for ratios."""
    low, high = (np.clip(part, 1e-9, 1.0 - 1e-9) for part in (levels.lower, levels.upper))
    wide = high * (1.0 - low) > WIDEST * low * (1.0 - high)
    rough: BoolArray = wide | (np.minimum(totals[0], totals[1] - totals[0]) < LEAST_HIT)
    return rough


def _none_or_all(levels: ShareLevels) -> BoolArray:
    """Mark treatments without one hit, or without one miss."""
    return np.isin(levels.proportions, (0.0, 1.0))


def _totals(basis: Basis, data: _Arrays) -> _Arrays:
    """Units hit and examined in all plots of each treatment."""
    member = indicator(basis.plan.treatment, len(basis.plan.treatments)).T
    hits, examined = (member @ np.where(np.isnan(part), 0.0, part) for part in data)
    return hits, examined


def _empty(hits: FloatArray, examined: FloatArray) -> FloatArray:
    """Part of the plots with none or all, by day."""
    known = np.isfinite(hits) & (examined > 0)
    edge = known & ((hits == 0) | (hits == examined))
    part: FloatArray = edge.sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return part


def _tests(layout: Layout, item: Assessed, fits: tuple[ShareFit, ShareFit], data: _Arrays) -> Rows:
    """Two lines a day: F by the beta-binomial variance, and by the quasi-binomial."""
    fit, loose = fits
    lines = [next(line for line in one.lines if line.source == "treatment") for one in fits]
    p, note = _held(layout, fit, lines[0].p, data)
    parts = {
        "df": [line.df for line in lines],
        "df_error": [one.df_error for one in fits],
        "F": [line.F for line in lines],
        "deviance": [line.deviance for line in lines],
        "p": [p, lines[1].p],
        "dispersion": [fit.correlation, loose.scale],
    }
    settled = np.stack([one.converged for one in fits])
    known = np.isfinite(data[1])
    most = np.where(known, data[1], -np.inf).max(axis=0)
    uneven = most > MOST_UNEQUAL * np.where(known, data[1], np.inf).min(axis=0)
    notes = [note, np.where(uneven, _TRUSTING, "")]
    return tested_rows(
        item,
        (BETA_BINOMIAL, QUASI_BINOMIAL),
        {name: np.where(settled, np.stack(values), np.nan) for name, values in parts.items()},
        np.stack(notes).astype(object),
    )


def _held(
    layout: Layout, fit: ShareFit, p: FloatArray, data: _Arrays
) -> tuple[FloatArray, TextArray]:
    """P-values (days,) of the beta-binomial model held to their level, and notes on them."""
    note = np.where(fit.correlation == 0, _ALONE, "").astype(object)
    few = np.flatnonzero(few_hit(fit, *data) & np.isfinite(p))
    if few.size:
        try:
            dealt = dealt_shares(layout, fit, data, few)
        except NotEstimable:  # rows and columns that do not cross fully cannot change places
            note[few] = _FEW_HIT
        else:
            p = p.copy()
            p[few], note[few] = dealt, DEALT_ANEW
    return p, note
