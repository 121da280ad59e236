"""What the trial could have shown: smallest significant and smallest detectable differences."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import Tested
from trialkit.analysis.plots.responses import FloatArray
from trialkit.inference.comparisons.detectable import (
    detectable_reduction,
    minimal_detectable_difference,
)
from trialkit.trial import Comparison

#: Chance with which a difference would be called significant.
POWER = 0.8


@dataclass(frozen=True, kw_only=True, eq=False)
class Reach:
    """One entry a response, on the scale of analysis; the percentage as counted."""

    significant: FloatArray
    detectable: FloatArray
    percent: FloatArray


def reach_of_trial(basis: Basis) -> Reach:
    """Smallest significant difference of the procedure, and what would be detected.

    The first is half the mean width of the intervals of the chosen procedure; none where it has
    no intervals. The second is the true difference that would be called significant four times
    out of five: from the untreated by Dunnett's procedure, or between two treatments by the
    chosen one where there is no untreated.
    """
    count = len(basis.responses)
    nothing = np.full(count, np.nan)
    tested, chosen = basis.tested, basis.settings.comparison
    if tested is None or chosen is Comparison.NONE or not count:
        return Reach(significant=nothing, detectable=nothing, percent=nothing)
    width, se = _mean_widths(tested.comparisons, chosen.value, count)
    significant = width
    if basis.plan.untreated is not None:
        width, se = _mean_widths(tested.comparisons, "dunnett", count)
    df = tested.responses["df_error"].to_numpy(dtype=float)
    usable = (se > 0) & np.isfinite(width) & (df >= 1)
    detectable = nothing.copy()
    if usable.any():
        detectable[usable] = minimal_detectable_difference(
            se[usable], df[usable], width[usable] / se[usable], power=POWER
        )
    return Reach(
        significant=significant, detectable=detectable, percent=_percent(basis, tested, detectable)
    )


def _mean_widths(
    comparisons: pd.DataFrame, method: str, count: int
) -> tuple[FloatArray, FloatArray]:
    """Mean half width of the intervals and mean standard error of the pairs of each response."""
    own = comparisons["method"].to_numpy() == method
    lower, upper, se = (
        comparisons[name].to_numpy(dtype=float)[own] for name in ("lower", "upper", "se")
    )
    if not se.size or se.size % count:
        nothing = np.full(count, np.nan)
        return nothing, nothing.copy()
    return _mean(((upper - lower) / 2.0).reshape(count, -1)), _mean(se.reshape(count, -1))


def _mean(table: FloatArray) -> FloatArray:
    known = np.isfinite(table)
    number = known.sum(axis=1)
    total = np.where(known, table, 0.0).sum(axis=1)
    mean: FloatArray = np.divide(total, number, out=np.full(len(table), np.nan), where=number > 0)
    return mean


def _percent(basis: Basis, tested: Tested, detectable: FloatArray) -> FloatArray:
    """Detectable differences as reductions of the untreated mean, brought back to counts."""
    percent = np.full(len(detectable), np.nan)
    if basis.plan.untreated is None:
        return percent
    t = len(basis.plan.treatments)
    means = tested.means["mean_analysed"].to_numpy(dtype=float).reshape(-1, t)
    base = means[:, basis.plan.untreated]
    scales = np.array(basis.scales, dtype=object)
    after = np.array([not item.day <= 0 and item.measure != "yield" for item in basis.responses])
    for scale in dict.fromkeys(basis.scales):
        rows = (scales == scale) & after
        percent[rows] = detectable_reduction(base[rows], detectable[rows], scale)
    return percent
