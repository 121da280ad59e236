"""Quantiles of many draws at once, without sorting more of them than is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from trialkit.inference.design.layout import FloatArray


def quantiles_of_draws(
    draws: FloatArray,
    shares: Sequence[float],
    *,
    method: Literal["linear", "inverted_cdf"] = "linear",
) -> FloatArray:
    """Quantiles along the first axis; the numbers of ``np.quantile``, several times as fast.

    Fastest where the draws of one number lie together in memory.

    Parameters
    ----------
    draws : (n, ...) array
        At least one draw; infinite values are allowed with ``inverted_cdf``.
    shares : sequence of float
        0 to 1.
    method : {"linear", "inverted_cdf"}
        Between two draws in proportion, or the smallest draw up to which that share lies.

    Returns
    -------
    (len(shares), ...) array
        NaN where any draw is NaN.

    Raises
    ------
    ValueError
        Without draws, or with a share outside 0 to 1.
    """
    n = draws.shape[0]
    if n == 0 or not all(0.0 <= share <= 1.0 for share in shares):
        raise ValueError("quantiles need draws, and shares from 0 to 1")
    # A copy in which the draws of one number lie together; below it is put in order in part.
    rows = np.array(np.moveaxis(draws, 0, -1), dtype=np.float64, order="C").reshape(-1, n)
    undefined = np.isnan(rows.max(axis=1))
    found = np.empty((len(shares), len(rows)))
    ordered = 0  # columns that hold the smallest draws already
    for i in np.argsort(shares, kind="stable"):
        exact = method == "inverted_cdf"
        place = max(np.ceil(n * shares[i]) - 1.0, 0.0) if exact else (n - 1) * shares[i]
        low = int(place)
        part = place - low
        high = low + 1 if part > 0.0 else low
        if high >= ordered:
            rows[:, ordered:].partition(high - ordered, axis=1)
            ordered = high + 1
        above = rows[:, high]
        if high == low:
            found[i] = above
            continue
        below = rows[:, :high].max(axis=1)
        step = above - below
        found[i] = below + step * part if part < 0.5 else above - step * (1.0 - part)
    found[:, undefined] = np.nan
    return found.reshape(len(shares), *draws.shape[1:])
