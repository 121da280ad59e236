"""What plots add to the logarithm of a mean, and how much of it stays in a ratio."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.numerics.log_gammas import (
    LARGEST_SHAPE,
    ComplexArray,
    Decays,
    LogGammas,
    shape_of_variance,
    trigamma,
)

#: How near the two shapes of what is left may come.
_EDGED = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class PlotParts:
    """What plots add to logarithms of means at the nodes of one trend, each (t|1, e|1, nodes).

    To the centre, with the sign, the logarithm of a gamma variable of this shape over one of the
    other shape that holds it (without bound for counts). ``shared`` is the part of their variance
    that can go together with other plots.
    """

    shape: FloatArray
    other: FloatArray
    shared: FloatArray
    centre: FloatArray
    sign: float

    @property
    def variance(self) -> FloatArray:
        """Of the logarithm."""
        found: FloatArray = trigamma(self.shape) - trigamma(self.other)
        return found

    def own(
        self, kept: FloatArray, gammas: LogGammas | Decays, frequency: FloatArray
    ) -> ComplexArray:
        """Logs of characteristic functions where only a part of the variance is kept.

        The rest is in common with what stands on the other side of the line. Where more than the
        whole is kept, those of a wider variable of the same kind.
        """
        shape, limit = self.shape, self.other
        if (kept < 1.0).any():
            own = np.minimum(kept, 1.0) * self.variance
            limit = shape_of_variance(trigamma(shape) - own)
            # So near to each other they are no longer like a logarithm of plots: an edge at 0.
            edged = (kept < 1.0) & (limit < shape + _EDGED)
            shape = np.where(edged, shape_of_variance(own), shape)
            limit = np.where(edged, LARGEST_SHAPE, limit)
        if (kept > 1.0).any():
            whole = trigamma(self.other) + np.maximum(kept, 1.0) * self.variance
            shape = shape_of_variance(whole)
        found = self._between(shape, limit, gammas)
        found += 1j * self.centre[..., None] * frequency
        return found

    def common(self, variance: FloatArray, gammas: LogGammas | Decays) -> ComplexArray:
        """Those of a part in common of this variance, about its mean."""
        whole = shape_of_variance(trigamma(self.other) + variance)
        return self._between(whole, self.other, gammas)

    def _between(
        self, shape: FloatArray, limit: FloatArray, gammas: LogGammas | Decays
    ) -> ComplexArray:
        logs = gammas.at(shape)
        if (limit < LARGEST_SHAPE).any():
            logs = logs - gammas.at(limit)
        return logs.conj() if self.sign < 0.0 else logs
