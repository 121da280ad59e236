"""How evenly treatments do over environments.

Sources: Finlay KW & Wilkinson GN 1963, Aust. J. Agric. Res. 14:742-754 (slope on the mean of the
environment); Eberhart SA & Russell WA 1966, Crop Sci. 6:36-40 (variance about it); Wricke G 1962,
Z. Pflanzenzuecht. 47:92-96 (ecovalence); Shukla GK 1972, Heredity 29:237-245 (stability variance
and its approximate test); Lin CS & Binns MR 1988, Can. J. Plant Sci. 68:193-198 (superiority).
References from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.trial_contrasts import TrialMeans

#: Environments from which on stability is told (common practice, no source).
LEAST_ENVIRONMENTS = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stability:
    """Measures of stability of t treatments over k environments.

    Attributes
    ----------
    mean, slope, slope_lower, slope_upper : (t,) array
        Slope on the mean of the environment; the average of all slopes is 1.
    deviation_variance : (t,) array
        Mean square about the line less the variance of a mean by error; may be below zero.
    ecovalence : (t,) array
        Their sum is that of squares of treatment x environment, of means.
    stability_variance : (t,) array
        NaN for two treatments, which cannot be told apart; may be below zero.
    superiority : (t,) array
        Half the mean square distance from the largest mean of each environment.
    p : (t,) array
        Of the stability variance being that of error alone (approximate F).
    environments : int
    """

    mean: FloatArray
    slope: FloatArray
    slope_lower: FloatArray
    slope_upper: FloatArray
    deviation_variance: FloatArray
    ecovalence: FloatArray
    stability_variance: FloatArray
    superiority: FloatArray
    p: FloatArray
    environments: int


def stability(
    table: FloatArray, error: float, df_error: float, *, alpha: float = 0.05
) -> Stability:
    """Describe how evenly treatments do over environments.

    Parameters
    ----------
    table : (t, k) array
        Means of all treatments in all environments.
    error : float
        Variance of such a mean by error inside its trial.
    df_error : float
    alpha : float
        Limits of slopes hold 1 less alpha, each on its own.

    Raises
    ------
    NotEstimable
        With fewer than five environments, one treatment, or environments that are all alike.
    """
    values = np.asarray(table, dtype=np.float64)
    t, k = values.shape
    if k < LEAST_ENVIRONMENTS:
        raise NotEstimable("stability needs five environments that have all treatments")
    if t < 2:
        raise NotEstimable("stability compares treatments; there is one only")
    mean = values.mean(axis=1)
    index = values.mean(axis=0) - values.mean()
    spread = float(index @ index)
    if not spread > 1e-18 * float((values**2).sum()):
        raise NotEstimable("the environments do not differ")
    slope = values @ index / spread
    rest = values - mean[:, None] - slope[:, None] * index
    about = (rest**2).sum(axis=1) / (k - 2)
    half = special.stdtrit(k - 2, 1.0 - alpha / 2.0) * np.sqrt(about / spread)
    both = values - mean[:, None] - index
    ecovalence = (both**2).sum(axis=1)
    variance = np.full(t, np.nan)
    if t > 2:
        variance = (t * (t - 1) * ecovalence - ecovalence.sum()) / ((k - 1) * (t - 1) * (t - 2))
    above = np.maximum(variance, 0.0) / error if error > 0.0 else np.full(t, np.nan)
    return Stability(
        mean=mean,
        slope=slope,
        slope_lower=slope - half,
        slope_upper=slope + half,
        deviation_variance=about - error,
        ecovalence=ecovalence,
        stability_variance=variance,
        superiority=((values - values.max(axis=0)) ** 2).sum(axis=1) / (2.0 * k),
        p=np.asarray(special.fdtrc(k - 1, df_error, above)),
        environments=k,
    )


def complete_table(trials: tuple[TrialMeans, ...], t: int) -> tuple[FloatArray, FloatArray]:
    """Means (t, k) of the trials that have all treatments, and which trials (k,) these are."""
    whole = [place for place, trial in enumerate(trials) if trial.treatment.size == t]
    table = np.full((t, len(whole)), np.nan)
    for column, place in enumerate(whole):
        table[trials[place].treatment, column] = trials[place].mean
    return table, np.array(whole, dtype=np.intp)
