"""P-values of procedures of comparison, through scipy and statsmodels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy import stats

_FAMILIES = {"bonferroni": "bonferroni", "sidak": "sidak", "holm": "holm", "fdr": "fdr_bh"}
#: Decimals at which means are taken for equal, whose order means nothing.
_TIED = 11


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Differences of one response.

    Attributes
    ----------
    names : list of tuple of str
        The pairs.
    t : float array
        Difference over its standard error.
    covariance : float array
        Of the differences.
    means : mapping of str to float
        Means on the scale of analysis.
    df : float
        Degrees of freedom of error.
    """

    names: Sequence[tuple[str, str]]
    t: Any
    covariance: Any
    means: Mapping[str, float]
    df: float


def adjusted(method: str, pairs: Pairs) -> Any:
    """P-values as a procedure gives them; None where general libraries do not have it."""
    from statsmodels.stats.multitest import multipletests

    alone = 2 * stats.t.sf(np.abs(pairs.t), pairs.df)
    k = len(pairs.means)
    if method == "tukey":
        return stats.studentized_range.sf(np.abs(pairs.t) * np.sqrt(2), k, pairs.df)
    if method in {"lsd", "none"}:
        return alone
    if method == "scheffe":
        return stats.f.sf(pairs.t**2 / (k - 1), k - 1, pairs.df)
    if method == "dunnett":
        return _dunnett(pairs)
    if method in {"snk", "duncan"}:
        return _stepwise(pairs, duncan=method == "duncan")
    if method in _FAMILIES and len(alone) == k * (k - 1) // 2:
        with np.errstate(divide="ignore"):  # p of 1 has no logarithm of its complement
            return multipletests(alone, method=_FAMILIES[method])[1]
    return None


def _dunnett(pairs: Pairs) -> Any:
    """Dunnett's p-values from the multivariate t distribution."""
    deviation = np.sqrt(np.diag(pairs.covariance))
    shape = pairs.covariance / np.outer(deviation, deviation)
    df: Any = pairs.df  # any number above 0 serves, whatever is declared
    joint = stats.multivariate_t(shape=shape, df=df, allow_singular=True, seed=1)
    ends = [np.full(len(pairs.t), size) for size in np.abs(pairs.t)]
    return np.array([1 - joint.cdf(end, lower_limit=-end, random_state=1) for end in ends])


def _stepwise(pairs: Pairs, *, duncan: bool) -> Any:
    """Ranges of ordered means: that of a pair, and the largest p of all that hold it."""
    size = {name: abs(t) * np.sqrt(2) for name, t in zip(pairs.names, pairs.t, strict=True)}
    size |= {(b, a): q for (a, b), q in size.items()}
    rounded = {name: round(mean, _TIED) for name, mean in pairs.means.items()}
    order = sorted(rounded.values())
    raw = {}
    for a, b in combinations(pairs.means, 2):
        low, high = sorted((rounded[a], rounded[b]))
        means = sum(low <= value <= high for value in order)
        raw[a, b] = 1.0 if low == high else _range_p(size[a, b], means, pairs.df, duncan=duncan)
    held = []
    for a, b in pairs.names:
        low, high = sorted((rounded[a], rounded[b]))
        wider = [
            p
            for (one, other), p in raw.items()
            if min(rounded[one], rounded[other]) <= low
            and max(rounded[one], rounded[other]) >= high
        ]
        held.append(1.0 if low == high else max(wider))
    return np.array(held)


def _range_p(q: float, means: int, df: float, *, duncan: bool) -> float:
    if not duncan:
        return float(stats.studentized_range.sf(q, means, df))
    tails = [
        1 - (1 - stats.studentized_range.sf(q, number, df)) ** (1 / (number - 1))
        for number in range(2, means + 1)
    ]
    return float(max(tails))
