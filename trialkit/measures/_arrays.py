"""What all measures share: array types, and numbers that are undefined with a reason."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
TextArray: TypeAlias = NDArray[np.object_]

NOT_COUNTED = "not counted"
OUT_OF_RANGE = "the numbers are too large or too small to calculate with"


def floats(value: ArrayLike) -> FloatArray:
    """Take numbers as an array of doubles; None becomes NaN."""
    return np.asarray(value, dtype=np.float64)


def broadcast(*values: ArrayLike) -> tuple[FloatArray, ...]:
    """Take several inputs as arrays of doubles of one common shape.

    Raises
    ------
    ValueError
        When the shapes do not fit together.
    """
    return tuple(np.broadcast_arrays(*(floats(value) for value in values)))


def settle(
    value: ArrayLike, *cases: tuple[BoolArray | np.bool_ | bool, str]
) -> tuple[FloatArray, TextArray]:
    """Blank out what is undefined and say why.

    Parameters
    ----------
    value : array_like
        The numbers as calculated, possibly infinite or NaN where undefined.
    *cases : tuple of (mask, text)
        Where a number is undefined, and the reason. The first case that fits gives the reason.

    Returns
    -------
    value : ndarray of float
        NaN where a case fits, and where the calculation left the range of doubles.
    reason : ndarray of str (object)
        Of the same shape; empty where the value is defined.
    """
    settled = np.array(value, dtype=np.float64)
    reason = np.full(settled.shape, "", dtype=object)
    undefined = np.zeros(settled.shape, dtype=bool)
    for mask, text in cases:
        fresh = np.asarray(mask, dtype=bool) & ~undefined
        reason[fresh] = text
        undefined |= fresh
    left = ~undefined & ~np.isfinite(settled)
    reason[left] = OUT_OF_RANGE
    settled[undefined | left] = np.nan
    return settled, reason
