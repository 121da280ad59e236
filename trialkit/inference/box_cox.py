"""Which power of the response makes it additive, even and normal? The Box-Cox profile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.layouts import FloatArray

# Powers that have a name in the trade: reciprocal, its root, logarithm, square root, none.
NAMED_POWERS: Final = (-1.0, -0.5, 0.0, 0.5, 1.0)

_ROUNDING: Final = 1e-10
_NEAR_ZERO: Final = 1e-12
_GRID_STEP: Final = 0.1
_ZOOMS: Final = 8
# Turns that close in on a limit, each to so small a part of the gap.
_TURNS, _PARTS = 15, 8


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
    space: FloatArray,
    *,
    shift: float = 0.0,
    level: float = 0.95,
    low: float = -3.0,
    high: float = 3.0,
    weight: Literal["error", "plots"] = "error",
) -> BoxCox:
    """Estimate the power under the model of a layout.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, k)
        Responses as measured, complete.
    space : ndarray, shape (n, r)
        Orthonormal basis of the model, the additive one of the layout as a rule.
    shift : float
        Added to the values first; 1 for counts with zeros.
    level : float
        Confidence of the limits, 0 to 1.
    low, high : float
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
        When a value is missing or infinite, or ``low`` is not below ``high``.

    Notes
    -----
    Box GEP and Cox DR 1964, Journal of the Royal Statistical Society B 26:211-252; limits by
    the chi-square of twice the fall of the log-likelihood. The error degrees of freedom in
    place of the number of plots is their own proposal for the marginal likelihood [from memory].
    """
    table = np.asarray(values, dtype=float)
    if table.ndim == 1:
        table = table[:, None]
    if not np.isfinite(table).all():
        raise ValueError("the Box-Cox profile needs complete, finite values")
    if not low < high:
        raise ValueError("the range of powers is empty")
    table = table + shift
    n, rank = space.shape
    usable = (table > 0).all(axis=0) & (n > rank)
    safe = np.where(usable, table, 1.0)
    logs = np.log(safe)
    about = logs - logs.mean(axis=0)
    usable &= np.abs(about).max(axis=0) > _ROUNDING
    half = (n - rank if weight == "error" else n) / 2
    profile = _Profile(about=about, space=space, half=half)
    power, best = _climb(profile, low, high)
    edge = 1e-6 * (high - low)
    usable &= np.isfinite(best) & (power > low + edge) & (power < high - edge)
    target = best - special.chdtri(1, 1 - level) / 2
    ends = np.repeat([[low], [high]], power.size, axis=1)
    lower, upper = _cross(profile, np.stack([power, power]), ends, target)
    untransformed = profile.at(np.ones((1, power.size)))[0]

    def kept(result: FloatArray) -> FloatArray:
        return np.where(usable, result, np.nan)

    return BoxCox(
        power=kept(power),
        lower=kept(lower),
        upper=kept(upper),
        named=kept(_nearest_named(power, lower, upper)),
        gain=kept(np.maximum(best - untransformed, 0.0)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Profile:
    """Log-likelihood over powers, up to a constant of each response."""

    about: FloatArray  # (n, k) logarithms about their mean
    space: FloatArray
    half: float

    def at(self, powers: FloatArray) -> FloatArray:
        """Evaluate at powers of shape (g, k); one column a response."""
        # Scaled by the geometric mean, so that sums of squares of different powers compare.
        flat = np.abs(powers) < _NEAR_ZERO
        divisor = np.where(flat, 1.0, powers)
        scaled = np.expm1(self.about[:, None, :] * powers) / divisor
        scaled = np.where(flat, self.about[:, None, :], scaled)
        shape = scaled.shape
        table = scaled.reshape(shape[0], -1)
        table = table - table.mean(axis=0)
        rest = table - self.space @ (self.space.T @ table)
        total = np.einsum("ij,ij->j", table, table)
        left = np.einsum("ij,ij->j", rest, rest)
        left = np.where(left > _ROUNDING**2 * total, left, np.nan)
        result: FloatArray = (-self.half * np.log(left)).reshape(shape[1:])
        return result


def _climb(profile: _Profile, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Find the highest point of each response: a coarse grid, then finer ones around it."""
    k = profile.about.shape[1]
    steps = int(np.ceil((high - low) / _GRID_STEP))
    grid = np.repeat(np.linspace(low, high, steps + 1)[:, None], k, axis=1)
    spacing = (high - low) / steps
    power, best = _highest(profile, grid)
    for _ in range(_ZOOMS):
        around = np.linspace(-spacing, spacing, 21)[:, None]
        power, best = _highest(profile, np.clip(power + around, low, high))
        spacing /= 10
    return power, best


def _highest(profile: _Profile, grid: FloatArray) -> tuple[FloatArray, FloatArray]:
    height = profile.at(grid)
    # A response without any likelihood keeps its NaN and the first point of the grid.
    index = np.argmax(np.where(np.isnan(height), -np.inf, height), axis=0)[None, :]
    return (
        np.take_along_axis(grid, index, axis=0)[0],
        np.take_along_axis(height, index, axis=0)[0],
    )


def _cross(
    profile: _Profile, inside: FloatArray, outside: FloatArray, target: FloatArray
) -> FloatArray:
    """Close in on the crossing between points above the target and points below it, (g, k).

    Each turn looks at many points at once and keeps the gap in which the profile first falls to
    the target.
    """
    reached = profile.at(outside) <= target
    shares = np.linspace(0.0, 1.0, _PARTS + 1)[:, None, None]
    rows, columns = np.indices(inside.shape)
    for _ in range(_TURNS):
        points = inside + shares * (outside - inside)
        inner = points[1:-1]
        height = profile.at(inner.reshape(-1, inside.shape[1])).reshape(inner.shape)
        above = np.logical_and.accumulate(height > target, axis=0).sum(axis=0)
        inside, outside = points[above, rows, columns], points[above + 1, rows, columns]
    return np.where(reached, (inside + outside) / 2, np.nan)


def _nearest_named(power: FloatArray, lower: FloatArray, upper: FloatArray) -> FloatArray:
    names = np.asarray(NAMED_POWERS)[:, None]
    # A limit beyond the range searched does not exclude anything.
    inside = ~(names < lower) & ~(names > upper)
    allowed = inside | ~inside.any(axis=0)
    distance = np.where(allowed, np.abs(names - power), np.inf)
    nearest: FloatArray = np.asarray(NAMED_POWERS)[np.argmin(distance, axis=0)]
    return nearest
