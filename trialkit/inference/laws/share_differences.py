"""Limits of differences of two shares of the same number: (first - second) / base.

Control of one product less that of another is no ratio and has no closed law. Given how far plots
scatter, the three means are independent; their laws are then known exactly, and what is asked for
is an integral over two of them, averaged over classes of the scatter.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray
from trialkit.inference.laws.log_laws import LogLaw

#: Points of each of the two integrals, of few pairs, of more and of many.
_POINTS_OF_FEW, _POINTS, _POINTS_OF_MANY = 15, 9, 7
_FEW, _MANY = 6, 400
_ROUNDS, _SETTLED = 60, 1e-4
#: Even about nothing, and logarithmic from shares of a twentieth on.
_SCALE = 20.0
#: Steps of logarithms in the narrowest spread, spreads of the widest that a table reaches to
#: either side, and its most steps.
_FINE, _WIDE, _MOST = 3.0, 8.0, 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Classes:
    """Laws of t means, independent of each other within classes of the scatter of plots.

    Attributes
    ----------
    weights : (k,) float array
    laws : LogLaw
        Of (k, t) numbers.
    """

    weights: FloatArray
    laws: LogLaw

    def with_product(self, places: Sequence[int]) -> Classes:
        """One more number: the product of those at the places."""
        laws = self.laws
        own = laws.transform[:, places].prod(axis=1, keepdims=True)
        centre = laws.centre[:, places].sum(axis=1, keepdims=True)
        return Classes(
            weights=self.weights,
            laws=LogLaw(
                frequencies=laws.frequencies,
                transform=np.concatenate([laws.transform, own], axis=1),
                centre=np.concatenate([laws.centre, centre], axis=1),
            ),
        )


def excess_limits(
    classes: Classes, parts: Sequence[int], mixture: int, base: int, alpha: float
) -> tuple[float, float, float]:
    """Product of shares of a base less another share of it: what a mixture left beyond Colby.

    Parameters
    ----------
    classes : Classes
    parts, mixture, base
        Places of the means.
    alpha : float

    Returns
    -------
    lower, upper, p : float
        Of ``product(parts / base) - mixture / base``; p is two-sided.
    """
    more = classes.with_product(parts)
    place = more.laws.centre.shape[1] - 1
    if not np.isfinite(more.laws.centre[:, [*parts, mixture, base]]).all():
        return float("nan"), float("nan"), float("nan")
    pairs = _Pairs(
        _Tables(more, _POINTS_OF_FEW),
        (np.array([place]), np.array([mixture]), base),
        len(parts) - 1,
    )
    half = float(special.ndtri(1.0 - alpha / 2.0))
    low, high = (float(pairs.where(np.array([asked]))[0]) for asked in (-half, half))
    below = float(special.ndtr(pairs.score(np.zeros(1))[0]))
    return low, high, 2.0 * min(below, 1.0 - below)


def difference_limits(
    classes: Classes, triples: tuple[IntArray, IntArray, int], p: FloatArray, alpha: float
) -> tuple[FloatArray, FloatArray]:
    """Central interval of one mean less another, as shares of a third, for each of m pairs.

    Parameters
    ----------
    classes : Classes
    triples : (m,) int array, (m,) int array, int
        Places of the first and of the second mean, and of the third.
    p : (m,) float array
        Chance that the first is the smaller, which is known exactly.
    alpha : float

    Returns
    -------
    lower, upper : (m,) float array
        NaN where a law is not defined.
    """
    first, second, base = triples
    found = np.full((2, first.size), np.nan)
    defined = np.asarray(np.isfinite(classes.laws.centre)).all(axis=0)
    defined = np.atleast_1d(defined)
    known = np.flatnonzero(defined[first] & defined[second] & defined[base] & np.isfinite(p))
    if not known.size:
        return found[0], found[1]
    points = _POINTS_OF_FEW if known.size <= _FEW else _POINTS
    tables = _Tables(classes, points if known.size <= _MANY else _POINTS_OF_MANY)
    half = float(special.ndtri(1.0 - alpha / 2.0))
    for some in _split(known):
        pairs = _Pairs(tables, (first[some], second[some], base))
        # What the sums miss where the two are alike is known, and hardly differs near by.
        exact = special.ndtri(p[some])
        off = exact - pairs.score(np.zeros(some.size))
        off *= np.exp(-4.0 * np.maximum(np.abs(exact) - half, 0.0) ** 2)
        for row, asked in enumerate((-half, half)):
            found[row, some] = pairs.where(asked - off)
    return found[0], found[1]


#: An estimate with its lower and upper limit, each (m,).
Between = tuple[FloatArray, FloatArray, FloatArray]


def recovered_limits(
    first: Between, second: Between, together: FloatArray, decided: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Limits of a difference of two estimates from their own limits and correlation.

    Parameters
    ----------
    first, second : three (m,) float arrays
        Estimate, lower and upper limit.
    together : (m,) float array
        Correlation of the two.
    decided : (m,) bool array
        Whether a test that is exact tells the two apart: the limits then leave out nought, else
        they hold it.

    Returns
    -------
    lower, upper : (m,) float array

    Notes
    -----
    The method of variance estimates recovery of Donner A & Zou GY 2012, Stat. Methods Med. Res.
    21:347-359 (reference from memory).
    """
    (a, a_low, a_high), (b, b_low, b_high) = first, second
    gap = a - b

    def reach(one: FloatArray, other: FloatArray) -> FloatArray:
        square = one**2 + other**2 - 2.0 * together * one * other
        root: FloatArray = np.sqrt(np.maximum(square, 0.0))
        return root

    low, high = gap - reach(a - a_low, b_high - b), gap + reach(a_high - a, b - b_low)
    low = np.where(decided & (gap > 0.0), np.maximum(low, 0.0), low)
    high = np.where(decided & (gap < 0.0), np.minimum(high, 0.0), high)
    low = np.where(decided, low, np.minimum(low, 0.0))
    high = np.where(decided, high, np.maximum(high, 0.0))
    return low, high


def _split(places: IntArray) -> Iterator[IntArray]:
    for start in range(0, places.size, _MANY):
        yield places[start : start + _MANY]


class _Tables:
    """Normal scores of even steps of logarithms, and logarithms of some scores, class by class."""

    def __init__(self, classes: Classes, points: int) -> None:
        self.at, weights = np.polynomial.hermite_e.hermegauss(points)
        self.of_points: FloatArray = weights / weights.sum()
        self.of_classes = classes.weights
        laws = classes.laws
        mean, spread, _ = laws.placed()
        self.step = float(np.nanmin(spread)) / _FINE
        reach = _WIDE * float(np.nanmax(spread)) + float(np.nanmax(np.abs(mean)))
        size = min(int(np.ceil(reach / self.step)), _MOST)
        self.step = max(self.step, reach / size)
        self.x: FloatArray = self.step * np.arange(-size, size + 1, dtype=np.float64)
        self.centre = laws.centre
        shares = np.maximum.accumulate(laws.shares(self.x), axis=-1)
        # A little slope where sums end, so that every logarithm has a score of its own.
        self.scores = special.ndtri(shares) + 1e-6 * self.x
        self.points = np.exp(
            self.centre[..., None]
            + np.array([[np.interp(self.at, row, self.x) for row in rows] for rows in self.scores])
        )

    def shares(self, place: IntArray, numbers: FloatArray) -> FloatArray:
        """Shares of the means at the places (m,) below numbers (m, k, ...)."""
        lead = (slice(None), slice(None), *([None] * (numbers.ndim - 2)))
        positive = numbers > 0.0
        logs = np.log(np.where(positive, numbers, 1.0)) - self.centre[:, place].T[lead]
        where = (logs - self.x[0]) / self.step
        node = np.clip(where, 0, self.x.size - 2).astype(np.intp)
        rows = np.arange(len(self.of_classes)) * self.scores.shape[1] + place[:, None]
        flat, corner = self.scores.ravel(), node + (rows * self.x.size)[lead]
        low = flat.take(corner)
        score = low + (where - node) * (flat.take(corner + 1) - low)
        return np.asarray(np.where(positive, special.ndtr(score), 0.0))


class _Pairs:
    """Differences ``first / base ** power - second`` over a base, for each of m pairs."""

    def __init__(
        self, tables: _Tables, triples: tuple[IntArray, IntArray, int], power: int = 0
    ) -> None:
        first, second, base = triples
        self._tables, self._first, self._power = tables, first, power
        points = tables.points
        self._second = points[:, second].swapaxes(0, 1)[:, :, :, None]
        self._base = points[:, base][None, :, None, :]
        # Ends and middles of all three.
        self._ends = [np.exp(np.log(points[:, at]).mean(axis=0)) for at in (first, second, base)]

    def score(self, difference: FloatArray) -> FloatArray:
        """Normal score of the share below a difference, (m,)."""
        tables = self._tables
        # Given the second and the third, the first has to be below this.
        # Numbers near the largest that can be held overflow to infinity, which is their place.
        with np.errstate(over="ignore"):
            most = self._second + difference[:, None, None, None] * self._base
            most = most * self._base**self._power
        share = tables.shares(self._first, most) @ tables.of_points @ tables.of_points
        share = share @ tables.of_classes
        found: FloatArray = special.ndtri(np.clip(share, 1e-12, 1.0 - 1e-12))
        return found

    def where(self, asked: FloatArray) -> FloatArray:
        """Differences at which scores are as asked, (m,): secants within bounds, else halving."""
        first, second, under = self._ends
        low = np.arcsinh(-_SCALE * second[:, -1] / under[0])
        high = np.arcsinh(_SCALE * first[:, -1] / under[0] ** (self._power + 1))
        middle = first.shape[1] // 2
        one = first[:, middle] / under[middle] ** self._power
        x = np.arcsinh(_SCALE * (one - second[:, middle]) / under[middle])
        old, old_off = x, np.zeros(x.shape)
        for turn in range(_ROUNDS):
            off = self.score(np.sinh(x) / _SCALE) - asked
            above = off > 0.0
            high, low = np.where(above, x, high), np.where(above, low, x)
            settled = np.abs(off) < _SETTLED
            if (settled | (high - low < _SETTLED)).all():
                break
            apart = off - old_off
            usable = (apart != 0.0) & (turn > 0)
            step = -off * (x - old) / np.where(usable, apart, 1.0)
            # The scale is about that of the scores; the first step only has to be short.
            new = x + np.where(usable, step, -0.3 * off)
            inside = (new > low) & (new < high)
            new = np.where(inside, new, 0.5 * (low + high))
            old, old_off, x = x, off, np.where(settled, x, new)
        found: FloatArray = np.sinh(x) / _SCALE
        return found
