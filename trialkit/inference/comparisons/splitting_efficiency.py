"""What splitting plots was worth: split-plots against the same plots in plain blocks.

Had the plots carried no treatments, the mean square between main plots of a block would have
estimated what error (a) does, and that inside main plots what error (b) does; the mean square of
all plots of a block is the mean of the two, weighted by their degrees of freedom. It is the error
that all combinations in randomised blocks would have had:

    E = ((a - 1) Ea + a (b - 1) Eb) / (ab - 1)

for a main and b sub treatments. Efficiency of comparisons of sub treatments is E / Eb, of main
treatments E / Ea. Source: "Relative efficiency of split plot design", Madras Agricultural Journal,
states that it is A + (100 - A) F in percent, with F = Ea / Eb and A a constant of the numbers of
treatments (abstract seen, constants not); A = 100 a (b - 1) / (ab - 1) is derived here. Cochran WG
& Cox GM 1957, Experimental Designs, 2nd ed., treat it (reference from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from trialkit.inference.comparisons.relative_efficiency import precision_factor
from trialkit.inference.design.layout import FloatArray
from trialkit.inference.normal.strata_fit import DIFFERENCE_KINDS, DifferenceKind, StratifiedFit

NO_SOURCE = "for strips no published formula was found"
GROUPED = "main plots in rows and columns have no plain blocks to compare with"
UNEQUAL = "plots are missing, or treatments have unequal numbers of plots"
NO_ERROR = "there is no error to compare with"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SplittingEfficiency:
    """Efficiency of a split-plot for each kind of difference, for k responses.

    Attributes
    ----------
    ms_error_without : (k,) array
        Estimated error mean square of the combinations in randomised blocks (or completely
        randomised, where the main plots were).
    relative : mapping of kind to (k,) array
        Variance of a difference in that design over its variance here: 1.3 means that the
        splitting saved 30 % of the plots for this kind of difference.
    adjusted : mapping of kind to (k,) array
        The same, corrected for the degrees of freedom of the errors.
    reason : (k,) array of str
        Why there is none; else ''.
    """

    ms_error_without: FloatArray
    relative: Mapping[DifferenceKind, FloatArray]
    adjusted: Mapping[DifferenceKind, FloatArray]
    reason: np.ndarray


def splitting_efficiency(fit: StratifiedFit) -> SplittingEfficiency:
    """Compare the four kinds of difference with what plain blocks would have given.

    Parameters
    ----------
    fit : StratifiedFit
        Of a strip-plot, too: that has no value, and a reason.
    """
    k, (a, b) = len(fit.grand_mean), fit.n.shape[:2]
    reason = np.full(k, "", dtype=object)
    without = np.full(k, np.nan)
    relative: dict[DifferenceKind, FloatArray] = {}
    adjusted: dict[DifferenceKind, FloatArray] = {}
    for kind in DIFFERENCE_KINDS:
        relative[kind], adjusted[kind] = np.full(k, np.nan), np.full(k, np.nan)
    made = SplittingEfficiency(
        ms_error_without=without, relative=relative, adjusted=adjusted, reason=reason
    )
    groups, crossed = [name for name, _ in fit.layout.blocking], len(fit.layout.units) > 1
    if crossed or len(groups) > 1:
        reason[:] = NO_SOURCE if crossed else GROUPED
        return made
    equal = (fit.path == "strata") & (fit.n == fit.n[:1, :1]).all(axis=(0, 1))
    reason[~equal] = UNEQUAL
    main, inside = fit.term("error_main"), fit.term("error")
    r = fit.n[0, 0].astype(float)
    df_groups = fit.term(groups[0]).df if groups else np.zeros(k)
    good = equal & (main.mean_sq > 0) & (inside.mean_sq > 0)
    reason[equal & ~good] = NO_ERROR
    df_main, df_inside = r * a - 1.0 - df_groups, r * a * (b - 1.0)
    pooled = df_main * main.mean_sq + df_inside * inside.mean_sq
    without[good] = (pooled / (df_main + df_inside))[good]
    df_without = (r * a * b - 1.0 - df_groups) - (a * b - 1.0)
    plots = {"main": r * b, "sub": r * a, "sub in main": r, "main in sub": r}
    for kind, (se, df) in fit.standard_errors().items():
        ratio = 2.0 * without / plots[kind] / se**2
        relative[kind][good] = ratio[good]
        factor = [precision_factor(*pair) for pair in zip(df, df_without, strict=True)]
        adjusted[kind][good] = (ratio * np.array(factor))[good]
    return made
