"""P-values and critical values of families of comparisons, with one df or with one for each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev
from scipy import special

from trialkit.inference.comparisons import adjust
from trialkit.inference.comparisons.distributions import (
    studentized_range_isf,
    studentized_range_sf,
)
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.design.layout import FloatArray

_SQRT2 = float(np.sqrt(2.0))
# Degrees of freedom in one response up to which each gets a table of its own; where there are
# more, p is interpolated over so many Chebyshev nodes in 1 / df (largest error in tests: 1e-8).
_MOST_TABLES = 4
_NODES = 9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Family:
    """All pairs that can be compared, and what they share.

    Attributes
    ----------
    t : (p, k) array
        Size of t of each pair; NaN where it can't be tested.
    df : float or (p, k) array
        One for all, or that of each pair.
    alpha : float
    n_means : (k,) array
        How many means stand in the family of each response.
    """

    t: FloatArray
    df: float | FloatArray
    alpha: float
    n_means: FloatArray

    def solve(self, method: Method) -> tuple[FloatArray, FloatArray]:
        """P-values, and critical t of the intervals (NaN where there are none)."""
        t, df, alpha = self.t, self.df, self.alpha
        # Pairs that can be compared make up the family.
        n_pairs = np.maximum((~np.isnan(t)).sum(axis=0), 1)
        if method is Method.TUKEY:
            return self._ranges()
        if method is Method.SCHEFFE:
            between = np.maximum(self.n_means - 1.0, 1.0)
            p = f_sf(between, df, t**2 / between)
            return p, np.sqrt(between * f_critical(alpha, between, df))
        p = two_sided_t(t, df)
        if method is Method.LSD:
            return p, t_critical(alpha, df)
        if method is Method.BONFERRONI:
            return adjust.bonferroni(p), t_critical(alpha / n_pairs, df)
        if method is Method.SIDAK:
            single = -np.expm1(np.log1p(-alpha) / n_pairs)
            return adjust.sidak(p), t_critical(single, df)
        if method is Method.HOLM:
            return adjust.holm(p), np.array(np.nan)
        return adjust.false_discovery_rate(p), np.array(np.nan)

    def _ranges(self) -> tuple[FloatArray, FloatArray]:
        """Tukey's studentized range, after Kramer where plots are unequal."""
        if np.ndim(self.df) == 0:
            m, nu = int(self.n_means.max(initial=2)), float(self.df)
            p = studentized_range_sf(self.t * _SQRT2, m, nu)
            return p, np.array(studentized_range_isf(self.alpha, m, nu)) / _SQRT2
        p, critical = np.full(self.t.shape, np.nan), np.full(self.t.shape, np.nan)
        own = np.broadcast_to(self.df, self.t.shape)
        for j, m in enumerate(self.n_means):
            live = ~np.isnan(self.t[:, j])
            if live.any():
                q, df = self.t[live, j] * _SQRT2, own[live, j]
                p[live, j], limits = ranges_of_own_df(q, int(m), df, self.alpha)
                critical[live, j] = limits / _SQRT2
        return p, critical


def ranges_of_own_df(
    q: FloatArray, n_means: int, df: FloatArray, alpha: float
) -> tuple[FloatArray, FloatArray]:
    """P (m,) of studentized ranges (m,), each with its df, and their critical values at alpha."""
    _, first, place = np.unique(np.round(1.0 / df, 12), return_index=True, return_inverse=True)
    found = df[first]
    if found.size <= _MOST_TABLES:
        p, limits = np.empty(q.shape), np.empty(found.size)
        for i, nu in enumerate(found):
            p[place == i] = studentized_range_sf(q[place == i], n_means, float(nu))
            limits[i] = float(studentized_range_isf(alpha, n_means, float(nu)))
        return p, limits[place]
    low, high = 1.0 / found.max(), 1.0 / found.min()
    nodes = chebyshev.chebpts1(_NODES)
    at = [float(2.0 / (low + high + (high - low) * node)) for node in nodes]
    tails = np.array([studentized_range_sf(q, n_means, nu) for nu in at])
    limits = np.array([float(studentized_range_isf(alpha, n_means, nu)) for nu in at])
    x = (2.0 / df - low - high) / (high - low)
    basis = chebyshev.chebvander(x, _NODES - 1) @ np.linalg.inv(
        chebyshev.chebvander(nodes, _NODES - 1)
    )
    p = np.exp((basis * np.log(np.maximum(tails, 1e-300)).T).sum(axis=1))
    return np.minimum(p, 1.0), basis @ limits


def f_sf(
    df_numerator: float | FloatArray, df_denominator: float | FloatArray, f: FloatArray
) -> FloatArray:
    """Chance that F exceeds ``f``; also for infinitely many degrees of freedom."""
    endless = np.isinf(df_denominator)
    exact = special.fdtrc(df_numerator, np.where(endless, 1.0, df_denominator), f)
    return np.where(endless, special.chdtrc(df_numerator, df_numerator * f), exact)


def f_critical(
    alpha: float, df_numerator: float | FloatArray, df_denominator: float | FloatArray
) -> FloatArray:
    """Value that F exceeds with chance ``alpha``."""
    endless = np.isinf(df_denominator)
    exact = special.fdtri(df_numerator, np.where(endless, 1.0, df_denominator), 1.0 - alpha)
    return np.where(endless, special.chdtri(df_numerator, alpha) / df_numerator, exact)


def two_sided_t(t: FloatArray, df: float | FloatArray) -> FloatArray:
    """Chance that Student's t exceeds ``t`` in size."""
    endless = np.isinf(df)
    exact = special.stdtr(np.where(endless, 1.0, df), -np.abs(t))
    return np.where(endless, 2.0 * special.ndtr(-np.abs(t)), 2.0 * exact)


def t_critical(alpha: float | FloatArray, df: float | FloatArray) -> FloatArray:
    """Value that Student's t exceeds in size with chance ``alpha``; NaN without df above 0."""
    endless = np.isinf(df)
    usable = np.where(endless, 1.0, np.where(np.asarray(df) > 0, df, np.nan))
    exact = -special.stdtrit(usable, np.asarray(alpha) / 2.0)
    return np.where(endless, -special.ndtri(np.asarray(alpha) / 2.0), exact)
