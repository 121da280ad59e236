"""Differences of least-squares means of a mixed model, also of very many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.normal.mixed import Estimates, MixedFit

#: Coefficients of pairs that are worked out at once.
_KEPT = 1_000_000


def pairs(n: int) -> tuple[IntArray, IntArray]:
    """All pairs (a, b), a < b, of ``n`` things, in order of a."""
    a, b = np.triu_indices(n, 1)
    return a.astype(np.intp), b.astype(np.intp)


def _in_means(fit: MixedFit, means: Estimates) -> MixedFit:
    """The same fit with its means as coefficients, so that a difference has but two entries."""
    rows = means.coefficients[:, fit.kept]

    def turned(matrix: FloatArray) -> FloatArray:
        return np.asarray(rows @ matrix @ rows.T)

    small = fit._small
    if small is not None:
        small = replace(
            small,
            phi=turned(small.phi),
            adjusted=turned(small.adjusted),
            slope=turned(small.slope),
        )
    return replace(
        fit,
        coefficients=rows @ fit.coefficients[fit.kept],
        kept=np.ones(len(rows), dtype=bool),
        covariance=turned(fit.covariance),
        _small=small,
        _hidden=means.coefficients @ fit._hidden,
    )


def differences(fit: MixedFit, means: Estimates, a: Sequence[int], b: Sequence[int]) -> Estimates:
    """Differences of pairs of least-squares means, first minus second.

    Of very many pairs the coefficients are not kept, which would take the most memory by far.
    """
    first, second = np.asarray(a, dtype=np.intp), np.asarray(b, dtype=np.intp)
    width = means.coefficients.shape[1]
    if first.size * width <= _KEPT:
        return fit.contrasts(means.coefficients[first] - means.coefficients[second])
    of_means, levels = _in_means(fit, means), np.eye(len(means.estimate))
    step = max(_KEPT // len(levels), 1)
    parts = [
        of_means.contrasts(levels[first[i : i + step]] - levels[second[i : i + step]])
        for i in range(0, first.size, step)
    ]
    return Estimates(
        levels=np.zeros((first.size, 0), dtype=np.intp),
        coefficients=np.zeros((first.size, 0)),
        **{
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in ("estimate", "se", "df", "t", "p")
        },
    )
