"""Whether two treatments follow the count at the start alike: slopes on its logarithm.

A log-linear model of the counts of one response with blocks, treatments and for each treatment a
slope of its own on the log2 of the count at the start. The difference of two slopes is by how much
the ratio of the two treatments changes with every doubling of that count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, Layout
from trialkit.inference.glm.dispersion import LARGEST

TOO_FEW_PLOTS = "too few plots to tell slopes from chance"
NO_RANGE = "the counts at the start do not differ between the plots"
NOTHING_LEFT = "too few individuals were left"
NOT_SETTLED = "the fit did not settle"

#: Individuals in all plots of a treatment below which it has no slope and is left out (common
#: practice, no source).
LEAST_INDIVIDUALS = 10.0
_FEWEST_PLOTS = 2
_ROUNDS, _SETTLED = 400, 1e-10
_LARGEST_STEP, _ETA_LIMIT = 2.0, 30.0
_ESTIMABLE, _NULL = 1e-6, 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeDifference:
    """By how much the log ratio of two treatments changes with each doubling of the start.

    Attributes
    ----------
    slope, se : float
        Change of the natural log of a over b for each doubling, and its standard error. NaN, as
        all the others, where undefined.
    df : float
        Plots less parameters.
    p : float
        Two-sided, of no change.
    dispersion : float
        ``1 / k`` of the counts about the model.
    reason : str
        Why undefined; empty otherwise.
    """

    slope: float
    se: float
    df: float
    p: float
    dispersion: float
    reason: str

    def limits(self, alpha: float) -> tuple[float, float]:
        """Limits of the slope at ``1 - alpha``."""
        if not np.isfinite(self.se):
            return float("nan"), float("nan")
        half = float(special.stdtrit(self.df, 1.0 - alpha / 2.0)) * self.se
        return self.slope - half, self.slope + half


def _undefined(reason: str) -> SlopeDifference:
    nan = float("nan")
    return SlopeDifference(slope=nan, se=nan, df=nan, p=nan, dispersion=nan, reason=reason)


def slope_difference(
    layout: Layout, counts: FloatArray, start: FloatArray, a: int, b: int, *, unit: float = 1.0
) -> SlopeDifference:
    """Slope of treatment a less that of treatment b, on the log2 of the count at the start.

    Parameters
    ----------
    layout : Layout
    counts : (n,) float array
        Not negative; NaN where a plot is missing.
    start : (n,) float array
        Positive; of the plot, or of its block; NaN where unknown.
    a, b : int
        Codes of the treatments.
    unit : float
        What one individual adds to a count.

    Returns
    -------
    SlopeDifference

    Raises
    ------
    ValueError
        When a start is not positive, or lengths differ.

    Notes
    -----
    The variance of a count is ``mean + dispersion * mean**2``, the dispersion that at which the
    Pearson chi-square equals its degrees of freedom, and the test that of Student.
    """
    if counts.shape != (layout.n_plots,) or start.shape != counts.shape:
        raise ValueError("there must be one count and one start for each plot")
    known = np.isfinite(counts) & np.isfinite(start)
    if np.any(start[known] <= 0.0):
        raise ValueError("starts must be positive")
    scaled = np.where(known, counts, 0.0) / unit
    live = _live(layout, scaled, known)
    for code in (a, b):
        own = live & (layout.treatment == code)
        if not own.any():
            return _undefined(NOTHING_LEFT)
        if np.ptp(np.log2(start[own])) < _ESTIMABLE:
            return _undefined(NO_RANGE)
    return _fit(layout, scaled[live], start[live], live, a, b)


def _live(layout: Layout, counts: FloatArray, known: BoolArray) -> BoolArray:
    """Plots of treatments of which enough is left for a slope, in blocks where anything is."""
    live = known.copy()
    for codes, least, plots in (
        (layout.treatment, LEAST_INDIVIDUALS, _FEWEST_PLOTS),
        *((codes, 0.0, 1) for _, codes in layout.blocking),
    ):
        size = int(codes.max()) + 1
        total = np.bincount(codes[live], weights=counts[live], minlength=size)
        number = np.bincount(codes[live], weights=counts[live] > 0.0, minlength=size)
        live &= (total[codes] >= least) & (number[codes] >= plots)
    return live


def _fit(
    layout: Layout, y: FloatArray, start: FloatArray, live: BoolArray, a: int, b: int
) -> SlopeDifference:
    z = np.log2(start)
    z = z - z.mean()
    treatment = indicator(layout.treatment[live], layout.n_treatments)
    groups = [indicator(codes[live], int(codes.max()) + 1) for _, codes in layout.blocking]
    columns = np.hstack([treatment * z[:, None], treatment, *groups])
    columns = columns[:, np.abs(columns).max(axis=0) > 0.0]
    asked = np.zeros(columns.shape[1])
    present = np.flatnonzero(np.abs(treatment * z[:, None]).max(axis=0) > 0.0)
    asked[np.searchsorted(present, a)] = 1.0
    asked[np.searchsorted(present, b)] = -1.0
    # An orthonormal basis of the plots, and the slope asked for in its terms.
    basis, sizes, axes = np.linalg.svd(columns, full_matrices=False)
    kept = sizes > _NULL * sizes[0]
    basis, sizes, axes = basis[:, kept], sizes[kept], axes[kept]
    if np.abs(asked - (asked @ axes.T) @ axes).max() > _ESTIMABLE:
        return _undefined(NO_RANGE)
    contrast = (axes @ asked) / sizes
    df = float(y.size - sizes.size)
    if df < 1.0:
        return _undefined(TOO_FEW_PLOTS)
    eta, dispersion = np.log(y + 0.5), 0.0
    for _ in range(_ROUNDS):
        eta, moved = _step_of_means(basis, y, eta, dispersion)
        before, dispersion = dispersion, _step_of_dispersion(y, np.exp(eta), dispersion, df)
        if moved < _SETTLED and abs(dispersion - before) < _SETTLED * (1e-3 + dispersion):
            break
    else:
        return _undefined(NOT_SETTLED)
    mean = np.exp(eta)
    weights = mean / (1.0 + dispersion * mean)
    slope = float(contrast @ (basis.T @ eta))
    variance = float(contrast @ np.linalg.solve(_moment(basis, weights), contrast))
    se = float(np.sqrt(variance))
    if not (np.isfinite(se) and se > 0.0 and abs(slope) < _ETA_LIMIT):
        return _undefined(NOT_SETTLED)
    p = 2.0 * float(special.stdtr(df, -abs(slope / se)))
    return SlopeDifference(slope=slope, se=se, df=df, p=p, dispersion=dispersion, reason="")


def _moment(basis: FloatArray, weights: FloatArray) -> FloatArray:
    """Information of the coordinates in the basis, kept regular where means go to nothing."""
    moment: FloatArray = (basis.T * weights) @ basis
    moment.flat[:: len(moment) + 1] += 1e-12 * weights.max()
    return moment


def _step_of_means(
    basis: FloatArray, y: FloatArray, eta: FloatArray, dispersion: float
) -> tuple[FloatArray, float]:
    """One step of weighted least squares, and how far it went."""
    mean = np.exp(eta)
    share = 1.0 / (1.0 + dispersion * mean)
    target = basis.T @ (share * (mean * eta + y - mean))
    found = np.linalg.solve(_moment(basis, share * mean), target)
    step = np.clip(basis @ found - eta, -_LARGEST_STEP, _LARGEST_STEP)
    new = np.clip(eta + step, -_ETA_LIMIT, _ETA_LIMIT)
    return new, float(np.abs(new - eta).max())


def _step_of_dispersion(y: FloatArray, mean: FloatArray, dispersion: float, df: float) -> float:
    """One step of Newton towards the dispersion at which Pearson's chi-square equals df.

    The chi-square falls and is hollow along the dispersion: no step passes the root from the left,
    and one from the right lands left of it.
    """
    variance = mean + dispersion * mean**2
    part = (y - mean) ** 2 / variance
    fall = float((part * mean**2 / variance).sum())
    step = (float(part.sum()) - df) / fall if fall > 0.0 else 0.0
    return min(max(dispersion + step, 0.0), LARGEST)
