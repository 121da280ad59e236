"""Planned contrasts: questions put to the means before the trial, each with its own test."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from trialkit.inference.design.layout import FloatArray


def group_contrast(first: Sequence[int], second: Sequence[int], n_treatments: int) -> FloatArray:
    """Mean of one group of treatments minus the mean of another, as coefficients (t,).

    Raises
    ------
    ValueError
        When a group is empty, holds an unknown code, or the groups overlap.
    """
    if not first or not second:
        raise ValueError("a group of treatments is empty")
    if set(first) & set(second) or len(set(first)) + len(set(second)) < len(first) + len(second):
        raise ValueError("a treatment stands in the groups twice")
    if not all(0 <= code < n_treatments for code in (*first, *second)):
        raise ValueError("a group holds an unknown treatment")
    coefficients = np.zeros(n_treatments)
    coefficients[list(first)] = 1.0 / len(first)
    coefficients[list(second)] = -1.0 / len(second)
    return coefficients


def rate_trend(
    rates: npt.ArrayLike, treatments: Sequence[int], n_treatments: int
) -> dict[str, FloatArray]:
    """Orthogonal polynomials on the real spacing of the rates.

    Parameters
    ----------
    rates : (r,) array_like
        Rate of each of ``treatments``, in any one unit.
    treatments : sequence of int
        Their codes.
    n_treatments : int

    Returns
    -------
    dict
        ``linear``: slope of response on rate, per unit of rate. ``curvature``, with three
        different rates or more: coefficient of rate squared, by which a parabola departs from
        the line.

    Raises
    ------
    ValueError
        With fewer than two different rates, or rates that are not finite.
    """
    x = np.asarray(rates, dtype=np.float64)
    if x.shape != (len(treatments),) or not np.isfinite(x).all():
        raise ValueError("each treatment of the trend needs one rate")
    if len(set(treatments)) < len(treatments):
        raise ValueError("a treatment stands in the trend twice")
    levels = np.unique(x).size
    if levels < 2:
        raise ValueError("a trend needs two different rates or more")
    centred = x - x.mean()
    powers = {"linear": centred}
    if levels > 2:
        square = centred**2
        square = square - square.mean()
        square = square - centred * (centred @ square) / (centred @ centred)
        powers["curvature"] = square
    result = {}
    for name, values in powers.items():
        coefficients = np.zeros(n_treatments)
        coefficients[list(treatments)] = values / (values @ values)
        result[name] = coefficients
    return result
