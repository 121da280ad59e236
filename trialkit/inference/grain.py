"""How coarse values are that are no counts: the part of their variance that grows as the mean."""

from __future__ import annotations

import numpy as np

from trialkit.inference.count_fit import effects
from trialkit.inference.count_fit_dispersion import pose
from trialkit.inference.layouts import FloatArray, Layout

#: Units looked at, in shares of the step of the values.
SMALLEST, LARGEST = 0.05, 20.0
_SIZE = 21


def grain(layout: Layout, responses: FloatArray, *, step: float) -> float:
    """Find the unit in which values vary most like counts.

    A count of individuals has the variance ``mean + a * mean**2``. Percentages and areas under a
    curve have no individuals, yet their variance is often near ``unit * mean + a * mean**2``:
    that of severities about ``100 * mean / (s + 1)`` when they are small and come from a beta
    distribution of strength s.

    Parameters
    ----------
    layout : Layout
    responses : (n, d) float array
        Not negative; NaN where missing.
    step : float, positive
        Smallest difference that the values can show.

    Returns
    -------
    float
        Between 0.05 and 20 steps; ``step`` where no value is above 0.

    Notes
    -----
    Normal pseudo-likelihood of the variance (Davidian M and Carroll RJ 1987, J. Am. Stat. Assoc.
    82:1079-1091, reference from memory), with means that are products of level means.
    """
    problem = pose(effects(layout), np.asarray(responses, dtype=np.float64))
    usable = problem.live
    mean = np.exp(problem.start[usable])
    if mean.size == 0:
        return step
    left = max(float(problem.df_error.sum()), 1.0)
    square = (problem.counts[usable] - mean) ** 2 * mean.size / left
    unit = step * np.geomspace(SMALLEST, LARGEST, _SIZE)
    spread = np.concatenate([[0.0], np.geomspace(1e-3, 5.0, _SIZE - 1)])
    variance = unit[:, None, None] * mean + spread[None, :, None] * mean**2
    height = -(np.log(variance) + square / variance).sum(axis=2)
    return float(unit[int(np.argmax(height)) // _SIZE])
