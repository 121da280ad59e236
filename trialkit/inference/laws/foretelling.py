"""How far the count before treatment foretells the counts after it, plot by plot.

The slope of later deviations on earlier ones between plots of the same treatment, blocks taken
out. It looks at no difference between treatments, so that what is chosen by it does not depend on
the effects that are to be estimated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import FloatArray

#: Fewest degrees of freedom from which a slope is told (common practice, no source).
LEAST_DF = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StartSlope:
    """Slope of the logarithm of later means on that of the mean before treatment.

    Attributes
    ----------
    slope : float
        0 where the count before treatment foretells nothing, 1 where plots keep their level.
    se : float
        Its standard error, over all days together.
    df : float
        Degrees of freedom of the standard error.
    """

    slope: float
    se: float
    df: float

    @property
    def power(self) -> float:
        """The slope, between 0 and 1."""
        return min(max(self.slope, 0.0), 1.0)


def start_slope(
    deviations: FloatArray, precision: FloatArray, before: int, df: float
) -> StartSlope | None:
    """Slope of later on earlier relative deviations of plots, pooled over the days after.

    Parameters
    ----------
    deviations : (n, d) float array
        Of the plots from what treatment and block let expect, over that expectation: to first
        order deviations of logarithms, and defined where nothing was found.
    precision : (n, d) float array
        One over their variance; 0 where a plot says nothing.
    before : int
        The day before treatment; the days after it in the array are the later ones.
    df : float
        Residual degrees of freedom of one day.

    Returns
    -------
    StartSlope or None
        None where it cannot be told: no deviation before treatment, no later day, or fewer than
        `LEAST_DF` degrees of freedom.

    Notes
    -----
    A plot's later days are averaged first, by precision, as they are not independent of each
    other; the slope is that of weighted least squares over plots. Chance in the count before
    treatment draws it down, as it should: what is corrected by is that count, not what is behind
    it.
    """
    df = df - 1.0
    weight = np.where(precision[:, [before]] > 0.0, precision[:, before + 1 :], 0.0)
    whole = weight.sum(axis=1)
    start = np.where(whole > 0.0, deviations[:, before], 0.0)
    later = (weight * deviations[:, before + 1 :]).sum(axis=1)
    later = np.where(whole > 0.0, later / np.where(whole > 0.0, whole, 1.0), 0.0)
    known = float((whole * start**2).sum())
    if df < LEAST_DF or not known > 1e-12 * max(float(whole.sum()), 1e-300):
        return None
    slope = float((whole * start * later).sum()) / known
    left = float((whole * (later - slope * start) ** 2).sum()) / df
    return StartSlope(slope=slope, se=float(np.sqrt(left / known)), df=df)
