"""Shares k of n of split-plots and strip-plots, each factor in its own stratum."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass

import numpy as np

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Assessed, FloatArray, PlotPlan
from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray
from trialkit.inference.glm.share_result import ShareLevels
from trialkit.inference.glm.share_strata import ShareStrata, share_strata
from trialkit.inference.glm.share_strata_limits import share_levels

BETA_BINOMIAL = "beta-binomial"
ONE_SIDED = "none or all were counted: the limit is one-sided"
#: Part of the plots with none or all beyond which simulated tests rejected less than 4 %, and
#: limits of shares held in less than 93 %.
MOST_EMPTY = 0.5
#: Units hit (or not hit) of a treatment below which, and odds of its upper limit to those of its
#: lower limit above which, intervals of simulated ratios covered more than 97 %.
LEAST_HIT = 10
WIDEST = 12.0
_FEW = "in so many plots none or all were counted that the test shows less than it could"
_CLOSE = "in so many plots none or all were counted that the limits of the share are too close"
_WIDE = "shares are known so roughly that the limits of the ratios are wider than they need be"

_Arrays = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class ModelledShares:
    """Shares of one variable by a model, (treatments, days) arrays unless said otherwise.

    Attributes
    ----------
    levels : ShareLevels
    correlation : float array, shape (days,)
        Of the units of a plot.
    settled : bool array, shape (days,)
    totals : pair of float arrays
        Units hit and units examined.
    notes : array of str
        What is to be known of the limits, or nothing.
    """

    levels: ShareLevels
    correlation: FloatArray
    settled: BoolArray
    totals: _Arrays
    notes: np.ndarray


def shares_in_strata(
    basis: Basis, item: Assessed, after: np.ndarray, data: _Arrays
) -> tuple[ModelledShares, Mapping[str, Sized]]:
    """Model the shares of a variable on some days: levels, and lines of ``count_tests``.

    Parameters
    ----------
    basis : Basis
    item : Assessed
    after : int array
        Which of its days.
    data : pair of float arrays, shape (plots, days)
        Units hit and units examined on these days.

    Notes
    -----
    Tests are those of `share_strata`, limits those of `share_levels`. How often they keep what they
    promise is in tests/benchmarks/null_strata_shares.md, and ``note`` says where they do not.
    """
    plan, (hits, examined) = basis.plan, data
    layout = plan.layout
    found = share_strata(layout, hits, examined)
    levels = share_levels(
        found, layout, hits, examined, base=plan.untreated, alpha=basis.settings.alpha
    )
    totals = totals_of(plan, data)
    empty = _empty(hits, examined) > MOST_EMPTY
    notes = np.where(none_or_all(levels), ONE_SIDED, np.where(empty, _CLOSE, ""))
    if plan.untreated is not None:
        rough = _rough(levels, totals)
        rough |= rough[plan.untreated]
        rough[plan.untreated] = False
        notes = np.where((notes == "") & rough & np.isfinite(levels.ratio), _WIDE, notes)
    modelled = ModelledShares(
        levels=levels,
        correlation=found.plots.correlation,
        settled=np.ones(after.size, dtype=bool),
        totals=totals,
        notes=notes,
    )
    return modelled, _tests(item, item.days[after], found, empty)


def _rough(levels: ShareLevels, totals: _Arrays) -> BoolArray:
    """Mark shares that are known too roughly for ratios."""
    low, high = (np.clip(part, 1e-9, 1.0 - 1e-9) for part in (levels.lower, levels.upper))
    wide = high * (1.0 - low) > WIDEST * low * (1.0 - high)
    rough: BoolArray = wide | (np.minimum(totals[0], totals[1] - totals[0]) < LEAST_HIT)
    return rough


def none_or_all(levels: ShareLevels) -> BoolArray:
    """Mark treatments without one hit, or without one miss."""
    return np.isin(levels.proportions, (0.0, 1.0))


def totals_of(plan: PlotPlan, data: _Arrays) -> _Arrays:
    """Units hit and examined in all plots of each treatment."""
    member = indicator(plan.treatment, len(plan.treatments)).T
    hits, examined = (member @ np.where(np.isnan(part), 0.0, part) for part in data)
    return hits, examined


def _empty(hits: FloatArray, examined: FloatArray) -> FloatArray:
    """Part of the plots with none or all, by day."""
    known = np.isfinite(hits) & (examined > 0)
    edge = known & ((hits == 0) | (hits == examined))
    part: FloatArray = edge.sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return part


def _tests(
    item: Assessed, days: FloatArray, found: ShareStrata, few: BoolArray
) -> Mapping[str, Sized]:
    """All combinations, main factor, sub factor and both together, one day after the other."""
    terms = found.terms
    numbers = {
        name: np.array([getattr(term, name) for term in terms])
        for name in ("df", "df_error", "F", "deviance", "p", "dispersion")
    }
    # All combinations are tested over both errors; what is shown is that of the plots.
    numbers["dispersion"][0] = found.plots.correlation
    return {
        "variable": [item.variable.name] * (len(terms) * days.size),
        "days_after": np.repeat(days, len(terms)),
        "model": [BETA_BINOMIAL] * (len(terms) * days.size),
        **{name: part.T.ravel() for name, part in numbers.items()},
        "note": [_FEW if scarce else None for scarce in few for _ in terms],
        "source": [term.source for term in terms] * days.size,
    }
