"""Limits of what depends on a whole course: how far courses within reach of the data go.

Days above a threshold are bounded on both sides and bend with every day that lies near it. Draws
of the course then lie to one side of the truth: where a mean stands just below the threshold on
six days, chance lifts it above on one of them in nearly every draw. The limits are therefore
those of a likelihood: the least and the most that is asked for over all courses whose distance
from the data, ``z' C^-1 z`` of the normal scores z of their means, is within that of one degree
of freedom (profile likelihood). A difference of two courses that may both turn on most days has no
one direction in which it grows: its distance is that of two, one for each. The scores are those of
the exact laws of the means, their correlation that of plots over days, as far as plots and not
single individuals make up the variance. Nothing is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray
from trialkit.inference.laws.course_laws import CourseLaw, Quotient
from trialkit.inference.laws.log_laws import LogLaw
from trialkit.inference.laws.means_known import known_means, worth_of_shares

Asked = Callable[[FloatArray], FloatArray]

#: Distances, in parts of that of one degree of freedom, at which the farthest courses are looked
#: for; beyond them that of two.
PARTS = np.array([0.0, 0.5, 0.87, 1.0])
#: Scores of the tables of means, and steps of a table for each of its standard deviations.
_SCORES = np.linspace(-5.0, 5.0, 101)
_FINE, _WIDE, _MOST = 8.0, 7.0, 400
#: Directions tried first beside runs of days, the first step, and how much shorter one is after a
#: step that led down.
_TRIED, _STEP, _SHORTER = 400, 0.4, 0.6
#: How many ways are kept for how many turns of climbing, one after the other.
_KEPT = ((12, 4), (4, 8))
_NEAR = 0.05
#: Shares in which two treatments divide a distance.
_ANGLES = np.linspace(0.0, np.pi / 2.0, 33)


@dataclass(frozen=True, slots=True, eq=False)
class Farthest:
    """The least and the most that is asked for within some distances.

    Attributes
    ----------
    parts : (q,) float array
        Distances: `PARTS`, and that of two degrees of freedom.
    least, most : (q, t) float arrays
        NaN for treatments without any mean.
    low, high : (t, d) float arrays
        Courses of the limits of single means.
    """

    parts: FloatArray
    least: FloatArray
    most: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def lower(self) -> FloatArray:
        """Lower limits, (t,)."""
        return np.asarray(self.least[-2])

    @property
    def upper(self) -> FloatArray:
        """Upper limits, (t,)."""
        return np.asarray(self.most[-2])

    def around(self, value: float) -> BoolArray:
        """Which treatments have a value within the limits of their means on most days, (t,)."""
        near = (self.low <= value) & (value < self.high)
        most: BoolArray = 2 * near.sum(axis=1) > near.shape[1]
        return most

    def differences(self, base: int, loose: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Limits of one treatment less each other, which err independently, (t,), (t,).

        The two courses share the distance between them in every way; it is that of two degrees of
        freedom where both are among the ``loose`` (t,).
        """
        found = np.empty((2, self.least.shape[1]))
        for g in range(self.least.shape[1]):
            reach = self.parts[-1 if loose[base] and loose[g] else -2]
            own, other = reach * np.sin(_ANGLES), reach * np.cos(_ANGLES)
            for row, (near, far) in enumerate(((self.least, self.most), (self.most, self.least))):
                gap = np.interp(own, self.parts, near[:, base])
                gap -= np.interp(other, self.parts, far[:, g])
                found[row, g] = gap.max() if row else gap.min()
        return found[0], found[1]


def farthest_courses(law: CourseLaw, asked: Asked, alpha: float) -> Farthest:
    """Find limits of what is asked of the course of each mean.

    Parameters
    ----------
    law : CourseLaw
    asked : callable
        Takes courses (..., d) in the units of the law, NaN where there is no mean, and gives
        numbers (...) that never fall as a mean rises.
    alpha : float

    Returns
    -------
    Farthest
    """
    every = np.arange(law.evidence.estimate.shape[1])
    whole = law.ratios(Quotient(days=every, base=None), (None,))[0]
    courses = _Courses(_tables(whole), _roots(law, whole))
    reach = float(special.ndtri(1.0 - alpha / 2.0))
    t = len(courses.tables)
    parts = np.append(PARTS, np.sqrt(special.chdtri(2.0, alpha)) / reach)
    low, centre, high = (courses.at_score(sign * reach) for sign in (-1.0, 0.0, 1.0))
    beyond = [asked(courses.at_score(sign * parts[-1] * reach)) for sign in (-1.0, 1.0)]
    middle = asked(centre)
    found = np.broadcast_to(middle, (2, parts.size, t)).copy()
    moving = np.flatnonzero(beyond[1] > beyond[0])
    if moving.size:
        some = courses.on(moving)
        for row, sign in enumerate((-1.0, 1.0)):
            best = _climb(some, asked, sign, reach * parts[1:])
            along = np.concatenate([sign * middle[None, moving], best])
            found[row][:, moving] = sign * np.maximum.accumulate(along, axis=0)
    return Farthest(parts=parts, least=found[0], most=found[1], low=low, high=high)


@dataclass(frozen=True, slots=True, eq=False)
class _Courses:
    """Means by their normal scores (t, d, scores), and roots of correlations (t, d, d)."""

    tables: FloatArray
    roots: FloatArray

    def on(self, some: IntArray) -> _Courses:
        return _Courses(self.tables[some], self.roots[some])

    def at_score(self, score: float) -> FloatArray:
        """Courses on which every mean stands at one score, (t, d)."""
        place = (score - _SCORES[0]) / (_SCORES[1] - _SCORES[0])
        place = float(np.clip(place, 0.0, _SCORES.size - 1.001))
        node = int(place)
        low, high = self.tables[..., node], self.tables[..., node + 1]
        return np.asarray(low + (place - node) * (high - low))

    def at(self, ways: FloatArray) -> FloatArray:
        """Courses at independent scores (t, ..., d)."""
        t, d, size = self.tables.shape
        roots = self.roots.reshape(t, *(1,) * (ways.ndim - 3), d, d)
        scores = ways @ np.swapaxes(roots, -1, -2)
        place = np.clip((scores - _SCORES[0]) / (_SCORES[1] - _SCORES[0]), 0.0, size - 1.001)
        node = place.astype(np.intp)
        place -= node
        node += np.arange(t * d).reshape(t, *(1,) * (ways.ndim - 2), d) * size
        flat = self.tables.ravel()
        low = flat.take(node)
        return np.asarray(low + place * (flat.take(node + 1) - low))


def _climb(courses: _Courses, asked: Asked, sign: float, radii: FloatArray) -> FloatArray:
    """The most of ``sign * asked`` at distances, (radii, t): the best starts, led up the slope."""
    ways = sign * _starts(courses.roots)[:, None] * radii[:, None, None]
    value = sign * asked(courses.at(ways))
    step = np.full(value.shape, _STEP)
    d = ways.shape[-1]
    near = np.vstack([np.zeros(d), _NEAR * np.eye(d)])
    for kept, turns in _KEPT:
        order = np.argsort(-value, axis=-1, kind="stable")[..., :kept]
        ways = np.take_along_axis(ways, order[..., None], axis=2)
        value, step = (np.take_along_axis(part, order, axis=2) for part in (value, step))
        for _ in range(turns):
            around = ways[..., None, :] + near * radii[:, None, None, None]
            rise = sign * asked(courses.at(around))
            slope = rise[..., 1:] - rise[..., :1]
            slope /= np.maximum(np.sqrt((slope**2).sum(axis=-1, keepdims=True)), 1e-300)
            new = ways + (step * radii[:, None])[..., None] * slope
            new *= radii[:, None, None] / np.sqrt((new**2).sum(axis=-1, keepdims=True))
            reached = sign * asked(courses.at(new))
            better: BoolArray = reached > value
            ways = np.where(better[..., None], new, ways)
            value = np.where(better, reached, value)
            step *= np.where(better, 1.0, _SHORTER)
    return np.asarray(value.max(axis=-1).T)


def _starts(roots: FloatArray) -> FloatArray:
    """Shortest ways to move runs of days, and days by weights spread evenly, (t, starts, d)."""
    day = np.arange(roots.shape[-1])
    first, last = np.triu_indices(day.size)
    moved = (day >= first[:, None]) & (day <= last[:, None])
    ways = np.concatenate([moved, _weights(day.size)]) @ roots
    found: FloatArray = ways / np.sqrt((ways**2).sum(axis=-1, keepdims=True))
    return found


@lru_cache(maxsize=8)
def _weights(days: int) -> FloatArray:
    """Directions with no negative part, spread evenly, (directions, days)."""
    # The fractional parts of powers of the root of x**(days + 1) = x + 1 fill the cube evenly.
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (days + 1.0))
    even = (0.5 + np.arange(1, _TRIED + 1)[:, None] * root ** -np.arange(1.0, days + 1.0)) % 1.0
    return np.asarray(np.abs(special.ndtri(even)))


def _tables(laws: LogLaw) -> FloatArray:
    """Means at `_SCORES`, (t, d, scores)."""
    mean, spread, _ = laws.placed()
    known = np.isfinite(laws.centre) & (spread > 0.0)
    found = np.full((*laws.centre.shape, _SCORES.size), np.nan)
    if not known.any():
        return found
    low = float((mean - _WIDE * spread)[known].min())
    high = float((mean + _WIDE * spread)[known].max())
    size = int(np.clip((high - low) / float(spread[known].min()) * _FINE, 2, _MOST))
    x = np.linspace(low, high, size)
    some = laws.on(known)
    # A little slope where sums end, so that every logarithm has a score of its own.
    scores = special.ndtri(np.maximum.accumulate(some.shares(x), axis=-1)) + 1e-6 * x
    logs = np.array([np.interp(_SCORES, row, x) for row in scores])
    found[known] = np.exp(logs + some.centre[:, None])
    return found


def _roots(law: CourseLaw, laws: LogLaw) -> FloatArray:
    """Roots of the correlations of scores between days, (t, d, d)."""
    _, plots, total, added = (part[:, :, 0] for part in known_means(law.evidence))
    if law.shares:
        shared = 1.0 - worth_of_shares(plots, total, law.posterior.mean())[1]
    else:
        _, spread, _ = laws.placed()
        shared = 1.0 - special.polygamma(1, total + added) / np.maximum(spread**2, 1e-12)
    part = np.sqrt(np.clip(np.nan_to_num(shared), 0.0, 1.0))
    found = law.correlation * part[:, :, None] * part[:, None, :]
    days = np.arange(found.shape[-1])
    found[:, days, days] = 1.0
    return np.asarray(np.linalg.cholesky(found))
