"""Scales of analysis: forward, back, and the rule that picks one from the data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray

TransformName = Literal["none", "sqrt", "log", "arcsine"]
KindName = Literal["count", "percent", "measurement"]

MINIMUM_CELLS = 5
# Standard error up to which a slope over treatments tells the limits below apart.
_SURE = 0.4
# The variance-stabilising power is 1 - b/2: b of 0, 1 and 2 are the powers 1 (none), 1/2 and 0
# (log), and the limits lie halfway between.
SQRT_FROM, LOG_FROM = 0.5, 1.5
ARCSINE_BELOW, ARCSINE_ABOVE = 20.0, 80.0
# Percentages that averaging has carried over 100 in the last places are 100.
_ROUNDING = 1e-9
# Decimal logarithm from which a number has no bound.
_LARGEST_LOG = 300.0


def forward(name: TransformName, y: FloatArray) -> FloatArray:
    """Bring values to the scale of analysis.

    Parameters
    ----------
    name : {"none", "sqrt", "log", "arcsine"}
        sqrt is sqrt(y + 0.5), log is log10(y + 1), arcsine is asin(sqrt(y / 100)) in radians.
    y : array
        Values as counted; NaN stays NaN.

    Returns
    -------
    array of the shape of ``y``

    Raises
    ------
    ValueError
        When a value lies outside the range of the transform: below 0 for sqrt and log, outside
        0 to 100 for arcsine; or the name is unknown.

    References
    ----------
    Bartlett MS 1947, The use of transformations, Biometrics 3:39-52 (from memory).
    """
    values = np.asarray(y, dtype=np.float64)
    if name == "none":
        return values.copy()
    if np.any(values < -_ROUNDING):
        raise ValueError(f"the {name} transform needs values of 0 or more")
    values = np.where(values < 0, 0.0, values)
    if name == "sqrt":
        return np.asarray(np.sqrt(values + 0.5))
    if name == "log":
        # log1p keeps the small differences of means far below 1.
        return np.asarray(np.log1p(values) / np.log(10.0))
    if name == "arcsine":
        if np.any(values > 100.0 + _ROUNDING):
            raise ValueError("the arcsine transform needs percentages from 0 to 100")
        return np.asarray(np.arcsin(np.sqrt(np.minimum(values, 100.0) / 100.0)))
    raise ValueError(f"unknown transform {name!r}")


def backward(name: TransformName, x: FloatArray) -> FloatArray:
    """Bring values of the scale of analysis back to the counted one.

    Values that no count could have given are taken to the nearest that one could: sqrt and log
    give 0 or more, arcsine 0 to 100. Order is kept, so limits of intervals may be passed too.

    Parameters
    ----------
    name : {"none", "sqrt", "log", "arcsine"}
    x : array
        Values on the scale of analysis; NaN stays NaN, and a limit beyond all counts becomes it.

    Raises
    ------
    ValueError
        When the name is unknown.
    """
    values = np.asarray(x, dtype=np.float64)
    if name == "none":
        return values.copy()
    if name == "sqrt":
        return np.asarray(np.maximum(np.square(np.maximum(values, 0.0)) - 0.5, 0.0))
    if name == "log":
        counted = np.where(values > _LARGEST_LOG, np.nan, np.maximum(values, 0.0))
        return np.asarray(np.expm1(counted * np.log(10.0)))
    if name == "arcsine":
        angle = np.clip(values, 0.0, np.pi / 2)
        return np.asarray(100.0 * np.square(np.sin(angle)))
    raise ValueError(f"unknown transform {name!r}")


def by_column(
    change: Callable[[TransformName, FloatArray], FloatArray],
    names: Sequence[TransformName],
    table: FloatArray,
) -> FloatArray:
    """Bring the columns (n, k) of a table `forward` or `backward`, each on a scale of its own."""
    found = np.empty(table.shape)
    for name in dict.fromkeys(names):
        own = [j for j, other in enumerate(names) if other == name]
        found[:, own] = change(name, table[:, own])
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class TransformChoice:
    """Which scale was chosen, and why.

    Attributes
    ----------
    transform : str
    slope : float
        Taylor's b for counts, NaN where it was not needed or could not be estimated.
    slope_se : float
        Its standard error, NaN with two cells or none.
    cells : int
        Cells (treatment by day) that entered the slope; 0 for other kinds.
    rule : str
        One sentence for the report.
    """

    transform: TransformName
    slope: float
    slope_se: float
    cells: int
    rule: str


def taylor_slope(values: FloatArray, treatment: IntArray) -> tuple[float, float, int]:
    """Slope b of Taylor's power law, variance = a mean^b.

    Least squares of log10 variance on log10 mean over the cells of treatment by day. A cell is
    used when it has at least two plots and both its mean and its variance are above 0.

    Parameters
    ----------
    values : (n, d) array
        Plots by days, as counted, NaN where missing.
    treatment : (n,) int array

    Returns
    -------
    slope, standard error, cells used
        Slope NaN with fewer than two different means, standard error NaN with fewer than three
        cells.

    References
    ----------
    Taylor LR 1961, Nature 189:732-735.
    """
    mean, variance = _cells(np.asarray(values, dtype=np.float64), np.asarray(treatment))
    usable = (mean > 0) & (variance > 0)
    x, y = np.log10(mean[usable]), np.log10(variance[usable])
    if x.size < 2:
        return float("nan"), float("nan"), int(x.size)
    dx, dy = x - x.mean(), y - y.mean()
    sxx = float(dx @ dx)
    if sxx <= 1e-20 * x.size:
        return float("nan"), float("nan"), int(x.size)
    slope = float(dx @ dy) / sxx
    residual = dy - slope * dx
    se = float("nan")
    if x.size > 2:
        se = float(np.sqrt(residual @ residual / (x.size - 2) / sxx))
    return slope, se, int(x.size)


def _cells(values: FloatArray, treatment: IntArray) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of each treatment and day with at least two plots, as flat arrays."""
    if values.ndim == 1:
        values = values[:, None]
    means, variances = [], []
    for code in np.unique(treatment):
        cell = values[treatment == code]
        n = np.isfinite(cell).sum(axis=0)
        cell = cell[:, n >= 2]
        n = n[n >= 2]
        mean = np.nansum(cell, axis=0) / n
        means.append(mean)
        variances.append(np.nansum(np.square(cell - mean), axis=0) / (n - 1))
    if not means:
        return np.zeros(0), np.zeros(0)
    return np.concatenate(means), np.concatenate(variances)


def choose_transform(kind: KindName, values: FloatArray, treatment: IntArray) -> TransformChoice:
    """Pick one scale for a variable from all its plots and days.

    Parameters
    ----------
    kind : {"count", "percent", "measurement"}
    values : (n, d) array
        Plots by days, as counted, NaN where missing.
    treatment : (n,) int array

    Returns
    -------
    TransformChoice

    Notes
    -----
    Counts by Taylor's slope b: the power that makes the variance constant is 1 - b/2. Below 0.5
    they stay as they are, from 0.5 to 1.5 the square root, above 1.5 the logarithm; the square
    root too where fewer than five cells can be used. Percentages take the arcsine when any value
    leaves 20 to 80 (common practice, no source). Measurements stay as they are.
    """
    values = np.asarray(values, dtype=np.float64)
    if kind == "count":
        return _choose_for_counts(values, treatment)
    if kind == "percent":
        return _choose_for_percent(values)
    if kind == "measurement":
        return _choice("none", "Measurements are analysed as they were measured.")
    raise ValueError(f"unknown kind of variable {kind!r}")


def choose_area_transform(
    areas: FloatArray, treatment: IntArray, own: TransformName
) -> TransformChoice:
    """Pick the scale of areas under a curve, such as pest-days.

    Parameters
    ----------
    areas : (n,) array
        One value a plot, NaN where missing.
    treatment : (n,) int array
    own : str
        Scale of the values behind the curve.

    Returns
    -------
    TransformChoice

    Notes
    -----
    Taylor's slope over the treatments, with the limits that hold for counts, where there are five
    of them and its standard error is at most 0.4; a sum over days varies about its mean more nearly
    in proportion than its parts. Elsewhere the scale of the values themselves; none instead of
    arcsine, which an area is too large for.
    """
    values = np.asarray(areas, dtype=np.float64)
    slope, se, cells = taylor_slope(values[:, None], np.asarray(treatment))
    if np.any(values < 0.0):
        return _choice("none", "Areas below 0 are analysed as they are.")
    if cells >= MINIMUM_CELLS and np.isfinite(slope) and se <= _SURE:
        name = _by_slope(slope)
        rule = (
            f"Areas under the curve: the slope of log variance on log mean is {slope:.2f} over "
            f"{cells} treatments."
        )
        return _choice(name, rule, slope, se, cells)
    inherited: TransformName = "none" if own == "arcsine" else own
    rule = (
        "Areas under the curve: the scale of the values themselves, as treatments say too little "
        "of how variance goes with the mean."
    )
    if own == "arcsine":
        rule = (
            "Areas under the curve: as they are, as treatments say too little of how variance goes "
            "with the mean."
        )
    return _choice(inherited, rule, slope, se, cells)


def _choice(
    transform: TransformName,
    rule: str,
    slope: float = float("nan"),
    slope_se: float = float("nan"),
    cells: int = 0,
) -> TransformChoice:
    return TransformChoice(
        transform=transform, slope=slope, slope_se=slope_se, cells=cells, rule=rule
    )


def _by_slope(slope: float) -> TransformName:
    if slope < SQRT_FROM:
        return "none"
    return "sqrt" if slope <= LOG_FROM else "log"


def _choose_for_counts(values: FloatArray, treatment: IntArray) -> TransformChoice:
    slope, se, cells = taylor_slope(values, treatment)
    if cells < MINIMUM_CELLS or not np.isfinite(slope):
        counted = "1 cell" if cells == 1 else f"{cells} cells"
        why = (
            f"only {counted} of treatment by day had both a mean and a variance above 0, fewer "
            f"than {MINIMUM_CELLS}"
            if cells < MINIMUM_CELLS
            else "the means of the cells did not differ"
        )
        rule = f"Square root of (count + 0.5), the usual choice for counts, because {why}."
        return _choice("sqrt", rule, cells=cells)
    found = (
        f"Taylor's slope of log variance on log mean is {slope:.2f} over {cells} cells of "
        f"treatment by day"
    )
    if slope < SQRT_FROM:
        rule = f"{found}, below {SQRT_FROM}: counts are analysed as they are."
        return _choice("none", rule, slope, se, cells)
    if slope <= LOG_FROM:
        rule = f"{found}, between {SQRT_FROM} and {LOG_FROM}: square root of (count + 0.5)."
        return _choice("sqrt", rule, slope, se, cells)
    rule = f"{found}, above {LOG_FROM}: log10 of (count + 1)."
    return _choice("log", rule, slope, se, cells)


def _choose_for_percent(values: FloatArray) -> TransformChoice:
    known = values[np.isfinite(values)]
    if known.size == 0:
        return _choice("none", "There are no percentages to choose a scale from.")
    low, high = float(known.min()), float(known.max())
    span = f"Percentages run from {low:.3g} to {high:.3g}"
    if low < ARCSINE_BELOW or high > ARCSINE_ABOVE:
        rule = f"{span} and leave 20 to 80: arcsine of the square root of the proportion."
        return _choice("arcsine", rule)
    return _choice("none", f"{span}, within 20 to 80: analysed as they are.")
