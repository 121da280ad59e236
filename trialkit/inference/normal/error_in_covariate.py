"""Slopes over treatments where the covariate itself is counted with error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray

#: Slopes that are looked at, as angles on the scale of both standard deviations.
_ANGLES = np.linspace(-0.4999 * np.pi, 0.4999 * np.pi, 4001)
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedSlope:
    """A slope over treatments, freed of error in the covariate.

    Attributes
    ----------
    slope, lower, upper : float
        NaN where they cannot be told; limits NaN where the data set none.
    lack_of_fit_f, lack_of_fit_p : float
        Do treatments differ in the response beyond a line on the true covariate?
    """

    slope: float = float("nan")
    lower: float = float("nan")
    upper: float = float("nan")
    lack_of_fit_f: float = float("nan")
    lack_of_fit_p: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TreatmentMeans:
    """Means of a covariate and a response by treatment, and how plots err.

    Attributes
    ----------
    x, y : (t,) float array
        Means adjusted for blocks, but for a constant.
    size : (t,) float array
        Means of the covariate as measured, which its error grows with; 0 or more.
    n : (t,) float array
        Plots.
    relative_variance : float
        Of the covariate of a plot, in units of the squared size.
    slope_within : float
        Of the response on the covariate among plots of a treatment.
    variance : float
        Of the response of a plot about that line.
    df : int
        Degrees of freedom of the variance.
    """

    x: FloatArray
    y: FloatArray
    size: FloatArray
    n: FloatArray
    relative_variance: float
    slope_within: float
    variance: float
    df: int


def corrected_slope(means: TreatmentMeans, level: float) -> CorrectedSlope:
    """Fit a line to treatment means that err in both, by the effective variance.

    Parameters
    ----------
    means : TreatmentMeans
    level : float
        Confidence of the interval.

    Notes
    -----
    About a line of slope b the mean of a treatment varies by that of the response, and by the
    error of the covariate times what of b is not seen within treatments: where plots treated
    alike show the whole slope, nothing was counted wrong. The error of the covariate grows with
    its size. The slope is the one with the least weighted squares, the interval those whose squares
    exceed them by no more than F allows; where treatments scatter about the line more than plots
    let expect, squares are divided by that, with its degrees of freedom. Effective variance: Fuller
    WA 1987, Measurement Error Models, Wiley (from memory). How often it holds is in
    tests/benchmarks/loss.md.
    """
    free = means.x.size - 2
    spread = float(np.std(means.x)), float(np.std(means.y))
    if free < 1 or means.df < 1 or min(spread) <= _TINY or means.variance <= 0.0:
        return CorrectedSlope()
    slopes = spread[1] / spread[0] * np.tan(_ANGLES)
    error = (slopes[:, None] - means.slope_within) ** 2 * means.relative_variance
    weight = means.n / (means.variance + error * means.size**2)
    rest = means.y - slopes[:, None] * means.x
    centre = (weight * rest).sum(axis=1) / weight.sum(axis=1)
    squares = (weight * (rest - centre[:, None]) ** 2).sum(axis=1)
    best = int(squares.argmin())
    F = float(squares[best] / free)
    p = float(special.fdtrc(free, means.df, F))
    scattered = p < 1.0 - level
    # The error of the covariate is an estimate as well, and grows with what is estimated.
    own = means.variance * weight[best] / means.n
    doubted = 1.0 - 0.5 * (1.0 - float(own.min()))
    scale, df = (F, float(free)) if scattered else (1.0, means.df * doubted)
    critical = scale * float(special.fdtri(1.0, df, level))
    lower, upper = _ends(slopes, squares - squares[best] - critical, best)
    return CorrectedSlope(
        slope=float(slopes[best]), lower=lower, upper=upper, lack_of_fit_f=F, lack_of_fit_p=p
    )


def _ends(slopes: FloatArray, above: FloatArray, best: int) -> tuple[float, float]:
    """Slopes on both sides of the best at which squares reach the bound; NaN where they don't."""
    outside = np.flatnonzero(above > 0.0)
    before, after = outside[outside < best], outside[outside > best]
    if not (before.size and after.size):
        return float("nan"), float("nan")
    ends = []
    for j, k in ((before[-1], before[-1] + 1), (after[0], after[0] - 1)):
        part = above[j] / (above[j] - above[k])
        ends.append(float(slopes[j] + part * (slopes[k] - slopes[j])))
    return ends[0], ends[1]
