"""Duncan's levels and critical ranges, by the function that the procedure itself uses."""

import numpy as np
from scipy import optimize

from trialkit.inference.comparisons.stepwise import range_p


def duncan_sf(q, n_means: int, df: float):
    """Level at which a range of so many means is called significant."""
    q = np.asarray(q, dtype=float)
    known = np.atleast_1d(np.where(np.isnan(q), 0.0, q))
    p = range_p(known, np.full(known.shape, n_means), df, duncan=True).reshape(q.shape)
    return np.where(np.isnan(q), np.nan, p)


def duncan_isf(alpha: float, n_means: int, df: float) -> float:
    """Range of so many means that is significant at a level."""
    return float(
        optimize.brentq(
            lambda q: float(duncan_sf(q, n_means, df)) - alpha, 1e-6, 2e3, xtol=1e-14, rtol=1e-15
        )
    )
