"""Distribution of a sum of logarithms of gamma variables, by saddlepoint approximation.

A group mean known from ``a`` independent counts whose plots vary with gamma factors has the
confidence distribution of a quotient of gammas; so have shares (beta) and changes. The
logarithm of a ratio of two such quantities is a sum of log-gammas with known cumulant
generating function, and the tail formula of Lugannani and Rice (1980, Adv. Appl. Probab.
12:475-490, reference from memory) in the form of Barndorff-Nielsen's modified root is good to
about one per cent of the tail, also far out and for zero counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.layouts import FloatArray

_NEAR = 1e-4
_FAR = 1e9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogGammaSum:
    """Sum of ``factor`` times the law of ``sign * log(gamma(shape))``, moved by a location.

    A factor of -1 takes a term out of the cumulant generating function: log(beta) is the term
    of its first shape less that of the sum of both.

    Attributes
    ----------
    shape : (j, ...) float array, positive
    sign : (j,) float array of 1 and -1
    factor : (j,) float array of 1 and -1
    location : (...) float array
    """

    shape: FloatArray
    sign: FloatArray
    factor: FloatArray
    location: FloatArray

    def _columns(self, values: FloatArray) -> FloatArray:
        return values.reshape((-1,) + (1,) * (self.shape.ndim - 1))

    def cumulants(self, s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Cumulant generating function at ``s`` with its first two derivatives."""
        sign, factor = self._columns(self.sign), self._columns(self.factor)
        moved = self.shape + sign * s
        k0 = (factor * (special.gammaln(moved) - special.gammaln(self.shape))).sum(axis=0)
        k1 = (factor * sign * special.digamma(moved)).sum(axis=0)
        k2 = (factor * special.polygamma(1, moved)).sum(axis=0)
        return self.location * s + k0, self.location + k1, k2

    def variance(self) -> FloatArray:
        """Variance of the sum."""
        factor = self._columns(self.factor)
        value: FloatArray = (factor * special.polygamma(1, self.shape)).sum(axis=0)
        return value

    def limits(self) -> tuple[FloatArray, FloatArray]:
        """Open interval of the arguments of the cumulant generating function."""
        sign, factor = self._columns(self.sign), self._columns(self.factor)
        below = np.where((factor > 0) & (sign > 0), self.shape, np.inf).min(axis=0)
        above = np.where((factor > 0) & (sign < 0), self.shape, np.inf).min(axis=0)
        shrink = 1.0 - 1e-10
        return -np.minimum(below, _FAR) * shrink, np.minimum(above, _FAR) * shrink

    def root(self, s: FloatArray) -> FloatArray:
        """Normal score of the point whose saddlepoint is ``s``."""
        k0, k1, k2 = self.cumulants(s)
        w = np.sign(s) * np.sqrt(np.maximum(2.0 * (s * k1 - k0), 0.0))
        u = s * np.sqrt(k2)
        near = np.abs(u) < _NEAR
        safe_w, safe_u = np.where(near, 1.0, w), np.where(near, 1.0, u)
        far = safe_w + np.log(np.maximum(safe_u / safe_w, 1e-300)) / safe_w
        sign, factor = self._columns(self.sign), self._columns(self.factor)
        k3 = (factor * sign * special.polygamma(2, self.shape)).sum(axis=0)
        centre = u - k3 / (6.0 * self.variance() ** 1.5)
        return np.where(near, centre, far)

    def score(self, x: FloatArray) -> FloatArray:
        """Normal score of ``x``: the distribution function on the normal scale."""
        low, high = self.limits()
        for _ in range(64):
            middle = 0.5 * (low + high)
            below = self.cumulants(middle)[1] < x
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return self.root(0.5 * (low + high))

    def point(self, score: FloatArray) -> FloatArray:
        """Point whose normal score is ``score``: the inverse of ``score``."""
        low, high = self.limits()
        for _ in range(64):
            middle = 0.5 * (low + high)
            below = self.root(middle) < score
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        value: FloatArray = self.cumulants(0.5 * (low + high))[1]
        return value


def difference(first: LogGammaSum, second: LogGammaSum) -> LogGammaSum:
    """Distribution of one independent sum less another; their trailing axes broadcast."""
    trailing = np.broadcast_shapes(first.shape.shape[1:], second.shape.shape[1:])
    shapes = [
        np.broadcast_to(one.shape, (one.shape.shape[0], *trailing)) for one in (first, second)
    ]
    return LogGammaSum(
        shape=np.concatenate(shapes),
        sign=np.concatenate([first.sign, -second.sign]),
        factor=np.concatenate([first.factor, second.factor]),
        location=first.location - second.location,
    )
