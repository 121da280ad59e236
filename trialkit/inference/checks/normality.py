"""Does the scatter look normal? Shapiro-Wilk, for many responses at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.design.layout import FloatArray

# Royston's polynomials were fitted for 3 to 5000 values; outside nothing is claimed.
SMALLEST: Final = 3
LARGEST: Final = 5000

# Coefficients of Royston (1995), lowest power first; the argument is 1/sqrt(n) for the
# weights, n for small samples and log(n) for large ones.
_LAST_WEIGHT = (0.0, 0.221157, -0.147981, -2.071190, 4.434685, -2.706056)
_NEXT_WEIGHT = (0.0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633)
_SMALL_SHIFT = (-2.273, 0.459)
_SMALL_MEAN = (0.5440, -0.39978, 0.025054, -6.714e-4)
_SMALL_LOG_SD = (1.3822, -0.77857, 0.062767, -0.0020322)
_LARGE_MEAN = (-1.5861, -0.31082, -0.083751, 0.0038915)
_LARGE_LOG_SD = (-0.4803, -0.082676, 0.0030302)

# A response whose spread is below this share of its size is constant to rounding.
_ROUNDING = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalityTest:
    """Shapiro-Wilk test of each response.

    Attributes
    ----------
    n : int
        Values in each response.
    statistic : ndarray, shape (k,)
        W, between 0 and 1; small values speak against a normal distribution. NaN where the
        values are constant or n lies outside 3 to 5000.
    """

    n: int
    statistic: FloatArray

    @property
    def p(self) -> FloatArray:
        """Probability (k,) of a W as small under a normal distribution of independent values."""
        if not SMALLEST <= self.n <= LARGEST:
            return np.full(self.statistic.shape, np.nan)
        return shapiro_wilk_p(self.statistic, self.n)


def shapiro_wilk(values: ArrayLike) -> NormalityTest:
    """Test each column for a normal distribution.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, k)
        Complete values, one column a response.

    Returns
    -------
    NormalityTest

    Notes
    -----
    W and its p-value follow Royston P 1995, Remark AS R94, Applied Statistics 44:547-551
    [reference from memory]; the test is that of Shapiro SS and Wilk MB 1965, Biometrika
    52:591-611. The p-value holds for independent values. Residuals of a design are tied to
    each other, which makes the test timid where few degrees of freedom are left;
    `trialkit.inference.checks.diagnose.diagnose` brings the p-value that holds for the layout.

    Raises
    ------
    ValueError
        When a value is missing or infinite.
    """
    table = np.asarray(values, dtype=float)
    if table.ndim == 1:
        table = table[:, None]
    if not np.isfinite(table).all():
        raise ValueError("Shapiro-Wilk needs complete, finite values")
    n, k = table.shape
    if not SMALLEST <= n <= LARGEST:
        return NormalityTest(n=n, statistic=np.full(k, np.nan))
    ordered = np.sort(table - table.mean(axis=0), axis=0)
    ordered -= ordered.mean(axis=0)
    size = np.abs(table).max(axis=0)
    constant = ordered[-1] - ordered[0] <= _ROUNDING * size
    total = np.einsum("ij,ij->j", ordered, ordered)
    total[constant] = np.nan
    numerator = shapiro_wilk_weights(n) @ ordered
    statistic = np.minimum(numerator**2 / total, 1.0)
    return NormalityTest(n=n, statistic=statistic)


def shapiro_wilk_weights(n: int) -> FloatArray:
    """Compute the weights of the ordered values, ascending, with squares adding to 1.

    Parameters
    ----------
    n : int
        Number of values, at least 3.

    Returns
    -------
    ndarray, shape (n,)
        Antisymmetric.
    """
    if n == SMALLEST:
        edge = np.sqrt(0.5)
        return np.array([-edge, 0.0, edge])
    scores = special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    total = float(scores @ scores)
    u = 1.0 / np.sqrt(n)
    weights: FloatArray = np.empty(n)
    last = np.polynomial.polynomial.polyval(u, _LAST_WEIGHT) + scores[-1] / np.sqrt(total)
    if n > 5:
        next_ = np.polynomial.polynomial.polyval(u, _NEXT_WEIGHT) + scores[-2] / np.sqrt(total)
        rest = total - 2 * scores[-1] ** 2 - 2 * scores[-2] ** 2
        weights[:] = scores * np.sqrt((1 - 2 * last**2 - 2 * next_**2) / rest)
        weights[[1, -2]] = -next_, next_
    else:
        rest = total - 2 * scores[-1] ** 2
        weights[:] = scores * np.sqrt((1 - 2 * last**2) / rest)
    weights[[0, -1]] = -last, last
    return weights


def shapiro_wilk_p(statistic: FloatArray, n: int) -> FloatArray:
    """Turn W into the probability of a value as small.

    Parameters
    ----------
    statistic : ndarray
        W; NaN stays NaN.
    n : int
        Values behind each W, 3 to 5000.

    Returns
    -------
    ndarray
    """
    lack = np.maximum(1.0 - statistic, np.finfo(float).tiny)
    if n == SMALLEST:
        # The distribution for three values is known exactly.
        angle = np.arcsin(np.sqrt(statistic)) - np.arcsin(np.sqrt(0.75))
        exact: FloatArray = np.clip(6.0 / np.pi * angle, 0.0, 1.0)
        return exact
    polyval = np.polynomial.polynomial.polyval
    if n <= 11:
        shift = polyval(n, _SMALL_SHIFT)
        room = shift - np.log(lack)
        # Beyond the end of the fitted curve the probability is nil.
        y = -np.log(np.where(room > 0, room, np.nan))
        z = (y - polyval(n, _SMALL_MEAN)) / np.exp(polyval(n, _SMALL_LOG_SD))
        return np.where(room <= 0, 0.0, special.ndtr(-z))
    size = np.log(n)
    z = (np.log(lack) - polyval(size, _LARGE_MEAN)) / np.exp(polyval(size, _LARGE_LOG_SD))
    tail: FloatArray = special.ndtr(-z)
    return tail
