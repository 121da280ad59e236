"""When the share that a treatment leaves passes a limit: courses fitted to all assessments.

What is left of the pest, against the untreated, is a line in its logit that falls from a level or
from the first day on, fitted by the deviance of the counts about it. The day on which it passes
the limit has a profile: the least deviance of all lines that pass it on that day. Where no such
line fits, the course is taken as it was seen, made to fall from its best day on.

How often the intervals hold is in tests/benchmarks/persistence.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trialkit.inference.courses.logit_lines import Lines, Shape
from trialkit.inference.courses.ratios import Ratios, Weighed
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray

#: Nodes between the first and the last assessment at which the likelihood is profiled.
_NODES = 33
#: P-value of the lack of fit below which no line is believed.
LACK_OF_FIT = 0.01
#: Deviance of a day that is out of the question.
_FAR = 1e4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Declines:
    """Days on which t groups pass the limit, with their profiles.

    Attributes
    ----------
    nodes : (g,) float array
        Days from the first to the last assessment.
    profile : (t, g + 2) float array
        Deviance less the least: never at the limit, passing it on each node, held to the end.
    day : (t,) float array
        Day of the best fit; -inf where that never holds, inf where it holds to the end.
    fitted : (t, d) float array
        Share left by the best fit.
    p_lack_of_fit : (t,) float array
        That of the line; NaN where it passes through all days.
    shape : (t,) int array
        Which of ``shapes``.
    shapes : tuple of Shape
    monotone : (t,) bool array
        Where no line fits, and the course as seen stands instead.
    influence : (t, d) float array
        Weights of the residuals in the day of the best fit, of variance 1.
    df : float
        Of the variances, and so of the tests.
    """

    nodes: FloatArray
    profile: FloatArray
    day: FloatArray
    fitted: FloatArray
    p_lack_of_fit: FloatArray
    shape: IntArray
    shapes: tuple[Shape, ...]
    monotone: BoolArray
    influence: FloatArray
    df: float


def declines(days: FloatArray, data: Ratios, limit: float) -> Declines:
    """Fit declines of control to all days, and profile the day on which they pass a limit.

    Parameters
    ----------
    days : (d,) float array
        Rising, two or more.
    data : Ratios
    limit : float
        Share left, between 0 and 1, up to which control holds.

    Returns
    -------
    Declines

    Raises
    ------
    ValueError
        When there are fewer than two days, or the limit is no share.
    """
    if days.size < 2 or not 0.0 < limit < 1.0:
        raise ValueError("a decline needs two days and a limit between 0 and 1")
    target = float(np.log(limit / (1.0 - limit)))
    nodes = np.linspace(days[0], days[-1], _NODES)
    found = _of_lines(Lines(days, data, target, nodes), data)
    for group in np.flatnonzero(found.p_lack_of_fit < LACK_OF_FIT):
        seen = data.weighed(np.log(found.fitted))
        found = _as_seen(found, days, seen, int(group), float(np.log(limit)))
    return found


def _of_lines(lines: Lines, data: Ratios) -> Declines:
    free, target = lines.free, lines.target
    best, rows = free.best, np.arange(free.best.size)
    passing = lines.passing()
    first, last = free.level, free.level + free.slope * (lines.days[-1] - lines.hinge)
    least = np.minimum(free.deviance.min(axis=1), passing.min(axis=(1, 2)))
    never = np.where(first > target, free.deviance, passing[:, :, 0]).min(axis=1)
    held = np.where(last <= target, free.deviance, passing[:, :, -1]).min(axis=1)
    profile = np.column_stack([never, passing.min(axis=1), held]) - least[:, None]
    level, slope = free.level[rows, best], free.slope[rows, best]
    with np.errstate(divide="ignore", invalid="ignore"):
        day = lines.hinge[best] + (target - level) / slope
    day = np.clip(np.nan_to_num(day), lines.days[0], lines.days[-1])
    day = np.where(last[rows, best] <= target, np.inf, day)
    day = np.where(level > target, -np.inf, day)
    parameters = np.array([shape.parameters for shape in lines.shapes])[best]
    left = np.maximum(data.known.sum(axis=1) - parameters, 0).astype(float)
    some = np.where(left > 0.0, left, 1.0)
    ratio = (free.deviance[rows, best] - lines.penalty[rows, best]) / some
    p = np.where(left > 0.0, special.fdtrc(some, data.df, np.maximum(ratio, 0.0)), np.nan)
    return Declines(
        nodes=lines.nodes,
        profile=np.maximum(profile, 0.0),
        day=day,
        fitted=np.exp(lines.curve(best)),
        p_lack_of_fit=p,
        shape=best,
        shapes=lines.shapes,
        monotone=np.zeros(day.size, dtype=bool),
        influence=lines.influence(day),
        df=data.df,
    )


def _as_seen(
    found: Declines, days: FloatArray, data: Weighed, group: int, limit: float
) -> Declines:
    """Put the course as seen, made to fall from its best day on, in the place of a line.

    Each day is tested on its own, by the log share between the assessments beside it.
    """
    known = np.flatnonzero(data.known[group])
    share = np.log(np.maximum(data.total[group], 0.5) / data.level[group])[known]
    matrix = data.matrix[group][np.ix_(known, known)]
    when, size = days[known], np.sqrt(np.diagonal(matrix))
    best = int(share.argmin())
    fitted = share.copy()
    fitted[best:] = _rising(share[best:], size[best:] ** -2.0)
    weight = np.maximum(
        0.0, 1.0 - np.abs(_places(when, found.nodes)[:, None] - np.arange(when.size))
    )
    z = (weight @ share - limit) / np.sqrt(np.einsum("gi,ij,gj->g", weight, matrix, weight))
    profile = found.profile.copy()
    profile[group, 1:-1] = np.where(found.nodes >= when[best], z**2, _FAR)
    profile[group, 0] = np.max(np.maximum(limit - share, 0.0) / size) ** 2
    profile[group, -1] = (max(share[-1] - limit, 0.0) / size[-1]) ** 2
    profile[group] -= profile[group].min()
    day = _fall(when, fitted, limit, best)
    at = np.clip(np.nan_to_num(day, posinf=1e9, neginf=-1e9), when[0], when[-1])
    influence, course = found.influence.copy(), found.fitted.copy()
    own = np.maximum(0.0, 1.0 - np.abs(_places(when, np.array([at]))[0] - np.arange(when.size)))
    influence[group] = 0.0
    influence[group, known] = own / np.sqrt(own @ matrix @ own)
    course[group] = np.exp(np.interp(days, when, fitted))
    place = np.arange(found.day.size) == group
    return replace(
        found,
        profile=profile,
        day=np.where(place, day, found.day),
        fitted=course,
        monotone=found.monotone | place,
        influence=influence,
    )


def _places(days: FloatArray, at: FloatArray) -> FloatArray:
    """Places of days among the assessments, in steps between them."""
    found: FloatArray = np.interp(at, days, np.arange(days.size, dtype=float))
    return found


def _rising(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Nearest values that never fall (pool adjacent violators)."""
    pools: list[tuple[float, float, int]] = []
    for value, weight in zip(values, weights, strict=True):
        mean, total, size = float(value), float(weight), 1
        while pools and pools[-1][0] > mean:
            before, more, n = pools.pop()
            mean = (mean * total + before * more) / (total + more)
            total, size = total + more, size + n
        pools.append((mean, total, size))
    return np.repeat([mean for mean, _, _ in pools], [size for _, _, size in pools])


def _fall(days: FloatArray, share: FloatArray, limit: float, best: int) -> float:
    """Day after the best one on which a course passes the limit."""
    if share[best] > limit:
        return -np.inf
    above = np.flatnonzero(share[best:] > limit) + best
    if above.size == 0:
        return np.inf
    j = int(above[0])
    part = (limit - share[j - 1]) / (share[j] - share[j - 1])
    return float(days[j - 1] + part * (days[j] - days[j - 1]))
