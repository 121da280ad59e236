"""What a mixture is expected to do when its parts act independently."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import FloatArray, TextArray, broadcast, floats, settle

PART_UNDEFINED = "percent control of a part is not defined"
MIXTURE_UNDEFINED = "percent control of the mixture is not defined"
OVER_HUNDRED = "a percent control is above 100, which is not possible"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """Expected percent control of a mixture.

    Attributes
    ----------
    percent : ndarray of float
        At most 100; NaN where undefined.
    reason : ndarray of str (object)
        Why undefined; empty otherwise.
    """

    percent: FloatArray
    reason: TextArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mixture:
    """A mixture against what its parts lead to expect.

    Attributes
    ----------
    expected : ndarray of float
        Percent control under independent action; NaN where undefined.
    difference : ndarray of float
        Observed less expected, in percentage points: above zero more than expected, below zero
        less. A difference alone is no test. NaN where undefined.
    reason : ndarray of str (object)
        Why the difference is undefined; empty otherwise.
    """

    expected: FloatArray
    difference: FloatArray
    reason: TextArray


def colby_expected(parts: ArrayLike, *, axis: int = 0) -> Expected:
    """Percent control expected of a mixture whose parts act independently (Colby).

    For two parts ``X + Y - X Y / 100``; for any number, the surviving shares multiply:
    ``100 - (100 - X) (100 - Y) ... / 100^(k - 1)``.

    Parameters
    ----------
    parts : array_like
        Percent control of each part alone, signed, at most 100, with the parts along ``axis``.
    axis : int

    Returns
    -------
    Expected
        Undefined where a part is undefined or above 100.

    Raises
    ------
    ValueError
        With fewer than two parts.

    Notes
    -----
    A part below zero (more pests than in the untreated) goes into the product as it is; the
    paper was not checked for such values.

    References
    ----------
    Colby SR 1967, Weeds 15:20-22 (reference seen). Same content earlier: Limpel LE, Schuldt PH,
    Lamont D 1962, Proc. Northeast. Weed Control Conf. 16:48-53 (from memory).

    Examples
    --------
    >>> float(colby_expected([60, 50]).percent)
    80.0
    """
    values = floats(parts)
    if values.ndim == 0 or values.shape[axis] < 2:
        raise ValueError("a mixture needs at least two parts")
    by_part = np.moveaxis(values, axis, 0)
    with np.errstate(all="ignore"):
        survival = 100.0 - by_part[0]
        for part in by_part[1:]:
            survival = survival * (100.0 - part) / 100.0
        percent, reason = settle(
            100.0 - survival,
            (~np.isfinite(by_part).all(axis=0), PART_UNDEFINED),
            ((by_part > 100).any(axis=0), OVER_HUNDRED),
        )
    return Expected(percent=percent, reason=reason)


def colby(parts: ArrayLike, observed: ArrayLike, *, axis: int = 0) -> Mixture:
    """Compare a mixture with what Colby's formula expects of its parts.

    Parameters
    ----------
    parts : array_like
        As for `colby_expected`.
    observed : array_like
        Percent control of the mixture, at most 100. Broadcasts against the parts without their
        axis.
    axis : int
        Axis of the parts.

    Returns
    -------
    Mixture

    Raises
    ------
    ValueError
        With fewer than two parts.

    Notes
    -----
    Whether a difference is more than chance needs its interval: Flint JL, Cornelius PL, Barrett
    M 1988, Weed Technol. 2:304-309 (reference seen).
    """
    expectation = colby_expected(parts, axis=axis)
    seen, expected = broadcast(observed, expectation.percent)
    why = np.broadcast_to(expectation.reason, expected.shape)
    with np.errstate(all="ignore"):
        difference, reason = settle(
            seen - expected,
            (why == PART_UNDEFINED, PART_UNDEFINED),
            (why == OVER_HUNDRED, OVER_HUNDRED),
            (~np.isfinite(seen), MIXTURE_UNDEFINED),
            (seen > 100, OVER_HUNDRED),
        )
    return Mixture(expected=expected.copy(), difference=difference, reason=reason)
