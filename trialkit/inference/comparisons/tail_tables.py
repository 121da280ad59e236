"""Tails of maxima of studentized normal statistics, from piecewise polynomials.

Let M be the largest of several standard normal statistics, S an independent root mean square
with ``df`` degrees of freedom, T = M / S. With g(w) = exp(w^2 / 2) P(M > w), completing the
square in the integral over S gives, exactly,

    P(T > t) = (1 + t^2 / df)^(-df / 2)  E[ g(S t / sqrt(1 + t^2 / df)) ],   t >= 0.

g varies slowly (near 1 at 0, like 1 / w far out), so the expectation keeps its relative accuracy
in the far tail, and on the scale x = sqrt(df log(1 + t^2 / df)) the logarithm of the tail is
-x^2 / 2 plus a slowly varying function. log g is tabulated once for the normal statistics, the
logarithm of the expectation once for each ``df``: each is a polynomial on each of a few panels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import expm1, isinf, sqrt

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray

# Tails below exp(-X_LARGEST^2 / 2), about 1e-196, continue with a constant g.
X_LARGEST = 30.0
W_LARGEST = 37.0
X_SMALLEST = -9.0
_NODES = 12
# Weights of the mean square below exp(-_DROP) of the largest are left out.
_DROP = 36.0
_NARROW = (0.0, 0.2, 0.5, 0.9, 1.3, 1.7, 2.1, 2.5, 2.9, 3.3, 3.7, 4.2, 4.8, 5.5, 6.3, 7.5, 9.0)
_WIDE = (11.0, 14.0, 18.0, 23.0)
W_PANELS = np.array([*_NARROW, *_WIDE, 29.0, W_LARGEST])
X_PANELS = np.array([*_NARROW, *_WIDE, X_LARGEST])
NEGATIVE_PANELS = np.array(
    [X_SMALLEST, -6.5, -5.0, -4.0, -3.3, -2.7, -2.1, -1.6, -1.1, -0.7, -0.3, 0.0]
)


@lru_cache(maxsize=1)
def _chebyshev() -> tuple[FloatArray, FloatArray]:
    """Nodes on (-1, 1), and the matrix from values there to coefficients of powers."""
    nodes = np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
    return nodes, np.linalg.inv(np.vander(nodes, increasing=True))


@dataclass(frozen=True, slots=True, eq=False)
class PiecewisePolynomial:
    """Polynomials on panels.

    Attributes
    ----------
    breaks : (panels + 1,) array
    coefficients : (nodes, panels) array
        Of the powers of the place within the panel, -1 to 1.
    """

    breaks: FloatArray
    coefficients: FloatArray

    def __call__(self, x: FloatArray) -> FloatArray:
        """Values at ``x``; outside the panels those at the nearer end."""
        panel, place = self._locate(x)
        value = self.coefficients[-1][panel]
        for row in self.coefficients[-2::-1]:
            value = value * place + row[panel]
        return np.asarray(value)

    def derivative(self, x: FloatArray) -> FloatArray:
        """First derivative at ``x`` inside the panels."""
        panel, place = self._locate(x)
        degree = self.coefficients.shape[0] - 1
        value = degree * self.coefficients[-1][panel]
        for power in range(degree - 1, 0, -1):
            value = value * place + power * self.coefficients[power][panel]
        width: FloatArray = np.diff(self.breaks)
        return np.asarray(value * 2.0 / width[panel])

    def _locate(self, x: FloatArray) -> tuple[IntArray, FloatArray]:
        breaks = self.breaks
        x = np.clip(x, breaks[0], breaks[-1])
        panel = np.clip(np.searchsorted(breaks, x, side="right") - 1, 0, breaks.size - 2)
        low, high = breaks[panel], breaks[panel + 1]
        return panel, (2.0 * x - low - high) / (high - low)


def fit_panels(
    function: Callable[[FloatArray], FloatArray], breaks: FloatArray
) -> PiecewisePolynomial:
    """Interpolate a function of a flat array at the Chebyshev nodes of each panel."""
    nodes, to_powers = _chebyshev()
    low, high = breaks[:-1, None], breaks[1:, None]
    x = (low + high) / 2 + (high - low) / 2 * nodes
    values = function(x.ravel()).reshape(x.shape)
    return PiecewisePolynomial(breaks, to_powers @ values.T)


@dataclass(frozen=True, slots=True, eq=False)
class NormalTail:
    """Tail of the largest of normal statistics.

    Attributes
    ----------
    log_g : PiecewisePolynomial
        log(exp(w^2 / 2) P(M > w)) for w from 0 to ``W_LARGEST``.
    log_sf : PiecewisePolynomial or None
        log P(M > w) for w from ``X_SMALLEST`` to 0, where M can be negative.
    """

    log_g: PiecewisePolynomial
    log_sf: PiecewisePolynomial | None = None

    @classmethod
    def from_function(cls, sf: Callable[[FloatArray], FloatArray], *, negative: bool) -> NormalTail:
        """Tabulate from P(M > w) of a flat array of w, relatively accurate."""
        log_g = fit_panels(lambda w: np.log(sf(w)) + 0.5 * w * w, W_PANELS)
        if not negative:
            return cls(log_g)
        return cls(log_g, fit_panels(lambda w: np.log(sf(w)), NEGATIVE_PANELS))


@dataclass(frozen=True, slots=True, eq=False)
class StudentTail:
    """Tail of the largest of studentized statistics at one number of degrees of freedom.

    Attributes
    ----------
    df : float
        May be infinite.
    log_g : PiecewisePolynomial
        log P(T > t) + x^2 / 2 for x >= 0.
    log_sf : PiecewisePolynomial or None
        log P(T > t) for x < 0.
    """

    df: float
    log_g: PiecewisePolynomial
    log_sf: PiecewisePolynomial | None

    @classmethod
    def from_normal(cls, normal: NormalTail, df: float) -> StudentTail:
        """Average the normal tail over the root mean square."""
        if isinf(df):
            return cls(df, normal.log_g, normal.log_sf)
        s, weights = root_mean_square_rule(df)

        def positive(x: FloatArray) -> FloatArray:
            # t / sqrt(1 + t^2 / df), without t
            scale = np.sqrt(-df * np.expm1(-x * x / df))
            return np.asarray(np.log(np.exp(normal.log_g(np.outer(scale, s))) @ weights))

        log_g = fit_panels(positive, X_PANELS)
        if normal.log_sf is None:
            return cls(df, log_g, None)
        negative_tail = normal.log_sf

        def negative(x: FloatArray) -> FloatArray:
            t = self_scale(x, df)
            return np.asarray(np.log(np.exp(negative_tail(np.outer(t, s))) @ weights))

        return cls(df, log_g, fit_panels(negative, NEGATIVE_PANELS))

    def logsf(self, t: FloatArray) -> FloatArray:
        """Logarithm of P(T > t), an array of the shape of ``t``."""
        return self._logsf(_shrink(t, self.df))

    def _logsf(self, x: FloatArray) -> FloatArray:
        # Beyond 1000 the chance is 0, and the square must not overflow.
        value = self.log_g(np.maximum(x, 0.0)) - 0.5 * np.square(np.clip(x, -1e3, 1e3))
        if self.log_sf is not None:
            below = np.where(x < X_SMALLEST, 0.0, self.log_sf(x))
            value = np.where(x < 0, below, value)
        else:
            value = np.where(x <= 0, 0.0, value)
        return np.where(np.isnan(x), np.nan, np.minimum(value, 0.0))

    def _slope(self, x: FloatArray) -> FloatArray:
        slope = self.log_g.derivative(np.clip(x, 0.0, None)) - x
        if self.log_sf is not None:
            slope = np.where(x < 0, self.log_sf.derivative(np.clip(x, X_SMALLEST, 0.0)), slope)
        return slope

    def isf(self, probability: FloatArray) -> FloatArray:
        """Points t with P(T > t) = probability, by Newton's method held in a bracket."""
        p = np.asarray(probability, dtype=np.float64)
        inside = (p > 0) & (p < 1)
        goal = np.log(np.where(inside, p, 0.5))
        low = np.full(p.shape, 0.0 if self.log_sf is None else X_SMALLEST)
        # -x^2 / 2 + log g = goal, and log g never exceeds 30
        high = np.minimum(np.sqrt(2.0 * (30.0 - goal)), 2 * X_LARGEST)
        x = np.minimum(np.sqrt(-2.0 * goal) + 0.5, high)
        for _ in range(200):
            miss = self._logsf(x) - goal
            low, high = np.where(miss > 0, x, low), np.where(miss > 0, high, x)
            with np.errstate(divide="ignore", invalid="ignore"):
                step = x - miss / self._slope(x)
            usable = (step >= low) & (step <= high)
            new = np.where(usable, step, 0.5 * (low + high))
            moved = np.max(np.abs(new - x), initial=0.0)
            x = new
            if moved < 1e-14:
                break
        t = self_scale(x, self.df)
        lowest = 0.0 if self.log_sf is None else -np.inf
        t = np.where(p <= 0, np.inf, np.where(p >= 1, lowest, t))
        return np.where((p >= 0) & (p <= 1), t, np.nan)


def _shrink(t: FloatArray, df: float) -> FloatArray:
    """Scale on which the tail of T is that of a normal statistic."""
    if isinf(df):
        return t
    with np.errstate(over="ignore"):
        return np.asarray(np.copysign(np.sqrt(df * np.log1p(np.square(t) / df)), t))


def self_scale(x: FloatArray, df: float) -> FloatArray:
    """Undo the shrinking: from the normal scale to that of T."""
    if isinf(df):
        return x
    with np.errstate(over="ignore"):
        return np.asarray(np.copysign(np.sqrt(df * np.expm1(np.square(x) / df)), x))


@lru_cache(maxsize=256)
def root_mean_square_rule(df: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights for expectations over S, df S^2 being chi-squared with ``df``.

    The trapezoidal rule in log S, which converges geometrically because the density falls
    off exponentially on both sides.
    """
    step = min(0.06, 0.35 / sqrt(2.0 * df))
    left = _drop_point(df, -1.0, _DROP)
    # g rises to exp(12) at most before it falls.
    right = _drop_point(df, 1.0, _DROP + 14.0)
    v = step * np.arange(np.floor(left / step), np.ceil(right / step) + 1)
    log_density = df * (v - 0.5 * np.expm1(2.0 * v))
    weights = np.exp(log_density)
    return np.exp(v), weights / weights.sum()


def _drop_point(df: float, side: float, drop: float) -> float:
    """Where, left (-1) or right (1) of 0, the log density of log S has fallen by ``drop``."""
    near, far = 0.0, side
    while df * (far - 0.5 * expm1(2.0 * far)) > -drop:
        far *= 2.0
    for _ in range(60):
        middle = 0.5 * (near + far)
        if df * (middle - 0.5 * expm1(2.0 * middle)) > -drop:
            near = middle
        else:
            far = middle
    return far
