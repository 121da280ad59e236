"""Distributions of logarithms, from their characteristic functions on a grid of frequencies.

Independent parts multiply, mixtures average; shares below a value and quantiles come back by the
inversion of Gil-Pelaez (1951, Biometrika 38:481-482), summed as by Davies (1973, Biometrika
60:415-417; both references from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.numerics.log_gammas import ComplexArray, Decays, LogGammas

#: Frequencies of a law, and what part of their spacing at the end is that at the start.
_SIZE, _START = 64, 0.05
#: Shares nearer to 0 or 1 are those of no number: what the sums leave is of that order.
LEAST_SHARE = 1e-9
_ROUNDS, _NEAR = 40, 1e-4
#: Size of a characteristic function up to which frequencies matter.
_MATTERS = 1e-7
_HERMITE, _NORMAL = 3, 60.0
#: Powers whose tables are kept.
_KEPT = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frequencies:
    """Frequencies of a sum in place of an integral from 0 on.

    Attributes
    ----------
    at : (f,) float array
        Dense near 0, where heavy tails show, and wide at the end.
    weights : (f,) float array
        Of the integral over frequencies, over pi times the frequency.
    """

    at: FloatArray
    weights: FloatArray
    _gammas: dict[float, LogGammas] = field(default_factory=dict, repr=False)

    @property
    def reach(self) -> float:
        """The largest."""
        return float(self.at[-1])

    def gammas(self, power: float) -> LogGammas | Decays:
        """Log-gamma variables to a power on these frequencies."""
        if power not in self._gammas:
            if len(self._gammas) > _KEPT:
                del self._gammas[next(reversed(self._gammas))]
            self._gammas[power] = LogGammas(self.at * power)
        return self._gammas[power]


class TriedFrequencies(Frequencies):
    """Frequencies on which it is looked how far characteristic functions reach."""

    __slots__ = ()

    def gammas(self, power: float) -> LogGammas | Decays:
        """Only how fast they fall."""
        return Decays(self.at * power)


@lru_cache(maxsize=64)
def frequencies_up_to(reach: float) -> Frequencies:
    """Frequencies up to that at which nothing is left of a characteristic function.

    Few different ones should be asked for: what belongs to them is kept.
    """
    v = (np.arange(_SIZE) + 0.5) / _SIZE
    at = reach * (_START * v + (1.0 - _START) * v**3)
    slope = reach * (_START + 3.0 * (1.0 - _START) * v**2)
    return Frequencies(at=at, weights=slope / (_SIZE * np.pi * at))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogLaw:
    """Distributions of positive numbers, held as those of their logarithms.

    Attributes
    ----------
    frequencies : Frequencies
    transform : (..., f) complex array
        Characteristic functions of the logarithms about their centres.
    centre : (...) float array
        NaN where there is no distribution.
    """

    frequencies: Frequencies
    transform: ComplexArray
    centre: FloatArray
    _found: dict[tuple[float, ...], FloatArray] = field(default_factory=dict, repr=False)

    def on(self, place: Any) -> LogLaw:
        """Laws at some places of the array."""
        return LogLaw(
            frequencies=self.frequencies,
            transform=self.transform[place],
            centre=self.centre[place],
        )

    def times(self, other: LogLaw) -> LogLaw:
        """Law of the product with an independent number on the same frequencies."""
        return LogLaw(
            frequencies=self.frequencies,
            transform=self.transform * other.transform,
            centre=self.centre + other.centre,
        )

    def inverse(self) -> LogLaw:
        """Law of one over the number."""
        return LogLaw(
            frequencies=self.frequencies,
            transform=self.transform.conj(),
            centre=-self.centre,
        )

    def slanted(self, other: LogLaw, spread: float, df: float) -> LogLaw:
        """Law of the product with another number to a power that is known with an error.

        Parameters
        ----------
        other : LogLaw
            Of the number, which here is taken as log-normal.
        spread : float
            Standard error of the power, about 0.
        df : float
            Its degrees of freedom (Student).
        """
        mean, width, _ = other.placed()
        mean = np.where(np.isfinite(other.centre), mean + other.centre, 0.0)
        points, weights = np.polynomial.hermite_e.hermegauss(_HERMITE)
        found = np.zeros(self.transform.shape)
        for point, weight in zip(points, weights / weights.sum(), strict=True):
            logs = np.abs(mean + width * point)[..., None]
            found += weight * _student(spread * logs * self.frequencies.at, df)
        return LogLaw(
            frequencies=self.frequencies,
            transform=self.transform * found,
            centre=self.centre,
        )

    def two_sided(self, value: float) -> FloatArray:
        """Two-sided p-value of a value."""
        share = self.below(value)
        found: FloatArray = 2.0 * np.minimum(share, 1.0 - share)
        return found

    def below(self, value: float) -> FloatArray:
        """Share below a value; 0 for one that no positive number is below.

        Right to about 1e-7, and never nearer to 0 or 1 than `LEAST_SHARE`. Beyond the reach of the
        frequencies that of the last value within.
        """
        if value <= 0.0:
            return np.where(np.isnan(self.centre), np.nan, 0.0)
        mean, _, reach = self.placed()
        x = np.log(value) - self.centre
        share, _ = _inverted(
            self.frequencies, self.transform, np.clip(x, mean - reach, mean + reach)
        )
        return share

    def shares(self, x: FloatArray) -> FloatArray:
        """Shares below logarithms about the centre (x,) that are the same for all, (..., x)."""
        mean, _, reach = self.placed()
        turn = np.outer(self.frequencies.at, x)
        weights = self.frequencies.weights[:, None]
        below = self.transform.imag @ (weights * np.cos(turn))
        below -= self.transform.real @ (weights * np.sin(turn))
        far = x - mean[..., None]
        below = np.where(np.abs(far) > reach[..., None], np.sign(far), 0.5 - below)
        return np.clip(below, LEAST_SHARE, 1.0 - LEAST_SHARE)

    def quantiles(self, shares: tuple[float, ...]) -> FloatArray:
        """Values below which the shares lie, (shares, ...).

        By Newton's steps on the scale of normal scores, inside bounds.
        """
        if shares not in self._found:
            self._found[shares] = self._quantiles(shares)
        return self._found[shares]

    def _quantiles(self, shares: tuple[float, ...]) -> FloatArray:
        asked = np.asarray(special.ndtri(shares)).reshape(-1, *(1,) * self.centre.ndim)
        shape = (len(shares), *self.centre.shape)
        mean, spread, reach = self.placed()
        point = ~(spread > 0.0)
        known = np.isfinite(self.centre) & ~point
        score = np.broadcast_to(asked, shape)[:, known]
        far = np.maximum(reach, 8.0 * spread)[known]
        low, high = mean[known] - far, mean[known] + far
        start = np.clip(mean[known] + spread[known] * score, low, high)
        bounds = np.broadcast_to(low, score.shape), np.broadcast_to(high, score.shape)
        x = _solved(self.frequencies, self.transform[known], score, start, bounds)
        found = np.full(shape, np.nan)
        found[:, known] = np.exp(x + self.centre[known])
        found[:, point] = np.exp(self.centre[point])
        found.flags.writeable = False
        return found

    def placed(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean and spread of the logarithm about the centre; how far the sums can be trusted.

        They repeat themselves where frequencies that matter stand too far apart.
        """
        at = self.frequencies.at
        first = self.transform[..., 0]
        mean = np.angle(first) / at[0]
        spread = np.sqrt(np.maximum(-2.0 * np.log(np.minimum(np.abs(first), 1.0)), 0.0)) / at[0]
        last = (np.abs(self.transform) > _MATTERS).sum(axis=-1) - 1
        reach = np.pi / np.gradient(at)[np.maximum(last, 0)]
        return mean, spread, reach


def _solved(
    frequencies: Frequencies,
    transform: ComplexArray,
    score: FloatArray,
    start: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Where shares are what was asked for, (shares, laws)."""
    x, low, high = start.copy(), bounds[0].copy(), bounds[1].copy()
    open_ = np.ones(x.shape, dtype=bool)
    for _ in range(_ROUNDS):
        where = np.nonzero(open_)
        here = x[where]
        share, density = _inverted(frequencies, transform[where[1]], here)
        z = special.ndtri(share)
        off = z - score[where]
        above = off > 0.0
        high[where] = np.where(above, here, high[where])
        low[where] = np.where(above, low[where], here)
        slope = density * np.sqrt(2.0 * np.pi) * np.exp(0.5 * z**2)
        usable = slope > 0.0
        new = here - off / np.where(usable, slope, np.inf)
        inside = usable & (new > low[where]) & (new < high[where])
        # The step from here squares what is off.
        near = np.abs(off) <= _NEAR
        new = np.where(inside, new, np.where(near, here, 0.5 * (low[where] + high[where])))
        open_[where] = ~near
        x[where] = new
        if not open_.any():
            break
    return x


def _student(t: FloatArray, df: float) -> FloatArray:
    """Characteristic function of Student's distribution (normal from 60 degrees of freedom on)."""
    if df >= _NORMAL:
        return np.asarray(np.exp(-0.5 * t**2 * df / (df - 2.0)))
    x = np.maximum(np.sqrt(df) * t, 1e-3)
    half = 0.5 * df
    logs = np.log(special.kve(half, x)) - x + half * np.log(x)
    logs -= special.gammaln(half) + (half - 1.0) * np.log(2.0)
    return np.asarray(np.exp(np.minimum(logs, 0.0)))


def _inverted(
    frequencies: Frequencies, transform: ComplexArray, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Share below x, and density there."""
    turn = x[..., None] * frequencies.at
    cosine, sine = np.cos(turn), np.sin(turn)
    share = 0.5 - (transform.imag * cosine - transform.real * sine) @ frequencies.weights
    slope = frequencies.weights * frequencies.at
    density = (transform.real * cosine + transform.imag * sine) @ slope
    return np.clip(share, LEAST_SHARE, 1.0 - LEAST_SHARE), density
