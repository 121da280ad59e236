"""Differences of two shares left, in percentage points of control, from their logarithms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.pooling.random_effects import Pooled, PooledFit

_MOST = 50.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneTrial:
    """Estimates of a single trial, in the place of a pooled fit.

    Attributes
    ----------
    estimates : (t,) array
    covariance : (t, t) array
        Allows for what is not known of the errors: limits are at normal quantiles.
    """

    estimates: FloatArray
    covariance: FloatArray

    def treatments(self) -> Pooled:
        """Every treatment."""
        return self._combine(np.eye(self.estimates.size))

    def differences(self, a: IntArray, b: IntArray) -> Pooled:
        """Differences of pairs of treatments, first minus second."""
        unit = np.eye(self.estimates.size)
        return self._combine(unit[a] - unit[b])

    def _combine(self, rows: FloatArray) -> Pooled:
        variance = np.einsum("qi,ij,qj->q", rows, self.covariance, rows)
        return Pooled(
            estimate=rows @ self.estimates,
            se=np.sqrt(np.maximum(variance, 0.0)),
            df=np.full(len(rows), np.inf),
        )


def points_between(
    fit: PooledFit | OneTrial, a: IntArray, b: IntArray, alpha: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Control of a less that of b in percentage points, and its limits (q,).

    Limits come from those of both shares left and their correlation: the square-and-add way, which
    keeps to the range of control.

    Notes
    -----
    Zou GY & Donner A 2008, Stat. Med. 27:1693-1702 (reference from memory).
    """
    each, apart = fit.treatments(), fit.differences(a, b)
    # Beyond e^50 nothing is bounded; kept from running over.
    low, high = (np.exp(np.minimum(part, _MOST)) for part in each.limits(alpha))
    left = np.exp(np.minimum(each.estimate, _MOST))
    product = each.se[a] * each.se[b]
    joint = (each.se[a] ** 2 + each.se[b] ** 2 - apart.se**2) / 2.0
    r = np.clip(np.where(product > 0.0, joint / np.where(product > 0.0, product, 1.0), 0.0), -1, 1)

    def reach(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.sqrt(np.maximum(x**2 + y**2 - 2.0 * r * x * y, 0.0))

    points = 100.0 * (left[b] - left[a])
    lower = points - 100.0 * reach(left[b] - low[b], high[a] - left[a])
    upper = points + 100.0 * reach(high[b] - left[b], left[a] - low[a])
    return points, lower, upper
