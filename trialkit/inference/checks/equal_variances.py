"""Are treatments equally variable? Tests of variances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray

# Spread below this share of the size of the values is rounding.
_ROUNDING: Final = 1e-10
# Values a group up to which exchanging neighbours is quicker than a sort.
_FEW: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceTest:
    """One test of equal variances for each response.

    Attributes
    ----------
    statistic : ndarray, shape (k,)
        F of Levene, or of Brown and Forsythe. NaN where it is undefined: fewer than two groups with
        two values, or no spread at all.
    df1 : int
        Groups compared, less one.
    df2 : int
        Values less groups.
    n_groups : int
        Groups that could be compared; groups of a single value are left out.
    """

    statistic: FloatArray
    df1: int
    df2: int
    n_groups: int

    @property
    def p(self) -> FloatArray:
        """Tabulated p (k,); NaN where the statistic is undefined."""
        return np.asarray(special.fdtrc(self.df1, self.df2, self.statistic))


def levene(
    values: ArrayLike, group: ArrayLike, *, center: Literal["median", "mean"] = "median"
) -> VarianceTest:
    """Test equal variances by an analysis of variance of the distances from the group's centre.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, k)
        Complete values, or residuals of a design.
    group : array_like of int, shape (n,)
        Group codes from 0.
    center : {"median", "mean"}
        The median makes it the test of Brown and Forsythe, which stands long tails; the mean
        is Levene's own.

    Returns
    -------
    VarianceTest

    Notes
    -----
    Levene H 1960, in Contributions to Probability and Statistics, Stanford, 278-292 [pages from
    memory]; Brown MB and Forsythe AB 1974, Journal of the American Statistical Association
    69:364-367. With three to six values a group the p-values of the F table are far off (the
    median form hardly ever rejects with an odd number a group, the mean form too often);
    `trialkit.inference.checks.diagnose.diagnose` brings p-values that hold for the layout.
    """
    table, codes, counts = _usable(values, group)
    groups, n = counts.size, table.shape[0]
    if groups < 2 or n - groups < 1:
        return _undefined(table.shape[1], groups)
    if center == "median":
        centre = _group_medians(table, codes, counts)
    else:
        centre = _group_means(table, codes, counts)
    distance = np.abs(table - centre[codes])
    means = _group_means(distance, codes, counts)
    grand = distance.mean(axis=0)
    between = (counts[:, None] * (means - grand) ** 2).sum(axis=0) / (groups - 1)
    within = ((distance - means[codes]) ** 2).sum(axis=0) / (n - groups)
    floor = (_ROUNDING * np.abs(table).max(axis=0)) ** 2
    statistic = between / np.where(within > floor, within, np.nan)
    return VarianceTest(statistic=statistic, df1=groups - 1, df2=n - groups, n_groups=groups)


def _usable(values: ArrayLike, group: ArrayLike) -> tuple[FloatArray, IntArray, IntArray]:
    """Give the values as a table and drop groups of one; codes then run without gaps."""
    table = np.asarray(values, dtype=float)
    if table.ndim == 1:
        table = table[:, None]
    if not np.isfinite(table).all():
        raise ValueError("a test of variances needs complete, finite values")
    codes = np.asarray(group, dtype=np.intp)
    if codes.shape != table.shape[:1]:
        raise ValueError("one group code for each row of values is needed")
    sizes = np.bincount(codes, minlength=1)
    keep = sizes[codes] > 1
    _, codes, counts = np.unique(codes[keep], return_inverse=True, return_counts=True)
    return table[keep], codes.astype(np.intp), counts.astype(np.intp)


def _group_sums(table: FloatArray, codes: IntArray, groups: int) -> FloatArray:
    member = np.zeros((groups, codes.size))
    member[codes, np.arange(codes.size)] = 1.0
    return member @ table


def _group_means(table: FloatArray, codes: IntArray, counts: IntArray) -> FloatArray:
    first = _group_sums(table, codes, counts.size) / counts[:, None]
    # What the first pass missed is added, so that a large offset costs no digits.
    means: FloatArray = (
        first + _group_sums(table - first[codes], codes, counts.size) / (counts[:, None])
    )
    return means


def _group_medians(table: FloatArray, codes: IntArray, counts: IntArray) -> FloatArray:
    medians = np.empty((counts.size, table.shape[1]))
    home, ends = np.argsort(codes, kind="stable"), np.cumsum(counts)
    for size in np.unique(counts):
        groups = np.flatnonzero(counts == size)
        ordered = _in_order([table[home[ends[groups] - size + i]] for i in range(size)])
        low, high = ordered[(size - 1) // 2], ordered[size // 2]
        medians[groups] = low if size % 2 else (low + high) / 2
    return medians


def _in_order(values: list[FloatArray]) -> Sequence[FloatArray]:
    """Put tables in ascending order, entry by entry."""
    if len(values) > _FEW:
        return list(np.sort(values, axis=0))
    for turn in range(len(values)):
        # Neighbours change places; in as many turns as there are values all find theirs.
        for i in range(turn % 2, len(values) - 1, 2):
            low, high = values[i], values[i + 1]
            values[i], values[i + 1] = np.minimum(low, high), np.maximum(low, high)
    return values


def _undefined(k: int, groups: int) -> VarianceTest:
    return VarianceTest(
        statistic=np.full(k, np.nan), df1=max(groups - 1, 0), df2=0, n_groups=groups
    )
