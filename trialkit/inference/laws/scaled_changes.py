"""Limits of a share times a relative change, each known with an error of its own."""

from __future__ import annotations

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.laws.log_laws import LogLaw

#: Even chances of the change, steps of the tables, and spreads of the share that they reach to.
_CHANCES, _STEPS, _WIDE = 500, 250, 8.0


def change_limits(
    share: LogLaw, change: tuple[float, float, float], alpha: float, *, most: float
) -> tuple[float, float]:
    """Central interval of ``share * (exp(slope) - 1)``.

    Parameters
    ----------
    share : LogLaw
        Of one positive number.
    change : float, float, float
        Slope, its standard error and degrees of freedom (Student); independent of the share.
    alpha : float
    most : float
        Slopes beyond this, to either side, are taken for it.

    Returns
    -------
    lower, upper : float
        NaN where the share has no law.
    """
    slope, se, df = change
    if not (np.isfinite(share.centre) and np.isfinite(se)):
        return float("nan"), float("nan")
    chances = (np.arange(_CHANCES) + 0.5) / _CHANCES
    slopes = np.clip(slope + se * special.stdtrit(df, chances), -most, most)
    grown = np.expm1(slopes)
    tables = _scores(share)
    low, high = (_quantile(tables, grown, part) for part in (alpha / 2.0, 1.0 - alpha / 2.0))
    return low, high


def _scores(share: LogLaw) -> tuple[FloatArray, FloatArray]:
    """Logarithms of the share, and their normal scores."""
    mean, spread, _ = share.placed()
    x = np.linspace(float(mean - _WIDE * spread), float(mean + _WIDE * spread), _STEPS)
    scores = np.maximum.accumulate(special.ndtri(share.shares(x)))
    return x + float(share.centre), np.asarray(scores)


def _quantile(tables: tuple[FloatArray, FloatArray], grown: FloatArray, part: float) -> float:
    """Value below which a part lies: that of the losses, or that of the gains beyond the rest."""
    loses, gains = grown[grown < 0.0], grown[grown > 0.0]
    below, rest = loses.size / grown.size, gains.size / grown.size
    if part < below:
        # A loss is below a value where its size is above that of the value.
        return -_size(tables, -loses, 1.0 - part / below)
    if part > 1.0 - rest:
        return _size(tables, gains, (part - (1.0 - rest)) / rest)
    return 0.0


def _size(tables: tuple[FloatArray, FloatArray], factors: FloatArray, part: float) -> float:
    """Value below which a part of the share times one of the factors lies."""
    logs, scores = tables
    moved = np.log(factors)
    x = np.linspace(logs[0] + moved.min(), logs[-1] + moved.max(), _STEPS)
    place = (x[:, None] - moved - logs[0]) / (logs[1] - logs[0])
    node = np.clip(place.astype(np.intp), 0, logs.size - 2)
    score = scores[node] + np.clip(place - node, 0.0, 1.0) * (scores[node + 1] - scores[node])
    found = special.ndtri(np.clip(special.ndtr(score).mean(axis=1), 1e-12, 1.0 - 1e-12))
    return float(np.exp(np.interp(special.ndtri(part), found, x)))
