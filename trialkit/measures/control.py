"""Percent control: what share of the pest a treatment has taken away, against the untreated.

All formulas are signed: above zero means fewer than the untreated would lead to expect, below
zero more. 100 is the upper bound and is reached exactly where none is left; there is no lower
bound. Nothing is clipped: cutting negative values off at zero would bias every mean upward.

Counts are of living individuals, or of anything that has a true zero and that the treatment is
meant to lower (percent severity, damage). Inputs are single plots, or means or totals over plots;
the mean of percentages of single blocks is not the percentage of the means, see `abbott`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import (
    NOT_COUNTED,
    BoolArray,
    FloatArray,
    TextArray,
    broadcast,
    settle,
)

BELOW_ZERO = "a count is below zero"
UNTREATED_NONE = "none in the untreated, so there is nothing to compare with"
UNTREATED_NONE_LEFT = "none left in the untreated after treatment"
TREATED_NONE_BEFORE = "none in the treated before treatment"
UNTREATED_NONE_BEFORE = "none in the untreated before treatment"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Control:
    """Percent control and, where there is none, why.

    Attributes
    ----------
    percent : ndarray of float
        At most 100; NaN where undefined, never infinite.
    reason : ndarray of str (object)
        Of the same shape; empty where percent is defined.
    """

    percent: FloatArray
    reason: TextArray


def abbott(treated: ArrayLike, untreated: ArrayLike) -> Control:
    """Percent control from counts after treatment alone (Abbott).

    ``100 (C - T) / C``, with T the treated and C the untreated.

    Parameters
    ----------
    treated, untreated : array_like
        Living individuals (or percent living, severity, damage) after treatment, not below zero,
        in the same unit. They broadcast against each other.

    Returns
    -------
    Control
        Undefined where the untreated has none, whatever the treated has: neither 0 nor 100 would
        be true. Exactly 0 where both are equal, exactly 100 where the treated has none.

    Notes
    -----
    For an infestation that was uniform at the start; otherwise see `henderson_tilton`. Percent dead
    comes to the same with the living share, ``100 (b - k) / (100 - k)`` with b the percent dead in
    the treated and k in the untreated (Schneider-Orelli O 1947, Entomologisches Praktikum, 2nd ed.,
    Sauerlaender, Aarau; reference from memory).

    Averaged over blocks, percentages of single blocks are biased: a block's percentage divides by
    one untreated count, and 1/C is convex, so that blocks in which the untreated happens to be low
    pull the average down further than blocks in which it is high push it up. With counts of treated
    and untreated that vary independently the expected value is too low by about
    ``(100 - control) v`` points, with v the squared coefficient of variation of one untreated
    count: at a true control of 80 and a CV of 50 %, some 5 points. Control of treatment means is
    biased about as many times less as there are blocks.

    References
    ----------
    Abbott WS 1925, J. Econ. Entomol. 18:265-267.

    Examples
    --------
    >>> float(abbott(9, 60).percent)
    85.0
    """
    t, c = broadcast(treated, untreated)
    with np.errstate(all="ignore"):
        percent = _share_removed(c - t, c, nothing_left=t == 0)
    value, reason = settle(
        percent,
        (_missing(t, c), NOT_COUNTED),
        (_negative(t, c), BELOW_ZERO),
        (c == 0, UNTREATED_NONE),
    )
    return Control(percent=value, reason=reason)


def henderson_tilton(
    treated_after: ArrayLike,
    treated_before: ArrayLike,
    untreated_after: ArrayLike,
    untreated_before: ArrayLike,
) -> Control:
    """Percent control corrected for unequal numbers before treatment (Henderson-Tilton).

    ``100 (1 - (Ta Cb) / (Tb Ca))``, T treated, C untreated, b before, a after.

    Parameters
    ----------
    treated_after, treated_before, untreated_after, untreated_before : array_like
        Living individuals, not below zero. They broadcast against each other.

    Returns
    -------
    Control
        Undefined where the treated or the untreated had none before treatment, or the untreated
        has none after it. (With none in the untreated before and some after, the formula would
        give 100 whatever the treated shows; the growth of the untreated is then infinite, and no
        control can be stated.) Exactly 100 where the treated has none left.

    Notes
    -----
    With equal numbers before treatment it is Abbott's formula. That of Sun YP & Shepard HH 1947, J.
    Econ. Entomol. 40:710-715 (reference from memory), ``100 (m + p) / (100 + p)`` with m the
    percent reduction in the treated and p the percent change in the untreated, is the same
    fraction.

    References
    ----------
    Henderson CF & Tilton EW 1955, J. Econ. Entomol. 48:157-161 (formula seen in secondary texts).

    Examples
    --------
    >>> float(henderson_tilton(50, 500, 600, 480).percent)
    92.0
    """
    ta, tb, ca, cb = broadcast(treated_after, treated_before, untreated_after, untreated_before)
    with np.errstate(all="ignore"):
        percent = _share_removed(tb * ca - ta * cb, tb * ca, nothing_left=ta == 0)
    value, reason = settle(percent, *_before_and_after(ta, tb, ca, cb))
    return Control(percent=value, reason=reason)


def adjusted(
    treated_after: ArrayLike,
    treated_before: ArrayLike,
    untreated_after: ArrayLike,
    untreated_before: ArrayLike,
    slope: float,
) -> Control:
    """Percent control corrected for the count before treatment as far as it foretells later ones.

    ``100 (1 - (Ta / Ca) (Cb / Tb)^slope)``, T treated, C untreated, b before, a after. With a
    slope of 0 it is Abbott's formula, with 1 that of Henderson and Tilton.

    Parameters
    ----------
    treated_after, treated_before, untreated_after, untreated_before : array_like
        Living individuals, not below zero. They broadcast against each other.
    slope : float
        0 to 1: slope of the logarithm of later on earlier counts between plots of one treatment.

    Returns
    -------
    Control
        Undefined in the same cases as `henderson_tilton`; with a slope of 0 as `abbott`.

    Raises
    ------
    ValueError
        When the slope lies outside 0 to 1.

    Notes
    -----
    Covariance adjustment on logarithms, written as a ratio of counts. The name and the use for
    percent control are ours.

    Examples
    --------
    >>> round(float(adjusted(50, 500, 600, 480, 0.5).percent), 4)
    91.835
    """
    if not 0.0 <= slope <= 1.0:
        raise ValueError("the slope must lie between 0 and 1")
    if slope == 0.0:
        return abbott(treated_after, untreated_after)
    if slope == 1.0:
        return henderson_tilton(treated_after, treated_before, untreated_after, untreated_before)
    ta, tb, ca, cb = broadcast(treated_after, treated_before, untreated_after, untreated_before)
    with np.errstate(all="ignore"):
        percent = np.minimum(100.0 * (1.0 - surviving(ta, ca, tb, cb, slope)), 100.0)
    value, reason = settle(percent, *_before_and_after(ta, tb, ca, cb))
    return Control(percent=value, reason=reason)


def surviving(
    treated_after: FloatArray,
    untreated_after: FloatArray,
    treated_before: FloatArray,
    untreated_before: FloatArray,
    slope: float | FloatArray,
) -> FloatArray:
    """Share of the untreated that a treatment left, ``(Ta / Ca) (Cb / Tb)^slope``.

    What percent control is 100 less of, for positive numbers alone: single draws of means, of
    which every leading axis is kept. No case is looked for in which it is not defined.
    """
    left: FloatArray = treated_after / untreated_after
    if np.ndim(slope) or slope == 1.0:
        before = untreated_before / treated_before
        left = left * (before**slope if np.ndim(slope) else before)
    elif slope != 0.0:
        left = left * (untreated_before / treated_before) ** slope
    return left


def _share_removed(removed: FloatArray, whole: FloatArray, nothing_left: BoolArray) -> FloatArray:
    # Multiplied by 100 first: whole counts then give the percentage rounded once only. The bound
    # of 100 is a rounding matter here, since removed never exceeds whole.
    percent = np.minimum(100.0 * removed / whole, 100.0)
    return np.where(nothing_left, 100.0, percent)


def _before_and_after(
    ta: FloatArray, tb: FloatArray, ca: FloatArray, cb: FloatArray
) -> tuple[tuple[BoolArray, str], ...]:
    return (
        (_missing(ta, tb, ca, cb), NOT_COUNTED),
        (_negative(ta, tb, ca, cb), BELOW_ZERO),
        (tb == 0, TREATED_NONE_BEFORE),
        (cb == 0, UNTREATED_NONE_BEFORE),
        (ca == 0, UNTREATED_NONE_LEFT),
    )


def _missing(*values: FloatArray) -> BoolArray:
    return np.asarray(np.logical_or.reduce([~np.isfinite(value) for value in values]))


def _negative(*values: FloatArray) -> BoolArray:
    return np.asarray(np.logical_or.reduce([value < 0 for value in values]))
