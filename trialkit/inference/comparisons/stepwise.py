"""Student-Newman-Keuls and Duncan: ranges of ordered means, the widest first."""

from __future__ import annotations

import numpy as np

from trialkit.inference.comparisons.distributions import studentized_range_sf
from trialkit.inference.design.layout import FloatArray, IntArray

_TIE_ULPS = 16.0


def stepwise_p(
    means: FloatArray,
    unit_variance: FloatArray,
    ms_error: FloatArray,
    df: float,
    pairs: tuple[IntArray, IntArray],
    *,
    duncan: bool,
) -> FloatArray:
    """P-values (p, k) of a step-down procedure for pairs of means.

    A range of means inside one that is not significant is not tested, so the p-value of a pair
    is the largest of all ranges that hold it; it is at most alpha just where the procedure
    declares the pair different at alpha. Means that are equal count with both ends of a range,
    so that their order in the list does not matter.

    Parameters
    ----------
    means : (t, k) array
        Without NaN.
    unit_variance : (t, t) array
        Variance of each difference in units of ``ms_error``: unequal numbers of plots enter as
        their harmonic mean.
    ms_error : (k,) array
    df : float
    pairs : two (p,) int arrays
    duncan : bool
        Level 1 - (1 - alpha)^(size - 1) for a range, and critical ranges that never fall with
        its size; else Student-Newman-Keuls.

    References
    ----------
    Newman D 1939, Biometrika 31:20-30; Keuls M 1952, Euphytica 1:112-122; Duncan DB 1955,
    Biometrics 11:1-42.
    """
    t, k = means.shape
    order = np.argsort(-means, axis=0, kind="stable")
    ranked = np.take_along_axis(means, order, axis=0)
    first, last = _ends_of_ties(ranked)
    gap = ranked[:, None, :] - ranked[None, :, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        q = gap / np.sqrt(unit_variance[order[:, None, :], order[None, :, :]] * ms_error / 2.0)
    upper = np.triu(np.ones((t, t), dtype=bool), 1)[:, :, None]
    size = np.where(upper, last[None, :, :] - first[:, None, :] + 1, 0)
    raw = range_p(q, size, df, duncan=duncan)
    held = np.maximum.accumulate(np.where(upper, raw, -1.0), axis=0)
    held = np.maximum.accumulate(held[:, ::-1], axis=1)[:, ::-1]

    position = np.empty_like(order)
    np.put_along_axis(position, order, np.arange(t)[:, None], axis=0)
    one, other = position[pairs[0]], position[pairs[1]]
    high, low = np.minimum(one, other), np.maximum(one, other)
    response = np.arange(k)[None, :]
    high, low = np.take_along_axis(last, high, axis=0), np.take_along_axis(first, low, axis=0)
    p = held[np.minimum(high, t - 2), np.maximum(low, 1), response]
    tied = np.where(np.isnan(q[0, -1]), np.nan, 1.0)
    return np.asarray(np.where(high < low, p, tied))


def _ends_of_ties(ranked: FloatArray) -> tuple[IntArray, IntArray]:
    """First and last position (t, k) of the means equal to each of the ordered means."""
    limit = _TIE_ULPS * np.finfo(float).eps * np.abs(ranked).max(axis=0)
    same = np.abs(ranked[:, None, :] - ranked[None, :, :]) <= limit
    first = same.argmax(axis=1)
    last = ranked.shape[0] - 1 - same[:, ::-1].argmax(axis=1)
    return first, last


def range_p(q: FloatArray, size: IntArray, df: float, *, duncan: bool) -> FloatArray:
    """P-values of studentized ranges.

    Parameters
    ----------
    q : array
    size : int array of the same shape
        Of how many means each is the range; below 2 gives 0.
    df : float
    duncan : bool
        Whether the protection level for p means is Duncan's, (1 - alpha)^(p - 1). A range of p
        means is then significant only where it is so as a range of fewer means too, which keeps
        critical ranges from falling with p when there are few degrees of freedom.

    References
    ----------
    Duncan DB 1955, Biometrics 11:1-42; corrected tables Harter HL 1960, Biometrics 16:671-685.
    """
    p = np.zeros(q.shape)
    for means in range(2, int(size.max(initial=0)) + 1):
        # Duncan's level must hold for each smaller number of means too.
        these = size >= means if duncan else size == means
        if not these.any():
            continue
        tail = studentized_range_sf(q[these], means, df)
        if duncan:
            with np.errstate(divide="ignore"):
                tail = np.maximum(p[these], -np.expm1(np.log1p(-tail) / (means - 1)))
        p[these] = tail
    return p
