"""What could this trial have shown? Smallest significant and smallest detectable difference."""

from __future__ import annotations

from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.comparisons.power import Alternative, power_beyond
from trialkit.inference.design.layout import FloatArray
from trialkit.inference.design.scales import TransformName, backward, forward

_HALVINGS: Final = 60
#: Critical value from which only the error of the standard error counts (to 4e-6).
_FAR: Final = 1000.0


def minimal_detectable_difference(
    sed: ArrayLike,
    df: ArrayLike,
    critical: ArrayLike | None = None,
    *,
    scale: Literal["t", "range"] = "t",
    power: float = 0.8,
    alpha: float = 0.05,
    alternative: Alternative | str = Alternative.TWO_SIDED,
) -> FloatArray:
    """Compute the true difference that the trial would have called significant with a power.

    Parameters
    ----------
    sed : array_like
        Standard error of the difference.
    df : array_like
        Error degrees of freedom.
    critical : array_like, optional
        Critical value of the procedure; Student's t at ``alpha`` without it.
    scale : {"t", "range"}
        ``range`` where ``critical`` is the studentized range.
    power : float
        Wanted chance of a significant result, above 0 and below 1.
    alpha : float
        Level of Student's t where no critical value is given.
    alternative : Alternative
        ``greater`` and ``less`` give the size of a difference in that direction.

    Returns
    -------
    ndarray
        Above 0, in the units of ``sed``; NaN where df is not above 0.

    Notes
    -----
    Solves the noncentral t distribution for its noncentrality. The error variance of the trial
    is taken for the true one, so that the figure is as rough as that estimate; with 9 degrees of
    freedom it lies within a factor of about 0.7 to 1.8 (95 %). It describes a trial like this
    one. It is no reason to call two treatments equal, and power worked out from the observed
    difference says nothing that its p-value does not.
    """
    if not 0 < power < 1:
        raise ValueError("power must lie between 0 and 1")
    kind = Alternative(alternative)
    # A difference of a wanted sign is looked for by size.
    kind = Alternative.TWO_SIDED if kind is Alternative.TWO_SIDED else Alternative.GREATER
    freedom = np.asarray(df, dtype=float)
    freedom = np.where(freedom > 0, freedom, np.nan)
    if critical is None:
        tail = alpha / 2 if kind is Alternative.TWO_SIDED else alpha
        limit = np.asarray(special.stdtrit(freedom, 1 - tail), dtype=np.float64)
    else:
        limit = _on_t_scale(critical, scale)
    shift = _noncentrality(limit, freedom, power, kind)
    result: FloatArray = np.asarray(sed, dtype=float) * shift
    return result


def _noncentrality(
    critical: FloatArray, df: FloatArray, power: float, kind: Alternative
) -> FloatArray:
    """Find the noncentrality of t with a given power."""
    limit, freedom = np.broadcast_arrays(critical, df)
    # Responses with the same plots share both: few pairs have to be looked at.
    pairs = np.column_stack([limit.ravel(), freedom.ravel()])
    known = np.isfinite(pairs[:, 0]) & ~np.isnan(pairs[:, 1])
    different, place = np.unique(pairs[known], axis=0, return_inverse=True)
    shift = np.full(len(pairs), np.nan)
    solved = [_solved(float(t), float(v), power, kind) for t, v in different]
    shift[known] = np.array(solved, dtype=np.float64)[place]
    return shift.reshape(limit.shape)


@lru_cache(maxsize=4096)
def _solved(limit: float, df: float, power: float, kind: Alternative) -> float:
    """Halve the range of the noncentrality; power grows with it."""
    if limit > _FAR:
        # The error of the means counts for nothing beside that of their standard error.
        return limit * float(np.sqrt(special.chdtri(df, 1.0 - power) / df))
    low = 0.0
    # Normal theory would need critical + z; few degrees of freedom ask for more.
    high = 2.0 * limit + 8.0

    def enough(shift: float) -> bool:
        return bool(power_beyond(limit, shift, df, alternative=kind) >= power)

    for _ in range(40):
        if enough(high):
            break
        high *= 2
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if enough(middle):
            high = middle
        else:
            low = middle
    return (low + high) / 2


def _on_t_scale(critical: ArrayLike, scale: Literal["t", "range"]) -> FloatArray:
    value = np.asarray(critical, dtype=float)
    return value / np.sqrt(2.0) if scale == "range" else value


def detectable_reduction(
    base: ArrayLike, difference: ArrayLike, transform: TransformName
) -> FloatArray:
    """Turn a detectable difference into a percent reduction on the counted scale.

    Parameters
    ----------
    base : array_like
        Mean of the untreated on the analysis scale.
    difference : array_like
        Minimal detectable difference on that scale, above 0.
    transform : {"none", "sqrt", "log", "arcsine"}

    Returns
    -------
    ndarray
        Smallest reduction, in percent of the untreated, that the trial could detect. NaN where
        even the loss of every individual is a smaller difference, or the untreated is not
        above 0.
    """
    start = np.asarray(base, dtype=float)
    end = start - np.asarray(difference, dtype=float)
    base_counted = backward(transform, start)
    nothing = float(forward(transform, np.zeros(1))[0])
    left = backward(transform, np.maximum(end, nothing))
    usable = (base_counted > 0) & (end >= nothing)
    share = left / np.where(usable, base_counted, 1.0)
    return np.where(usable, 100 * (1 - share), np.nan)
