"""Relative efficiency: what the grouping of plots has gained over a design without it.

Source: Cochran WG & Cox GM 1957, Experimental Designs, 2nd ed. (reference from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.normal.linear import LinearFit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Efficiency:
    """Efficiency of a layout relative to the same one without some of its groupings.

    Attributes
    ----------
    without : tuple of str
        Groupings left out of the design compared with: ``("block",)``, ``("column",)``, ...
    relative : (k,) array
        Error mean square without the grouping over that with it: 1.3 means that the grouping
        saved 30 % of the plots. NaN where the error is nought or has no degrees of freedom.
    adjusted : (k,) array
        The same, corrected for the degrees of freedom that the grouping cost.
    ms_error_without : (k,) array
        Estimated error mean square of the design without the grouping.
    df_error, df_error_without : int
    approximate : bool
        Plots are missing, or treatments have unequal numbers of plots: the formula then holds
        approximately.
    """

    without: tuple[str, ...]
    relative: FloatArray
    adjusted: FloatArray
    ms_error_without: FloatArray
    df_error: int
    df_error_without: int
    approximate: bool


def relative_efficiency(fit: LinearFit) -> tuple[Efficiency, ...]:
    """Estimate the efficiency of blocking: of each grouping alone and of all together.

    The error mean square of the design without a grouping is the mean of the mean squares of
    grouping and error, the first weighted by its degrees of freedom and the second by those of
    treatments and error.

    Parameters
    ----------
    fit : LinearFit
        Of a layout with blocks, or rows and columns.

    Returns
    -------
    tuple of Efficiency
        Each grouping alone, then pairs and so on; empty without groupings.
    """
    groupings = [t for t in fit.terms[:-2] if float(t.df) > 0]
    ms_error = np.where(fit.ms_error > 0, fit.ms_error, np.nan)
    df_error, df_rest = fit.df_error, fit.df_treatment + fit.df_error
    seen = fit.n[fit.n > 0]
    whole = bool(seen.size == fit.n.size and np.all(seen == seen[0]))
    whole = whole and all(fit.plots.size % (int(t.df) + 1) == 0 for t in groupings)
    out = []
    for size in range(1, len(groupings) + 1):
        for dropped in combinations(groupings, size):
            df = sum(int(t.df) for t in dropped)
            total = sum((t.sum_sq for t in dropped), np.zeros_like(ms_error))
            without = (total + df_rest * ms_error) / (df + df_rest)
            out.append(
                Efficiency(
                    without=tuple(t.source for t in dropped),
                    relative=without / ms_error,
                    adjusted=without / ms_error * precision_factor(df_error, df_error + df),
                    ms_error_without=without,
                    df_error=df_error,
                    df_error_without=df_error + df,
                    approximate=not whole,
                )
            )
    return tuple(out)


def precision_factor(df: float, df_other: float) -> float:
    """Loss of information from estimating an error with ``df`` instead of ``df_other``.

    (df + 1)(df_other + 3) / ((df + 3)(df_other + 1)); NaN without degrees of freedom.
    """
    if not (df >= 1 and df_other >= 1):
        return float("nan")
    return (df + 1) * (df_other + 3) / ((df + 3) * (df_other + 1))
