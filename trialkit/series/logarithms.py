"""From logarithms of what is left to ratios and percent control."""

from __future__ import annotations

import numpy as np

from trialkit.series.matched import FloatArray

#: Logarithm of a ratio beyond which a limit bounds nothing: a million times the untreated.
UNBOUNDED = float(np.log(1e6))


def ratio_of(log_ratio: FloatArray) -> FloatArray:
    """Ratios from their logarithms; NaN for a limit so large that nothing bounds it."""
    return np.asarray(np.exp(np.where(log_ratio <= UNBOUNDED, log_ratio, np.nan)))


def percent_of(log_ratio: FloatArray) -> FloatArray:
    """Percent control from the logarithm of what is left; NaN as for `ratio_of`."""
    return np.asarray(100.0 * -np.expm1(np.where(log_ratio <= UNBOUNDED, log_ratio, np.nan)))
