"""The law of the deviance of treatments in shares k of n, where so few were hit that F has none.

Few hits in plots that resemble clumps make the dispersion of a plot skew, and F by the model then
rejects too often. What the design did needs no model: treatments were dealt to the plots at
random, so that with nothing between them any other dealing was as likely, whatever the plots are.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout
from trialkit.inference.glm.share_result import ShareFit
from trialkit.inference.permutation.randomisation import arrangements

#: Arrangements looked at; always the same ones, so that p hangs on no seed. The chance error of a p
#: of 0.05 is 0.002.
DEALT: Final = 9_999
# Arrangements that equal the one found, but for rounding, count as reaching it.
_TIE: Final = 1e-9
#: Hits of a plot, each worth what it is beside others like it: below this F rejected up to 24 %.
FEW: Final = 3.0


def few_hit(fit: ShareFit, hits: FloatArray, number: FloatArray) -> BoolArray:
    """Mark responses (m,) with so few hits, or misses, that F by the model has not its level.

    A hit among n items of a plot that resemble each other with a correlation r counts as
    ``1 / (1 + (n - 1) r)``; the mean over plots lies below `FEW`. How often F then rejects is in
    tests/benchmarks/shares.md.
    """
    known = np.isfinite(hits) & (number > 0.0)
    worth = np.where(known, 1.0 / (1.0 + (number - 1.0) * fit.correlation), 0.0)
    sums = [(worth * np.where(known, part, 0.0)).sum(axis=0) for part in (hits, number - hits)]
    few: BoolArray = np.minimum(*sums) < FEW * np.maximum(known.sum(axis=0), 1)
    return few


def dealt_shares(
    layout: Layout,
    fit: ShareFit,
    data: tuple[FloatArray, FloatArray],
    columns: IntArray,
    draws: int = DEALT,
) -> FloatArray:
    """Share of dealings of the treatments whose deviance is as large as the one found.

    Parameters
    ----------
    layout : Layout
        Completely randomised, in blocks, or rows and columns that cross fully.
    fit : ShareFit
        Beta-binomial.
    data : pair of (n, m) float arrays
        Items hit and looked at; NaN, or none looked at, where missing.
    columns : (q,) int array
        The responses asked for.
    draws : int
        Arrangements looked at, or all where there are no more.

    Returns
    -------
    (q,) float array
        NaN where there is nothing to test.

    Raises
    ------
    NotEstimable
        When rows and columns do not cross in exactly one plot each.

    Notes
    -----
    The statistic is the deviance of the totals of the treatments about what blocks let expect,
    each plot by its weight in the model: that of the fit but for what treatments and blocks share.
    Plots keep their numbers looked at. With drawn arrangements ``p = (1 + b) / (1 + B)``, as in
    `randomisation_test`.
    """
    hits, number = (part[:, columns] for part in data)
    expected, correlation = fit.expected[:, columns], fit.correlation[columns]
    known = np.isfinite(hits) & (number > 0.0) & np.isfinite(expected)
    p = np.full(columns.size, np.nan)
    patterns, member = np.unique(known, axis=1, return_inverse=True)
    for i, pattern in enumerate(patterns.T):
        plots = np.flatnonzero(pattern)
        if not plots.size:
            continue
        labels, every = arrangements(layout, plots, draws, np.random.default_rng(0))
        labels = np.vstack([layout.treatment[plots], labels])
        one = 0 if every else 1
        for j in np.flatnonzero(member.ravel() == i):
            items = number[plots, j]
            weight = 1.0 / (1.0 + (items - 1.0) * correlation[j])
            sums = (weight * items, weight * hits[plots, j], weight * items * expected[plots, j])
            found = _deviances(labels, layout.n_treatments, *sums)
            if np.ptp(found) > 0.0:
                reached = (found[1:] >= found[0] - _TIE * max(found[0], 1.0)).sum()
                p[j] = (one + reached) / (one + len(labels) - 1)
    return p


def _deviances(
    labels: IntArray, t: int, weight: FloatArray, hit: FloatArray, expected: FloatArray
) -> FloatArray:
    """Half the deviance (B,) of the totals of treatments of each arrangement (B, n)."""
    size = len(labels)
    place = (labels + t * np.arange(size)[:, None]).ravel()
    total, found, foreseen = (
        np.bincount(place, np.tile(part, size), minlength=size * t)
        for part in (weight, hit, expected)
    )
    gain = special.rel_entr(found, foreseen) + special.rel_entr(
        np.maximum(total - found, 0.0), np.maximum(total - foreseen, 0.0)
    )
    deviance: FloatArray = np.where(np.isfinite(gain), gain, 0.0).reshape(size, t).sum(axis=1)
    return deviance
