"""Covariances over the days of one subject: independent, compound symmetry, AR(1), unstructured."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray

# A correlation this close to its limits is at the limit: the covariance is singular there.
_CORRELATION_LIMIT = 1.0 - 1e-6
# Smallest error variance: responses are scaled to a residual variance of about one.
_FLOOR = 1e-8


class Structure(Protocol):
    """A covariance matrix over ``T`` days and its derivatives.

    Parameters are ordered as ``names``. ``powers`` says how each scales with the response
    (2 for a variance, 0 for a correlation); ``lower`` and ``upper`` bound it.
    """

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""

    @property
    def powers(self) -> FloatArray:
        """Power of the response's unit in each parameter."""

    @property
    def lower(self) -> FloatArray:
        """Lower limits; -inf where only positive definiteness binds."""

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""

    def start(self, residuals: FloatArray) -> FloatArray:
        """Start values from residuals (subjects, T), NaN where a day is missing."""

    def matrix(self, theta: FloatArray) -> FloatArray:
        """Covariance (T, T)."""

    def first(self, theta: FloatArray) -> FloatArray:
        """First derivatives (K, T, T)."""

    def second(self, theta: FloatArray) -> FloatArray | None:
        """Second derivatives (K, K, T, T); None where the covariance is linear."""


@dataclass(frozen=True, slots=True)
class Independent:
    """One error variance, nothing shared between observations."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return ("error",)

    @property
    def powers(self) -> FloatArray:
        """Power of the response's unit in each parameter."""
        return np.array([2.0])

    @property
    def lower(self) -> FloatArray:
        """Lower limits."""
        return np.array([_FLOOR])

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""
        return np.array([np.inf])

    def start(self, residuals: FloatArray) -> FloatArray:
        """Start from the mean square of the residuals."""
        return np.array([float(np.nanmean(residuals**2))])

    def matrix(self, theta: FloatArray) -> FloatArray:
        """Covariance (1, 1)."""
        return theta.reshape(1, 1)

    def first(self, theta: FloatArray) -> FloatArray:  # noqa: ARG002
        """First derivatives."""
        return np.ones((1, 1, 1))

    def second(self, theta: FloatArray) -> FloatArray | None:  # noqa: ARG002
        """Linear: none."""
        return None


@dataclass(frozen=True, slots=True)
class CompoundSymmetry:
    """The same covariance between any two days; unlike a random subject it may be negative."""

    n_days: int

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return ("covariance", "error")

    @property
    def powers(self) -> FloatArray:
        """Power of the response's unit in each parameter."""
        return np.array([2.0, 2.0])

    @property
    def lower(self) -> FloatArray:
        """Lower limits."""
        return np.array([-np.inf, _FLOOR])

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""
        return np.array([np.inf, np.inf])

    def start(self, residuals: FloatArray) -> FloatArray:
        """Start with a correlation of 0.3."""
        total = float(np.nanmean(residuals**2))
        return np.array([0.3 * total, 0.7 * total])

    def matrix(self, theta: FloatArray) -> FloatArray:
        """Covariance (T, T)."""
        shared = np.full((self.n_days, self.n_days), theta[0])
        return np.asarray(shared + theta[1] * np.eye(self.n_days))

    def first(self, theta: FloatArray) -> FloatArray:  # noqa: ARG002
        """First derivatives."""
        return np.stack([np.ones((self.n_days, self.n_days)), np.eye(self.n_days)])

    def second(self, theta: FloatArray) -> FloatArray | None:  # noqa: ARG002
        """Linear: none."""
        return None


@dataclass(frozen=True)
class Autoregressive:
    """First-order autoregression over actual days: variance times correlation ** |d_i - d_j|.

    The correlation is that over ``unit`` days, the shortest gap between two days. With equal
    gaps it may be negative; else a negative one has no meaning, and it is at least zero.

    Parameters
    ----------
    days : tuple of float
        The days, ascending, at least two.
    """

    days: tuple[float, ...]

    @cached_property
    def unit(self) -> float:
        """Shortest gap between two days."""
        return float(np.min(np.diff(np.asarray(self.days))))

    @cached_property
    def lags(self) -> FloatArray:
        """Gaps (T, T) in units of the shortest one; exact zeros and ones where they are meant."""
        days = np.asarray(self.days)
        lags = np.abs(days[:, None] - days[None, :]) / self.unit
        whole = np.rint(lags)
        return np.asarray(np.where(np.abs(lags - whole) < 1e-9, whole, lags))

    @cached_property
    def _exponents(self) -> tuple[FloatArray, ...]:
        """Lags less 0, 1 and 2; 0 where no power is left (its factor is 0)."""
        whole = self.lags == np.rint(self.lags)
        each = (self.lags - minus for minus in range(3))
        return tuple(np.where(whole & (less < 0), 0.0, less) for less in each)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return ("variance", "correlation")

    @property
    def powers(self) -> FloatArray:
        """Power of the response's unit in each parameter."""
        return np.array([2.0, 0.0])

    @property
    def lower(self) -> FloatArray:
        """Lower limits."""
        gaps = np.diff(np.asarray(self.days)) / self.unit
        even = bool(np.all(np.abs(gaps - 1.0) < 1e-9))
        return np.array([_FLOOR, -_CORRELATION_LIMIT if even else 1e-9])

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""
        return np.array([np.inf, _CORRELATION_LIMIT])

    def start(self, residuals: FloatArray) -> FloatArray:
        """Start from the pooled correlation of days next to each other."""
        total = float(np.nanmean(residuals**2))
        pairs = residuals[:, 1:] * residuals[:, :-1]
        pairs = pairs[np.isfinite(pairs)]
        lag1 = float(pairs.mean()) / total if pairs.size and total > 0 else 0.3
        return np.array([total, float(np.clip(lag1, 0.05, 0.9))])

    def _power(self, correlation: float, minus: int) -> FloatArray:
        """Correlation to the power lag - minus."""
        return np.asarray(np.power(correlation, self._exponents[minus]))

    def matrix(self, theta: FloatArray) -> FloatArray:
        """Covariance (T, T)."""
        return np.asarray(theta[0] * self._power(float(theta[1]), 0))

    def first(self, theta: FloatArray) -> FloatArray:
        """First derivatives."""
        rho = float(theta[1])
        return np.stack([self._power(rho, 0), theta[0] * self.lags * self._power(rho, 1)])

    def second(self, theta: FloatArray) -> FloatArray | None:
        """Second derivatives (2, 2, T, T)."""
        rho, lags = float(theta[1]), self.lags
        mixed = lags * self._power(rho, 1)
        curved = theta[0] * lags * (lags - 1.0) * self._power(rho, 2)
        return np.stack([np.stack([np.zeros_like(mixed), mixed]), np.stack([mixed, curved])])


@dataclass(frozen=True, slots=True)
class Unstructured:
    """Every variance and covariance of the days free; parameters are the lower triangle by rows."""

    n_days: int

    @property
    def _pairs(self) -> tuple[IntArray, IntArray]:
        rows, columns = np.tril_indices(self.n_days)
        return rows.astype(np.intp), columns.astype(np.intp)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, days counted from 1."""
        rows, columns = self._pairs
        return tuple(f"cov({i + 1},{j + 1})" for i, j in zip(rows, columns, strict=True))

    @property
    def powers(self) -> FloatArray:
        """Power of the response's unit in each parameter."""
        return np.full(len(self._pairs[0]), 2.0)

    @property
    def lower(self) -> FloatArray:
        """Lower limits: variances at zero, covariances free."""
        rows, columns = self._pairs
        return np.where(rows == columns, _FLOOR, -np.inf)

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""
        return np.full(len(self._pairs[0]), np.inf)

    def start(self, residuals: FloatArray) -> FloatArray:
        """Start from covariances of all pairs seen, pulled towards their diagonal."""
        seen = np.isfinite(residuals)
        filled = np.where(seen, residuals, 0.0)
        count = seen.T.astype(float) @ seen.astype(float)
        cov = (filled.T @ filled) / np.maximum(count, 1.0)
        diagonal = np.diag(cov).copy()
        diagonal[diagonal <= 0] = max(float(diagonal.mean()), 1e-8)
        np.fill_diagonal(cov, diagonal)
        floor = 1e-3 * float(diagonal.mean())
        shrunk = cov
        for keep in (0.95, 0.7, 0.4, 0.0):
            shrunk = keep * cov + (1.0 - keep) * np.diag(diagonal)
            if float(np.linalg.eigvalsh(shrunk)[0]) > floor:
                break
        rows, columns = self._pairs
        return np.asarray(shrunk[rows, columns])

    def matrix(self, theta: FloatArray) -> FloatArray:
        """Covariance (T, T)."""
        rows, columns = self._pairs
        out = np.zeros((self.n_days, self.n_days))
        out[rows, columns] = theta
        out[columns, rows] = theta
        return out

    def first(self, theta: FloatArray) -> FloatArray:  # noqa: ARG002
        """First derivatives."""
        rows, columns = self._pairs
        out = np.zeros((len(rows), self.n_days, self.n_days))
        out[np.arange(len(rows)), rows, columns] = 1.0
        out[np.arange(len(rows)), columns, rows] = 1.0
        return out

    def second(self, theta: FloatArray) -> FloatArray | None:  # noqa: ARG002
        """Linear: none."""
        return None
