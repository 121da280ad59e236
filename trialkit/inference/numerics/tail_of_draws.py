"""Small shares of draws beyond a value, from a smooth tail rather than from a handful of draws."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Draws beyond a value from which on they are simply counted.
ENOUGH = 20
#: Share of the draws, on the side of the value, to which the tail is fitted.
_TAIL = 0.1
#: Least share: farther out a tail fitted to some hundred draws says nothing.
_LEAST = 1e-6
#: Standard error of the shape times the root of the number of draws, near an exponential.
_ERROR = 1.3
#: Fewest draws from which a tail can be fitted.
_FEWEST = 200


def share_at_or_below(draws: FloatArray, value: float) -> FloatArray:
    """Share of the distribution behind draws that lies at or below a value.

    Where at least 20 draws lie there, they are counted (one more of one more, so that it is never
    0). Where fewer do, the count gives way, step by step, to a generalised Pareto tail of the
    outermost tenth, by probability-weighted moments (Hosking and Wallis 1987, from memory). To
    err on the safe side its shape is not let below 0 (an exponential: tails that fall faster, or
    end, get too large a share), and a standard error is added to it.

    Parameters
    ----------
    draws : (n, ...) float array
        Along the first axis.
    value : float

    Returns
    -------
    (...) float array
        Between 1e-6 and 1; NaN where not all draws are finite.

    Examples
    --------
    >>> import numpy as np
    >>> float(share_at_or_below(np.arange(1.0, 100.0), 50.0))
    0.51
    """
    n = len(draws)
    flat = np.asarray(draws, dtype=float).reshape(n, -1)
    known = np.isfinite(flat).all(axis=0)
    count = (flat <= value).sum(axis=0)
    share = (count + 1.0) / (n + 1.0)
    few = known & (count < ENOUGH)
    if n >= _FEWEST and few.any():
        tail = _pareto_tail(value - flat[:, few])
        weight = count[few] / ENOUGH
        share[few] = np.where(
            np.isnan(tail), share[few], share[few] ** weight * np.fmax(tail, _LEAST) ** (1 - weight)
        )
    out: FloatArray = np.where(known, share, np.nan).reshape(np.shape(draws)[1:])
    return out


def _pareto_tail(over: FloatArray) -> FloatArray:
    """Share above 0 by the tail of draws along the first axis; NaN where they do not spread."""
    n = len(over)
    size = int(_TAIL * n)
    top = np.sort(np.partition(over, n - size - 1, axis=0)[n - size - 1 :], axis=0)
    start = top[0]
    excess = top[1:] - start
    rank = (np.arange(size) + 0.65) / size
    first = excess.mean(axis=0)
    second = ((1.0 - rank)[:, None] * excess).mean(axis=0)
    spread = first > 1e-12 * np.maximum(np.abs(start), 1e-300)
    first = np.where(spread, first, 1.0)
    room = first - 2.0 * np.where(spread, second, 0.25)
    fitted = np.clip(2.0 - first / np.maximum(room, 1e-12 * first), 0.0, 0.8)
    shape = fitted + _ERROR / np.sqrt(size)
    scale = first * (1.0 - shape)
    distance = np.maximum(-start, 0.0) / scale
    tail = size / n * np.exp(-np.log1p(shape * distance) / shape)
    return np.where(spread, tail, np.nan)
