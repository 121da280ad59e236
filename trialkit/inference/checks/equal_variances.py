"""Are treatments equally variable? Tests of variances, and Taylor's power law."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray

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
        F (Levene, Brown-Forsythe) or chi-square (Bartlett, Fligner-Killeen). NaN where it is
        undefined: fewer than two groups with two values, or no spread at all.
    df1 : int
        Groups compared, less one.
    df2 : int
        Values less groups; 0 where the statistic is a chi-square.
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
        if self.df2:
            return np.asarray(special.fdtrc(self.df1, self.df2, self.statistic))
        return np.asarray(special.chdtrc(self.df1, self.statistic))


def bartlett(values: ArrayLike, group: ArrayLike) -> VarianceTest:
    """Test equal variances by Bartlett's chi-square, which takes a normal distribution on trust.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, k)
        Complete values.
    group : array_like of int, shape (n,)
        Group codes from 0.

    Returns
    -------
    VarianceTest
        Undefined where a group has no variance: the statistic would be infinite.

    Notes
    -----
    Bartlett MS 1937, Proceedings of the Royal Society A 160:268-282.
    """
    table, codes, counts = _usable(values, group)
    groups, n = counts.size, table.shape[0]
    if groups < 2 or n - groups < 1:
        return _undefined(table.shape[1], groups)
    centred = table - _group_means(table, codes, counts)[codes]
    dof = (counts - 1)[:, None]
    variances = _group_sums(centred**2, codes, groups) / dof
    scale = np.abs(table).max(axis=0)
    variances[variances <= (_ROUNDING * scale) ** 2] = np.nan
    pooled = (dof * variances).sum(axis=0) / (n - groups)
    # Ratios to the pooled variance keep the logarithms small and exact.
    raw = -(dof * np.log(variances / pooled)).sum(axis=0)
    inflation = 1 + (np.sum(1 / (counts - 1)) - 1 / (n - groups)) / (3 * (groups - 1))
    statistic = raw / inflation
    return _chi_square(statistic, groups)


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


def fligner_killeen(values: ArrayLike, group: ArrayLike) -> VarianceTest:
    """Test equal variances by normal scores of the ranked distances from the group medians.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, k)
        Complete values.
    group : array_like of int, shape (n,)
        Group codes from 0.

    Returns
    -------
    VarianceTest

    Notes
    -----
    Fligner MA and Killeen TJ 1976, Journal of the American Statistical Association 71:210-213
    [reference from memory], in the form with medians and normal scores.
    """
    table, codes, counts = _usable(values, group)
    groups, n = counts.size, table.shape[0]
    if groups < 2 or n - groups < 1:
        return _undefined(table.shape[1], groups)
    distance = np.abs(table - _group_medians(table, codes, counts)[codes])
    # Equal distances must tie though rounding sets them apart in the last digits.
    step = np.maximum(
        _ROUNDING * distance.max(axis=0), 16 * np.finfo(float).eps * np.abs(table).max(axis=0)
    )
    ranks = np.column_stack(
        [_midranks(column, tie) for column, tie in zip(distance.T, step, strict=True)]
    )
    scores = special.ndtri((1 + ranks / (n + 1)) / 2)
    means = _group_means(scores, codes, counts)
    variance = scores.var(axis=0, ddof=1)
    spread = (counts[:, None] * (means - scores.mean(axis=0)) ** 2).sum(axis=0)
    statistic = spread / np.where(variance > 0, variance, np.nan)
    return _chi_square(statistic, groups)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """Taylor's power law: how the variance grows with the mean.

    Attributes
    ----------
    slope : float
        b of ``variance = a * mean ** b``: 0 for constant variance, 1 where the variance keeps
        pace with the mean (Poisson), 2 where the standard deviation does.
    slope_se : float
    lower, upper : float
        95 % interval of the slope by Student's t; NaN with fewer than three cells.
    log10_a : float
    r2 : float
        Share of the variance of log10 variance that the line explains.
    n_cells : int
        Cells behind the line.
    n_left_out : int
        Cells that could not serve: fewer than two values, a mean not above 0, or no variance.
    suggested_power : float
        ``1 - b/2``, the power of the count that would even out the variances; 0 means log.
    cell : ndarray, shape (cells,)
        Codes of all cells with a value.
    n : ndarray, shape (cells,)
    mean, variance : ndarray, shape (cells,)
    used : ndarray of bool, shape (cells,)
    """

    slope: float
    slope_se: float
    lower: float
    upper: float
    log10_a: float
    r2: float
    n_cells: int
    n_left_out: int
    suggested_power: float
    cell: IntArray
    n: IntArray
    mean: FloatArray
    variance: FloatArray
    used: BoolArray


def taylor_power_law(values: ArrayLike, cell: ArrayLike) -> PowerLaw:
    """Fit log10 variance on log10 mean over cells by least squares.

    Parameters
    ----------
    values : array_like, shape (n,)
        Counts as they are; NaN is left out.
    cell : array_like of int, shape (n,)
        Which values belong together, say treatment x day.

    Returns
    -------
    PowerLaw
        Slope NaN with fewer than two usable cells, or all of the same mean.

    Notes
    -----
    Taylor LR 1961, Nature 189:732-735. Variances of few values are rough, and cells without
    variance are left out, which in sparse counts pulls the slope down: a slope below 1 from cells
    of three or four values is weak evidence for anything.
    """
    data = np.asarray(values, dtype=float)
    codes = np.asarray(cell)
    present = ~np.isnan(data)
    data, codes = data[present], codes[present]
    names, codes, counts = np.unique(codes, return_inverse=True, return_counts=True)
    table = data[:, None]
    means = _group_means(table, codes, counts)
    spread = _group_sums((table - means[codes]) ** 2, codes, counts.size)[:, 0]
    variances = np.full(counts.size, np.nan)
    many = counts > 1
    variances[many] = spread[many] / (counts[many] - 1)
    mean = means[:, 0]
    floor = (_ROUNDING * np.abs(mean)) ** 2
    used = many & (mean > 0) & (np.nan_to_num(variances) > floor)
    line = _line(np.log10(mean[used]), np.log10(variances[used]))
    slope, se, intercept, r2 = line
    n_cells = int(used.sum())
    reach = float(special.stdtrit(n_cells - 2, 0.975)) * se if n_cells > 2 else np.nan
    return PowerLaw(
        slope=slope,
        slope_se=se,
        lower=slope - reach,
        upper=slope + reach,
        log10_a=intercept,
        r2=r2,
        n_cells=n_cells,
        n_left_out=int(counts.size - n_cells),
        suggested_power=1 - slope / 2,
        cell=np.asarray(names, dtype=np.intp),
        n=np.asarray(counts, dtype=np.intp),
        mean=mean,
        variance=variances,
        used=used,
    )


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, float, float]:
    """Fit slope, its standard error, intercept and r2; NaN where undefined."""
    undefined = (np.nan, np.nan, np.nan, np.nan)
    if x.size < 2:
        return undefined
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy = float(dx @ dx), float(dy @ dy)
    if sxx <= (_ROUNDING * max(1.0, float(np.abs(x).max()))) ** 2:
        return undefined
    slope = float(dx @ dy) / sxx
    rest = dy - slope * dx
    left = float(rest @ rest)
    se = float(np.sqrt(left / (x.size - 2) / sxx)) if x.size > 2 else np.nan
    r2 = 1 - left / syy if syy > 0 else np.nan
    return slope, se, float(y.mean() - slope * x.mean()), r2


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


def _midranks(values: FloatArray, tie: float) -> FloatArray:
    """Rank from 1; values that follow each other within ``tie`` share the mean of their ranks."""
    order = np.argsort(values, kind="stable")
    apart = np.diff(values[order], prepend=-np.inf) > tie
    run = np.cumsum(apart) - 1
    last = np.cumsum(np.bincount(run))
    first = np.append(0, last[:-1]) + 1
    ranks = np.empty(values.size)
    ranks[order] = ((first + last) / 2)[run]
    return ranks


def _chi_square(statistic: FloatArray, groups: int) -> VarianceTest:
    return VarianceTest(statistic=statistic, df1=groups - 1, df2=0, n_groups=groups)


def _undefined(k: int, groups: int) -> VarianceTest:
    return VarianceTest(
        statistic=np.full(k, np.nan), df1=max(groups - 1, 0), df2=0, n_groups=groups
    )
