"""Days until which groups held a limit, one by one and compared by the ratio of likelihoods.

The profile of each group is turned into its signed root, which is about standard normal at the
true day; two roots are correlated as the influences of their residuals on the two days are, by the
untreated that both share. The deviance of a pair of days is then a quadratic form of the two, also
where the profiles themselves are far from parabolas.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.courses.declines import Declines
from trialkit.inference.design.layout import FloatArray, IntArray

#: Beyond all roots that matter.
_FAR = 1e3
#: Steps between two nodes in which days are looked for.
_FINE = 4
#: Pairs that are compared at once: keeps arrays small where there are hundreds of groups.
_AT_ONCE = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DayDifferences:
    """Days of some groups less those of others.

    Attributes
    ----------
    lower, upper : (p,) float array
        Interval of the difference of days, each counted from 0 (never at the limit) to the last
        assessment.
    F : (p,) float array
        Ratio of likelihoods of the same day against a day each.
    p : (p,) float array
    """

    lower: FloatArray
    upper: FloatArray
    F: FloatArray
    p: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Roots:
    """Signed roots of profiles, rising with the day.

    ``nodes`` (t, g) on the days ``days`` (g,); ``never`` and ``held`` (t,) are the largest root
    with which no day holds, and the least with which control holds to the end.
    """

    days: FloatArray
    nodes: FloatArray
    never: FloatArray
    held: FloatArray

    def of(self, groups: IntArray) -> _Roots:
        return _Roots(
            days=self.days,
            nodes=self.nodes[groups],
            never=self.never[groups],
            held=self.held[groups],
        )

    def first_day(self, value: FloatArray, groups: IntArray) -> FloatArray:
        """Least day whose root is no less than a value (p, n): 0 where it may be never."""
        beyond = value > self._last(groups, value)
        inside = np.where(beyond, self.days[-1], self._inside(value, groups))
        day: FloatArray = np.where(value <= _beside(self.never[groups], value), 0.0, inside)
        return day

    def last_day(self, value: FloatArray, groups: IntArray) -> FloatArray:
        """Largest day whose root is no more than a value (p, n)."""
        before = value < _beside(self.nodes[groups, 0], value)
        inside = np.where(before, 0.0, self._inside(value, groups))
        held = value >= _beside(self.held[groups], value)
        day: FloatArray = np.where(held, self.days[-1], inside)
        return day

    def _last(self, groups: IntArray, value: FloatArray) -> FloatArray:
        return _beside(self.nodes[groups, -1], value)

    def _inside(self, value: FloatArray, groups: IntArray) -> FloatArray:
        # All groups in one search, each moved to a place of its own.
        step: FloatArray = 4.0 * _FAR * np.arange(float(len(self.nodes)))
        along = np.clip(self.nodes, -_FAR, _FAR) + step[:, None]
        place = np.clip(value, -_FAR, _FAR) + _beside(step[groups], value)
        found = np.interp(place.ravel(), along.ravel(), np.tile(self.days, len(self.nodes)))
        day: FloatArray = found.reshape(value.shape)
        return day


def day_limits(found: Declines, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Limits of the day of each group, by turning the test of its day round.

    Parameters
    ----------
    found : Declines
    level : float

    Returns
    -------
    lower, upper : (t,) float array
        A lower limit of 0 where the limit may never have been kept, an upper limit of inf where it
        may have been to the end.
    """
    roots = signed_roots(found)
    every = np.arange(len(roots.nodes))
    edge = np.full((every.size, 1), np.sqrt(_critical(found, level)))
    low = roots.first_day(-edge, every)[:, 0]
    high = roots.last_day(edge, every)[:, 0]
    return low, np.where(edge[:, 0] >= roots.held, np.inf, high)


def signed_roots(found: Declines) -> _Roots:
    """Signed roots of the profiles, made to rise from the best day to both sides."""
    profile = found.profile
    nodes = profile[:, 1:-1]
    at = np.where(np.isfinite(found.day), found.day, np.sign(found.day) * _FAR)[:, None]
    later = found.nodes[None] >= at
    right = np.minimum.accumulate(np.where(later, nodes, np.inf)[:, ::-1], axis=1)[:, ::-1]
    left = np.minimum.accumulate(np.where(later, np.inf, nodes), axis=1)
    right, left = np.where(later, right, 0.0), np.where(later, 0.0, left)
    root = np.where(later, np.sqrt(right), -np.sqrt(left))
    beyond, before = profile[:, 1:].min(axis=1), profile[:, :-1].min(axis=1)
    return _Roots(
        days=found.nodes,
        nodes=np.maximum.accumulate(root, axis=1),
        never=np.where(found.day == -np.inf, np.sqrt(beyond), -np.sqrt(profile[:, 0])),
        held=np.where(found.day == np.inf, -np.sqrt(before), np.sqrt(profile[:, -1])),
    )


def day_differences(
    found: Declines, correlation: FloatArray, a: IntArray, b: IntArray, level: float = 0.95
) -> DayDifferences:
    """Compare the days of pairs of groups.

    Parameters
    ----------
    found : Declines
    correlation : (t, t) float array
        Between the days of the groups.
    a, b : (p,) int array
        Groups; the difference is that of a less that of b.
    level : float
    """
    roots = signed_roots(found)
    critical = _critical(found, level)
    parts = [
        _compared(roots, correlation, a[k : k + _AT_ONCE], b[k : k + _AT_ONCE], critical)
        for k in range(0, a.size, _AT_ONCE)
    ]
    lower, upper, F = (np.concatenate(part) for part in zip(*parts, strict=True))
    return DayDifferences(lower=lower, upper=upper, F=F, p=special.fdtrc(1.0, found.df, F))


def _compared(
    roots: _Roots, correlation: FloatArray, a: IntArray, b: IntArray, critical: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    one, two, rho = roots.of(a), roots.of(b), correlation[a, b]
    lower, upper = np.full(a.size, np.inf), np.full(a.size, -np.inf)
    for days, low, high in _reached(one, rho, critical):
        known = np.isfinite(low)
        first = roots.first_day(np.where(known, low, 0.0), b)
        last = roots.last_day(np.where(known, high, 0.0), b)
        lower = np.minimum(lower, np.where(known, days - last, np.inf).min(axis=1))
        upper = np.maximum(upper, np.where(known, days - first, -np.inf).max(axis=1))
    return lower, upper, _same_day(one, two, rho)


def _critical(found: Declines, level: float) -> float:
    return float(special.fdtri(1.0, found.df, level))


def _beside(each: FloatArray, value: FloatArray) -> FloatArray:
    found: FloatArray = each.reshape(-1, *([1] * (value.ndim - 1)))
    return found


def _quadratic(one: FloatArray, two: FloatArray, rho: FloatArray) -> FloatArray:
    form: FloatArray = (one**2 + two**2 - 2.0 * rho * one * two) / (1.0 - rho**2)
    return form


def _finer(values: FloatArray) -> FloatArray:
    """Values (p, g) with more of them between two, along straight lines."""
    share = np.linspace(0.0, 1.0, _FINE, endpoint=False)
    steps = values[:, :-1, None] + share * np.diff(values, axis=1)[:, :, None]
    return np.concatenate([steps.reshape(len(values), -1), values[:, -1:]], axis=1)


def _same_day(one: _Roots, two: _Roots, rho: FloatArray) -> FloatArray:
    """Least deviance with the same day for both, or both never, or both to the end, (p,)."""
    together = _quadratic(_finer(one.nodes), _finer(two.nodes), rho[:, None]).min(axis=1)
    never = _corner(one.never, two.never, rho)
    held = _corner(-one.held, -two.held, rho)
    least: FloatArray = np.minimum(together, np.minimum(never, held))
    return least


def _corner(one: FloatArray, two: FloatArray, rho: FloatArray) -> FloatArray:
    """Least quadratic form where neither root passes its bound."""
    first = _quadratic(one, np.minimum(two, rho * one), rho)
    second = _quadratic(np.minimum(one, rho * two), two, rho)
    inside = (one >= 0.0) & (two >= 0.0)
    least: FloatArray = np.where(inside, 0.0, np.minimum(first, second))
    return least


def _reached(
    one: _Roots, rho: FloatArray, critical: float
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Days of the first group, and roots of the second that go with them, (p, n) each.

    NaN where the first group does not reach a day.
    """
    reach = np.sqrt(critical)
    rho = rho[:, None]

    def beside(value: FloatArray) -> tuple[FloatArray, FloatArray]:
        left = critical - value**2
        width = np.sqrt(np.where(left >= 0.0, left, np.nan) * (1.0 - rho**2))
        return rho * value - width, rho * value + width

    fine = _finer(one.nodes)
    low, high = beside(fine)
    found = [(np.broadcast_to(_finer(one.days[None]), fine.shape), low, high)]
    for side, edge, day in ((1.0, one.never, 0.0), (-1.0, one.held, one.days[-1])):
        # All roots below that of never, or above that of held, turned to lie below.
        bound = side * edge[:, None]
        low, high = beside(side * np.clip(bound, -reach, reach))
        # The roots of the second are at their ends where the first is at rho times that.
        low = np.where(-side * rho * reach <= bound, -reach, low)
        high = np.where(side * rho * reach <= bound, reach, high)
        closed = bound < -reach
        low, high = np.where(closed, np.nan, low), np.where(closed, np.nan, high)
        found.append((np.full(bound.shape, day), low, high))
    return found
