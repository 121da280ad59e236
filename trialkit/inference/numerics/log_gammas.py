"""Logarithms of gamma variables: their characteristic functions, and the shape of a variance."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trialkit.inference.design.layout import FloatArray

ComplexArray = NDArray[np.complex128]

#: Shapes from which the logarithm of a gamma variable is taken for a constant.
LARGEST_SHAPE = 1e12
_STEP = 0.15
_RUNGS = np.exp(np.arange(np.log(5e-3), np.log(1e7), _STEP))
_SMALL = -70.0


def log_gamma_transform(shape: FloatArray, frequency: FloatArray) -> ComplexArray:
    """Log characteristic function of the logarithm of a gamma variable about its mean.

    Parameters
    ----------
    shape : float array
        Positive.
    frequency : (f,) float array

    Returns
    -------
    (*shape, f) complex array
        ``log(gamma(a + it) / gamma(a)) - it * digamma(a)``.
    """
    a = shape[..., None]
    found: ComplexArray = special.loggamma(a + 1j * frequency)
    found -= special.gammaln(a)
    found -= 1j * frequency * special.digamma(a)
    return found


class LogGammas:
    """`log_gamma_transform` of many shapes on the same frequencies.

    Parameters
    ----------
    frequency : (f,) float array

    Notes
    -----
    Cubic in the logarithm of the shape between shapes that stand 15 % apart: where the transform
    is above 1e-3, within 2e-5. Beyond the largest a normal variable.
    """

    def __init__(self, frequency: FloatArray) -> None:
        self._frequency = frequency
        self._plain = _Rungs(frequency.size, self._transforms)
        self._inverse = _Rungs(frequency.size, self._of_inverse)

    def at(self, shape: FloatArray) -> ComplexArray:
        """Transforms, (*shape, f)."""
        bounded = np.minimum(shape, _RUNGS[-3])
        found = self._plain.between(bounded)
        if (bounded < shape).any():
            found *= (bounded / shape)[..., None]
        return found

    def of_inverse_means(self, shape: FloatArray) -> ComplexArray:
        """Characteristic functions of the logarithm of the shape over the gamma, (*shape, f)."""
        return self._inverse.between(np.minimum(shape, _RUNGS[-3]))

    def _transforms(self, shape: FloatArray) -> ComplexArray:
        return log_gamma_transform(shape, self._frequency)

    def _of_inverse(self, shape: FloatArray) -> ComplexArray:
        centre = np.log(shape) - special.digamma(shape)
        return characteristic(
            self._transforms(shape).conj() + 1j * centre[:, None] * self._frequency
        )


class _Rungs:
    """What is known at the rungs, found where it is needed first, and cubics between them."""

    def __init__(self, size: int, found: Callable[[FloatArray], ComplexArray]) -> None:
        self._found = found
        self._known: ComplexArray = np.zeros((_RUNGS.size, size), dtype=np.complex128)
        self._missing = np.ones(_RUNGS.size, dtype=bool)

    def between(self, shape: FloatArray) -> ComplexArray:
        """Cubics in the logarithm of the shape, (*shape, size)."""
        place = (np.log(shape.ravel()) - np.log(_RUNGS[0])) / _STEP
        node = np.clip(place.astype(np.intp), 1, _RUNGS.size - 3)
        low, high = int(node.min()) - 1, int(node.max()) + 3
        missing = low + np.flatnonzero(self._missing[low:high])
        if missing.size:
            self._known[missing] = self._found(_RUNGS[missing])
            self._missing[missing] = False
        x, row = place - node, np.arange(node.size)
        weights = np.zeros((node.size, high - low))
        node = node - low
        weights[row, node - 1] = -x * (x - 1.0) * (x - 2.0) / 6.0
        weights[row, node] = (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0
        weights[row, node + 1] = -(x + 1.0) * x * (x - 2.0) / 2.0
        weights[row, node + 2] = (x + 1.0) * x * (x - 1.0) / 6.0
        known = self._known[low:high].view(np.float64)
        found: ComplexArray = (weights @ known).view(np.complex128)
        return found.reshape(*shape.shape, self._known.shape[1])


class Decays:
    """How fast transforms fall: their real parts by Stirling's formula, in the form of `LogGammas`.

    Near enough to choose frequencies by.
    """

    def __init__(self, frequency: FloatArray) -> None:
        self._frequency = frequency

    def at(self, shape: FloatArray) -> ComplexArray:
        """Real parts of transforms, (*shape, f)."""
        a = shape[..., None]
        over = self._frequency / a
        fall = 0.5 * (a - 0.5) * np.log1p(over**2) - self._frequency * np.arctan(over)
        return np.minimum(fall, 0.0).astype(np.complex128)


def characteristic(logs: ComplexArray) -> ComplexArray:
    """Exponential of logs of characteristic functions.

    None is left so small that products of several would slow the processor.
    """
    found: ComplexArray = np.empty(logs.shape, dtype=np.complex128)
    size = np.exp(np.maximum(logs.real, _SMALL))
    np.multiply(size, np.cos(logs.imag), out=found.real)
    np.multiply(size, np.sin(logs.imag), out=found.imag)
    return found


@cache
def _trigammas() -> tuple[FloatArray, FloatArray]:
    """Logarithms of shapes, and of the variances of the logarithms of their gamma variables."""
    logs = np.linspace(np.log(1e-6), np.log(LARGEST_SHAPE), 8000)
    return logs, np.log(special.zeta(2.0, np.exp(logs)))


def trigamma(shape: FloatArray) -> FloatArray:
    """Variance of the logarithm of a gamma variable, right to 1e-6 of itself."""
    logs, variances = _trigammas()
    return np.exp(np.interp(np.log(shape), logs, variances))


def shape_of_variance(variance: FloatArray) -> FloatArray:
    """Shape of the gamma variable whose logarithm has a variance: the inverse of `trigamma`.

    Parameters
    ----------
    variance : float array
        Not negative.

    Returns
    -------
    float array
        At most `LARGEST_SHAPE`.
    """
    logs, variances = _trigammas()
    asked = np.log(np.maximum(variance, 1.0 / LARGEST_SHAPE))
    return np.exp(np.interp(-asked, -variances, logs))
