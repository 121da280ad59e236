"""Designs with several errors: terms with their own error, means, differences.

A design with main plots and subplots, or with crossed strips, has an error for each size of plot.
Where every plot was counted the analysis goes by strata (sums of squares); where not, by REML. Both
come to one kind of result, for many responses at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.design.layout import Factor, FloatArray, IntArray, Layout
from trialkit.inference.fit import Contrasts, JointTest, Term
from trialkit.inference.normal.degrees_of_freedom import SmallSample, f_probability, kenward_roger
from trialkit.inference.normal.mixed_means import MixedMeans
from trialkit.inference.numerics.quadratic import quadratic_forms

MeanKind = Literal["main", "sub", "main:sub"]
DifferenceKind = Literal["main", "sub", "sub in main", "main in sub", "all"]
DIFFERENCE_KINDS: tuple[DifferenceKind, ...] = ("main", "sub", "sub in main", "main in sub")
COMBINATIONS = (
    "F and p are those of all combinations of main factor and sub factor together, over both "
    "errors, with degrees of freedom after Kenward and Roger"
)
_NO_VARIATION = "the plots do not vary, so there is nothing to test against"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FactorMeans:
    """Least-squares means.

    Attributes
    ----------
    kind : str
        ``main``, ``sub`` or ``main:sub``.
    main, sub : (m,) int array
        Levels; -1 where averaged over.
    mean, se, df : (m, k) array
    """

    kind: MeanKind
    main: IntArray
    sub: IntArray
    mean: FloatArray
    se: FloatArray
    df: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Differences:
    """Differences of two means, ``a`` minus ``b``.

    Attributes
    ----------
    kind : str
        ``main``, ``sub``, ``sub in main`` (two subs in one main), ``main in sub`` (two mains
        at one sub) or ``all`` pairs of combinations.
    a, b : (p, 2) int array
        Main and sub level; -1 where averaged over.
    difference, se, df, p : (p, k) array
        ``df`` after Satterthwaite where two errors mix; ``p`` two-sided and unadjusted.
    """

    kind: DifferenceKind
    a: IntArray
    b: IntArray
    difference: FloatArray
    se: FloatArray
    df: FloatArray
    p: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stratum:
    """One error: mean square (k,), degrees of freedom, and its share in the means.

    The covariance of the combination means is the sum over strata of ``mean_sq * unit_cov``.
    """

    source: str
    df: int
    mean_sq: FloatArray
    unit_cov: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrataCells:
    """Combination means (c, k') of responses analysed by strata; ``columns`` are theirs."""

    columns: IntArray
    means: FloatArray
    strata: tuple[Stratum, ...]

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate contrasts (q, c) of the combinations: arrays (q, k')."""
        lost = np.isnan(self.means).any(axis=1)
        touched = (rows[:, lost] != 0).any(axis=1)
        estimate = rows @ np.where(np.isnan(self.means), 0.0, self.means)
        variance, spread = np.zeros_like(estimate), np.zeros_like(estimate)
        for stratum in self.strata:
            unit = np.where(np.isnan(stratum.unit_cov), 0.0, stratum.unit_cov)
            share = quadratic_forms(rows, unit)
            share[np.abs(share) < 1e-12 * (rows**2).sum(axis=1) * np.abs(unit).max()] = 0.0
            if not share.any():
                continue
            part = np.where(share[:, None] == 0, 0.0, np.outer(share, stratum.mean_sq))
            variance += part
            spread += part**2 / stratum.df if stratum.df > 0 else np.full_like(part, np.nan)
        variance = np.where(variance > 0, variance, np.nan)
        with np.errstate(invalid="ignore", divide="ignore"):
            df = variance**2 / spread
        estimate[touched], variance[touched], df[touched] = np.nan, np.nan, np.nan
        return Contrasts(estimate=estimate, se=np.sqrt(variance), df=df)

    def joint(self, rows: FloatArray, j: int) -> tuple[float, float] | None:
        """F and its denominator df of contrasts (q, c) of one response; None where undefined.

        The mean squares of the strata are the variance parameters of Kenward and Roger's F.
        """
        lost = np.isnan(self.means[:, j])
        if (rows[:, lost] != 0).any():
            return None
        used = []
        for stratum in self.strata:
            unit = np.where(np.isnan(stratum.unit_cov), 0.0, stratum.unit_cov)
            mean_sq = float(stratum.mean_sq[j])
            share = quadratic_forms(rows, unit)
            if share.max() <= 1e-12 * float((rows**2).sum(axis=1).max()) * np.abs(unit).max():
                continue
            if stratum.df <= 0 or not mean_sq > 0:
                return None
            used.append((unit, mean_sq, stratum.df))
        if not used:
            return None
        phi = np.sum([unit * mean_sq for unit, mean_sq, _ in used], axis=0)
        spread = np.diag([2.0 * mean_sq**2 / df for _, mean_sq, df in used])
        small = SmallSample(
            phi=phi,
            adjusted=phi,
            slope=np.stack([unit for unit, _, _ in used]),
            expected=spread,
            observed=spread,
        )
        return kenward_roger(rows, np.where(lost, 0.0, self.means[:, j]), small)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemlCells:
    """Combination means of one response analysed by REML; ``means`` None where it failed."""

    columns: IntArray
    means: MixedMeans | None

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate contrasts (q, c) of the combinations: arrays (q, 1)."""
        if self.means is not None:
            return self.means.contrasts(rows)
        nothing = np.full((len(rows), 1), np.nan)
        return Contrasts(estimate=nothing, se=nothing, df=nothing)

    def joint(self, rows: FloatArray, _: int) -> tuple[float, float] | None:
        """F and its denominator df of contrasts (q, c); None where undefined."""
        if self.means is None:
            return None
        test = self.means.joint(rows)
        return (test.F, test.df_error) if test.df == len(rows) else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StratifiedFit:
    """An analysis of ``k`` responses of a layout with units larger than a plot.

    Attributes
    ----------
    layout : Layout
    terms : tuple of Term
        With one entry a response in every array.
    path : (k,) array of str
        ``strata`` or ``reml``.
    note : (k,) array of str
        Why a response was analysed by REML, or could not be analysed; else ''.
    components : mapping of str to (k,) array
        Variance components by name of the units, and ``error``; those that sums of squares put
        below zero are zero.
    n : (levels of each factor, k) array
        Observations of each combination.
    grand_mean : (k,) array
    """

    layout: Layout
    terms: tuple[Term, ...]
    path: np.ndarray
    note: np.ndarray
    components: Mapping[str, FloatArray]
    n: IntArray
    grand_mean: FloatArray
    _cells: tuple[StrataCells | RemlCells, ...]

    @property
    def columns(self) -> IntArray:
        """All responses."""
        return np.arange(len(self.grand_mean))

    @property
    def n_means(self) -> int:
        """How many combinations of the factors there are."""
        return self.layout.n_cells

    @property
    def ms_error(self) -> FloatArray:
        """Error of plots inside larger units (k,)."""
        return self.components["error"]

    def term(self, source: str) -> Term:
        """Line of one source."""
        return next(t for t in self.terms if t.source == source)

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, c) of the means of combinations (`Layout.cells`)."""
        q, k = len(rows), len(self.grand_mean)
        estimate, se, df = (np.full((q, k), np.nan) for _ in range(3))
        for cells in self._cells:
            where = np.ix_(np.arange(q), cells.columns)
            found = cells.contrasts(rows)
            estimate[where], se[where], df[where] = found.estimate, found.se, found.df
        empty = ~rows.any(axis=1)
        estimate[empty], se[empty], df[empty] = np.nan, np.nan, np.nan
        return Contrasts(estimate=estimate, se=se, df=df)

    def covariance(self, rows: FloatArray) -> None:
        """Nothing: several errors mix."""

    def joint(self, rows: FloatArray) -> JointTest:
        """Test linearly independent contrasts (q, c) together, whatever errors they mix.

        Notes
        -----
        Kenward and Roger's scaled F (Biometrics 53:983-997, 1997; reference from memory); exact
        where the contrasts lie in one stratum.
        """
        q, k = len(rows), len(self.grand_mean)
        df_error, F, p = (np.full(k, np.nan) for _ in range(3))
        for cells in self._cells:
            for j, column in enumerate(cells.columns):
                found = cells.joint(rows, j)
                if found is not None:
                    F[column], df_error[column] = found
                    p[column] = f_probability(F[column], q, df_error[column])
        return JointTest(df=q, df_error=df_error, F=F, p=p, note=np.full(k, "", dtype=object))

    def overall(self, rows: FloatArray) -> JointTest:
        """Test that all means (t, c) with a value are alike; by patterns of lost means."""
        k = len(self.grand_mean)
        seen = ~np.isnan(self.contrasts(rows).estimate)
        df_error, F, p = (np.full(k, np.nan) for _ in range(3))
        for known in np.unique(seen, axis=1).T:
            size = int(known.sum())
            if size > 1:
                found = self.joint(Factor("", np.arange(size), size).coding.T @ rows[known])
                own = (seen == known[:, None]).all(axis=0)
                df_error[own], F[own], p[own] = found.df_error[own], found.F[own], found.p[own]
        texts = [
            "; ".join(part for part in (text, COMBINATIONS) if part)
            if np.isfinite(value)
            else text or _NO_VARIATION
            for text, value in zip(self.note, F, strict=True)
        ]
        df = np.maximum(seen.sum(axis=0) - 1.0, 0.0)
        return JointTest(df=df, df_error=df_error, F=F, p=p, note=np.array(texts, dtype=object))

    def means(self, kind: MeanKind) -> FactorMeans:
        """Least-squares means of mains, subs or combinations; the other factor weighted equally."""
        rows, main, sub = self.mean_rows(kind)
        found = self.contrasts(rows)
        return FactorMeans(
            kind=kind, main=main, sub=sub, mean=found.estimate, se=found.se, df=found.df
        )

    def differences(self, kind: DifferenceKind) -> Differences:
        """Compare all pairs of means of one kind."""
        mean_kind: MeanKind = kind if kind in ("main", "sub") else "main:sub"
        rows, main, sub = self.mean_rows(mean_kind)
        i, j = np.triu_indices(len(rows), 1)
        if kind == "sub in main":
            chosen = main[i] == main[j]
        elif kind == "main in sub":
            chosen = sub[i] == sub[j]
        else:
            chosen = np.ones(len(i), dtype=bool)
        i, j = i[chosen], j[chosen]
        found = self.contrasts(rows[i] - rows[j])
        levels = np.column_stack([main, sub])
        return Differences(
            kind=kind,
            a=levels[i],
            b=levels[j],
            difference=found.estimate,
            se=found.se,
            df=found.df,
            p=two_sided(found.estimate / found.se, found.df),
        )

    def standard_errors(self) -> dict[DifferenceKind, tuple[FloatArray, FloatArray]]:
        """The four kinds of standard error of a difference, with degrees of freedom, each (k,).

        Where pairs differ (plots are missing) the root mean square of the standard errors and
        the harmonic mean of the degrees of freedom.
        """
        out: dict[DifferenceKind, tuple[FloatArray, FloatArray]] = {}
        for kind in DIFFERENCE_KINDS:
            d = self.differences(kind)
            known = ~np.isnan(d.se)
            count = np.where(known.any(axis=0), known.sum(axis=0), np.nan)
            se = np.sqrt(np.where(known, d.se**2, 0.0).sum(axis=0) / count)
            inverse = np.where(known, 1.0 / d.df, 0.0).sum(axis=0) / count
            out[kind] = (se, 1.0 / inverse)
        return out

    def mean_rows(self, kind: str) -> tuple[FloatArray, IntArray, IntArray]:
        """Coefficients (m, c) of means of one kind, with their levels (-1: averaged over)."""
        a, b = (item.n_levels for item in self.layout.factors)
        cells = np.eye(a * b).reshape(a, b, a * b)
        if kind == "main":
            return cells.mean(axis=1), np.arange(a), np.full(a, -1)
        if kind == "sub":
            return cells.mean(axis=0), np.full(b, -1), np.arange(b)
        if kind == "main:sub":
            return cells.reshape(-1, a * b), np.repeat(np.arange(a), b), np.tile(np.arange(b), a)
        raise ValueError("kind is main, sub or main:sub")


def two_sided(t: FloatArray, df: FloatArray) -> FloatArray:
    """Two-sided p of t."""
    return np.asarray(2.0 * special.stdtr(df, -np.abs(t)))
