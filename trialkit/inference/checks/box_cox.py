"""Which power of the response makes it additive, even and normal? The Box-Cox profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray
from trialkit.inference.numerics.roots import falling_roots

# Powers that have a name in the trade: reciprocal, its root, logarithm, square root, none.
NAMED_POWERS: Final = (-1.0, -0.5, 0.0, 0.5, 1.0)

_ROUNDING: Final = 1e-10
_NEAR_ZERO: Final = 1e-12
_GRID_STEP: Final = 0.1
# Powers below which the slope is taken from a series: the difference it is else loses digits.
_SERIES: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxCox:
    """Profile likelihood of the power, for each response.

    Attributes
    ----------
    power : ndarray, shape (k,)
        Most likely power; NaN where a value is not above 0, the fit is exact, or the
        likelihood still rises at an end of the range searched.
    lower, upper : ndarray, shape (k,)
        Limits of the power; NaN where the limit lies outside the range searched.
    named : ndarray, shape (k,)
        The named power (-1, -0.5, 0, 0.5, 1) nearest to ``power``, among those inside the limits
        where there are any.
    gain : ndarray, shape (k,)
        Log-likelihood of the best power above that of the untransformed response; 0 or more.
    """

    power: FloatArray
    lower: FloatArray
    upper: FloatArray
    named: FloatArray
    gain: FloatArray


def box_cox(
    values: ArrayLike,
    space: FloatArray | Sequence[FloatArray],
    *,
    together: IntArray | None = None,
    shift: float | FloatArray = 0.0,
    level: float = 0.95,
    between: tuple[float, float] = (-3.0, 3.0),
    weight: Literal["error", "plots"] = "error",
) -> BoxCox:
    """Estimate the power under the model of a layout.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, m)
        Responses as measured, NaN where a plot is missing.
    space : ndarray, shape (n, r), or sequence of m of these
        Orthonormal basis of the model, the additive one of the layout as a rule; one for all
        responses, or one for each with a row for each plot that it has.
    together : (m,) int array, optional
        Codes from 0 of responses that share a power and their scatter, as days of one variable
        do: k in all. By default each response has a power of its own.
    shift : float or (m,) array
        Added to the values first; 1 for counts with zeros.
    level : float
        Confidence of the limits, 0 to 1.
    between : (float, float)
        Range searched.
    weight : {"error", "plots"}
        What the log-likelihood is multiplied with: half the error degrees of freedom, or half
        the number of plots. The second is the plain profile likelihood; in small layouts, where
        many parameters are fitted, its limits are too narrow.

    Returns
    -------
    BoxCox

    Raises
    ------
    ValueError
        When a value is infinite, the plots of a response are not those of its space, or the
        range is empty.

    Notes
    -----
    Box GEP and Cox DR 1964, Journal of the Royal Statistical Society B 26:211-252; limits by
    the chi-square of twice the fall of the log-likelihood. The error degrees of freedom in
    place of the number of plots is their own proposal for the marginal likelihood [from memory].
    """
    table = np.asarray(values, dtype=float)
    if table.ndim == 1:
        table = table[:, None]
    if np.isinf(table).any():
        raise ValueError("the Box-Cox profile needs finite values")
    low, high = between
    if not low < high:
        raise ValueError("the range of powers is empty")
    table = table + shift
    present = ~np.isnan(table)
    owner = np.arange(table.shape[1]) if together is None else np.asarray(together)
    member = indicator(owner, int(owner.max(initial=-1)) + 1)
    spaces = [space] * len(owner) if isinstance(space, np.ndarray) else list(space)
    sizes = np.array([part.shape for part in spaces]).reshape(-1, 2)
    if len(spaces) != len(owner) or not np.array_equal(present.sum(axis=0), sizes[:, 0]):
        raise ValueError("each response needs a space with one row for each of its plots")
    n, rank = (sizes.T @ member).astype(float)
    usable = (np.where(present, table <= 0, False).any(axis=0) @ member == 0) & (n > rank)
    logs = np.log(np.where(present & usable[owner], table, 1.0))
    middle = (logs.sum(axis=0) @ member) / np.maximum(n, 1.0)
    about = np.where(present, logs - middle[owner], 0.0)
    usable &= np.abs(about).max(axis=0, initial=0.0) @ member > _ROUNDING
    half = (n - rank if weight == "error" else n) / 2
    profile = _Profile(
        about=about, owner=owner, member=member, parts=_parts(spaces, present), half=half
    )
    grid = np.linspace(low, high, int(np.ceil((high - low) / _GRID_STEP)) + 1)[:, None]
    heights = profile.at(np.repeat(grid, len(half), axis=1))
    power, best = _climb(profile, grid, heights)
    edge = 1e-6 * (high - low)
    usable &= np.isfinite(best) & (power > low + edge) & (power < high - edge)
    target = best - special.chdtri(1, 1 - level) / 2
    lower, upper = _cross(profile, grid, heights, power, best, target)
    untransformed = profile.at(np.ones((1, len(half))))[0]

    def kept(result: FloatArray) -> FloatArray:
        return np.where(usable, result, np.nan)

    return BoxCox(
        power=kept(power),
        lower=kept(lower),
        upper=kept(upper),
        named=kept(_nearest_named(power, lower, upper)),
        gain=kept(np.maximum(best - untransformed, 0.0)),
    )


def _parts(spaces: Sequence[FloatArray], present: BoolArray) -> tuple[_Part, ...]:
    """Rows and columns of all responses with one basis, and a basis of what it leaves."""
    alike: dict[tuple[int, bytes], list[int]] = {}
    for column, space in enumerate(spaces):
        alike.setdefault((id(space), present[:, column].tobytes()), []).append(column)
    found = []
    for columns in alike.values():
        space = spaces[columns[0]]
        beyond = np.linalg.qr(space, mode="complete")[0][:, space.shape[1] :]
        found.append((np.flatnonzero(present[:, columns[0]]), np.array(columns), beyond))
    return tuple(found)


_Part = tuple[IntArray, IntArray, FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Profile:
    """Log-likelihood over powers, up to a constant of each power.

    ``about`` are logarithms (n, m) about the mean of their power, 0 where missing; ``owner`` (m,)
    and ``member`` (m, k) say which responses share a power.
    """

    about: FloatArray
    owner: IntArray
    member: FloatArray
    parts: tuple[_Part, ...]
    half: FloatArray

    def at(self, powers: FloatArray) -> FloatArray:
        """Evaluate at powers of shape (g, k)."""
        scaled = self._scaled(powers[:, self.owner])
        left, total = np.zeros((2, len(powers), len(self.owner)))
        for rows, columns, beyond in self.parts:
            own = _taken(scaled, rows, columns)
            own -= own.sum(axis=0) / max(len(rows), 1)
            rest = _beyond(beyond, own)
            total[:, columns] = np.einsum("ijk,ijk->jk", own, own)
            left[:, columns] = np.einsum("ijk,ijk->jk", rest, rest)
        left, total = left @ self.member, total @ self.member
        left = np.where(left > _ROUNDING**2 * total, left, np.nan)
        result: FloatArray = -self.half * np.log(left)
        return result

    def slope(self, powers: FloatArray) -> FloatArray:
        """Slope at powers of shape (g, k)."""
        each = powers[:, self.owner]
        scaled, about = self._scaled(each), self.about[:, None, :]
        small = np.abs(each) < _SERIES
        rising = (about - scaled) / np.where(small, 1.0, each) + about * scaled
        if small.any():
            by = each * about
            near = about**2 * (1 / 2 + by * (1 / 3 + by * (1 / 8 + by / 30)))
            rising = np.where(small, near, rising)
        top, bottom = np.zeros((2, len(powers), len(self.owner)))
        for rows, columns, beyond in self.parts:
            rest, rise = (_beyond(beyond, _taken(part, rows, columns)) for part in (scaled, rising))
            top[:, columns] = np.einsum("ijk,ijk->jk", rest, rise)
            bottom[:, columns] = np.einsum("ijk,ijk->jk", rest, rest)
        top, bottom = top @ self.member, bottom @ self.member
        result: FloatArray = -2.0 * self.half * top / np.where(bottom > 0, bottom, np.nan)
        return result

    def _scaled(self, powers: FloatArray) -> FloatArray:
        """Powers (n, g, m), scaled by the geometric mean.

        Sums of squares of different powers then compare.
        """
        flat = np.abs(powers) < _NEAR_ZERO
        about = self.about[:, None, :]
        scaled: FloatArray = np.expm1(about * powers) / np.where(flat, 1.0, powers)
        return np.where(flat, about, scaled) if flat.any() else scaled


def _taken(table: FloatArray, rows: IntArray, columns: IntArray) -> FloatArray:
    return table[rows[:, None, None], np.arange(table.shape[1])[:, None], columns]


def _beyond(basis: FloatArray, table: FloatArray) -> FloatArray:
    """Coordinates of each column of a table (n, g, m) on a basis (n, r)."""
    return (basis.T @ table.reshape(len(table), -1)).reshape(-1, *table.shape[1:])


def _climb(
    profile: _Profile, grid: FloatArray, heights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Find the highest point of each response: the best of a grid, then the top beside it."""
    columns = np.arange(heights.shape[1])
    # A response without any likelihood keeps the first point of the grid.
    index = np.argmax(np.where(np.isnan(heights), -np.inf, heights), axis=0)
    place = grid[index, 0]
    around = np.clip(index + np.array([[-1], [0], [1]]), 0, len(grid) - 1)
    slopes = profile.slope(grid[around, 0])
    # The top lies after the best point where the profile rises there, else before it.
    left = np.where(slopes[1] > 0, 1, 0)
    ends, at_ends = (
        np.stack([part[left, columns], part[left + 1, columns]])
        for part in (grid[around, 0], slopes)
    )
    inside = (at_ends[0] > 0) & ~(at_ends[1] > 0)
    top = falling_roots(lambda powers: profile.slope(powers[None, :])[0], *ends, *at_ends)
    power = np.where(inside, top, place)
    best = profile.at(power[None, :])[0]
    higher = best > heights[index, columns]
    return np.where(higher, power, place), np.where(higher, best, heights[index, columns])


def _cross(
    profile: _Profile,
    grid: FloatArray,
    heights: FloatArray,
    power: FloatArray,
    best: FloatArray,
    target: FloatArray,
) -> FloatArray:
    """Where the profile first falls to the target, below the top and above it, (2, k)."""
    columns = np.arange(power.size)
    fallen = ~(heights > target)
    inside, outside, above, beyond, reached = [], [], [], [], []
    for side in (-1, 1):
        past = fallen & ((grid - power) * side > 0)
        # The first point past the top, or the end of the grid where there is none.
        far = np.argmax(past, axis=0) if side > 0 else len(grid) - 1 - np.argmax(past[::-1], axis=0)
        near = np.clip(far - side, 0, len(grid) - 1)
        own = (grid[near, 0] - power) * side > 0
        inside.append(np.where(own, grid[near, 0], power))
        above.append(np.where(own, heights[near, columns], best))
        outside.append(grid[far, 0])
        beyond.append(heights[far, columns])
        reached.append(heights[0 if side < 0 else -1] <= target)
    limits = falling_roots(
        lambda powers: profile.at(powers) - target,
        np.stack(inside),
        np.stack(outside),
        np.stack(above) - target,
        np.stack(beyond) - target,
    )
    return np.where(np.stack(reached), limits, np.nan)


def _nearest_named(power: FloatArray, lower: FloatArray, upper: FloatArray) -> FloatArray:
    names = np.asarray(NAMED_POWERS)[:, None]
    # A limit beyond the range searched does not exclude anything.
    inside = ~(names < lower) & ~(names > upper)
    allowed = inside | ~inside.any(axis=0)
    distance = np.where(allowed, np.abs(names - power), np.inf)
    nearest: FloatArray = np.asarray(NAMED_POWERS)[np.argmin(distance, axis=0)]
    return nearest
