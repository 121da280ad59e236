"""Whether one treatment is told from the control, in many responses: Dunnett's answer, sooner."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trialkit.inference.comparisons.distributions import dunnett_sf
from trialkit.inference.comparisons.family import two_sided_t
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import common_error, compare, pair_correlation
from trialkit.inference.design.layout import FloatArray
from trialkit.inference.fit import Fit

#: Bounds this near to the level leave the answer open.
_NEAR = 0.02


def told_from_control(
    fit: Fit, rows: FloatArray, first: int, control: int, *, alpha: float = 0.05
) -> NDArray[np.bool_]:
    """Tell in which responses Dunnett's procedure declares one treatment different.

    Parameters
    ----------
    fit : Fit
        Of ``k`` responses.
    rows : (t, c) array
        Coefficients of the means that are compared, as `compare` takes them.
    first, control : int
        Places of the treatment and the control among the rows.
    alpha : float

    Returns
    -------
    (k,) bool array
        As ``compare(fit, "dunnett", ...).different`` has it for this treatment.

    Notes
    -----
    With several errors each response has correlations and degrees of freedom of its own, and
    Dunnett's p-value takes long. It is worked out only where bounds leave the answer open: it is
    not below the p-value of the single comparison, nor above that times the comparisons, and lies
    between those of the largest and of the smallest correlation taken for all (the last as
    simulation and the tests of this function show it, no proof is known for every matrix).
    """
    if fit.covariance(rows) is not None:
        made = compare(fit, Method.DUNNETT, rows=rows, alpha=alpha, control=control)
        place = int(np.flatnonzero(made.a == first)[0])
        shown: NDArray[np.bool_] = made.different[place]
        return shown
    a, b = np.triu_indices(len(rows), 1)
    pairs = fit.contrasts(rows[a] - rows[b])
    means = fit.contrasts(rows).estimate
    others = np.delete(np.arange(len(rows)), control)
    against = others, np.full(others.size, control)
    own = int(np.flatnonzero(((a == first) & (b == control)) | ((a == control) & (b == first)))[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs((means[first] - means[control]) / pairs.se[own])
    told = np.zeros(t.size, dtype=bool)
    for j in np.flatnonzero(np.isfinite(t)):
        cov, df = common_error(means[:, j], (a, b), pairs.se[:, j], pairs.df[:, j])
        correlation = pair_correlation(cov, *against)
        if df >= 1 and np.isfinite(correlation).all():
            told[j] = _small(float(t[j]), correlation, df, alpha)
    return told


def _small(t: float, correlation: FloatArray, df: float, alpha: float) -> bool:
    """Whether the p-value of a statistic among its comparisons is at or below the level."""
    size = len(correlation)
    single = float(two_sided_t(np.array([t]), df)[0])
    if single > alpha * (1 + _NEAR):
        return False
    if single * size < alpha * (1 - _NEAR):
        return True
    apart = correlation[~np.eye(size, dtype=bool)]
    least, most = float(apart.min(initial=1.0)), float(apart.max(initial=0.0))
    if least >= 0 and most < 1:
        if _alike(t, most, size, df) > alpha * (1 + _NEAR):
            return False
        if _alike(t, least, size, df) < alpha * (1 - _NEAR):
            return True
    return bool(dunnett_sf(np.array([t]), correlation, df)[0] <= alpha)


def _alike(t: float, correlation: float, size: int, df: float) -> float:
    """Dunnett's p-value where all comparisons are equally correlated."""
    return float(dunnett_sf(np.array([t]), np.full(size, np.sqrt(correlation)), df)[0])
