"""Designs with several errors: terms with their own error, means, differences.

A design with main plots and subplots, or with crossed strips, has an error for each size of plot.
Where every plot was counted the analysis goes by strata (sums of squares); where not, by REML. Both
come to one kind of result, for many responses at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.normal.linear import ZERO_ULPS
from trialkit.inference.normal.mixed import MixedFit

MeanKind = Literal["main", "sub", "main:sub"]
DifferenceKind = Literal["main", "sub", "sub in main", "main in sub", "all"]
DIFFERENCE_KINDS: tuple[DifferenceKind, ...] = ("main", "sub", "sub in main", "main in sub")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StratumTerm:
    """One line of an analysis of variance with several errors, for ``k`` responses.

    Attributes
    ----------
    source : str
    error : str or None
        Source of the error it is tested against; None for an error.
    df, df_error : (k,) array
        Numerator and denominator; fractional where REML was used, and NaN for the errors then.
    sum_sq, mean_sq : (k,) array
        NaN where REML was used.
    F, p : (k,) array
        NaN for errors and where undefined.
    """

    source: str
    error: str | None
    df: FloatArray
    df_error: FloatArray
    sum_sq: FloatArray
    mean_sq: FloatArray
    F: FloatArray
    p: FloatArray


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

    def contrasts(self, rows: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Estimate, standard error and degrees of freedom (q, k') of contrasts (q, c)."""
        lost = np.isnan(self.means).any(axis=1)
        touched = (rows[:, lost] != 0).any(axis=1)
        estimate = rows @ np.where(np.isnan(self.means), 0.0, self.means)
        variance, spread = np.zeros_like(estimate), np.zeros_like(estimate)
        for stratum in self.strata:
            unit = np.where(np.isnan(stratum.unit_cov), 0.0, stratum.unit_cov)
            share = np.einsum("qi,ij,qj->q", rows, unit, rows)
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
        return estimate, np.sqrt(variance), df

    def cochran_cox(self, rows: FloatArray, alpha: float) -> FloatArray:
        """Two-sided critical values (q, k') as means of the t of the errors, weighted by variance.

        Cochran WG & Cox GM 1957, Experimental Designs, 2nd ed. (reference from memory).
        """
        total = np.zeros((len(rows), self.means.shape[1]))
        weighted = np.zeros_like(total)
        for stratum in self.strata:
            unit = np.where(np.isnan(stratum.unit_cov), 0.0, stratum.unit_cov)
            share = np.einsum("qi,ij,qj->q", rows, unit, rows)
            part = np.outer(np.where(np.abs(share) < 1e-12, 0.0, share), stratum.mean_sq)
            t = float(special.stdtrit(stratum.df, 1.0 - alpha / 2.0)) if stratum.df > 0 else np.nan
            total += part
            weighted += np.where(part == 0, 0.0, part * t)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(weighted / total)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemlCells:
    """Combination means of one response analysed by REML; ``fit`` None where it failed."""

    columns: IntArray
    fit: MixedFit | None

    def contrasts(self, rows: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Estimate, standard error and degrees of freedom (q, 1) of contrasts (q, c)."""
        if self.fit is None:
            nothing = np.full((len(rows), 1), np.nan)
            return nothing, nothing.copy(), nothing.copy()
        _, grid = self.fit.model.grid(("main", "sub"))
        out = self.fit.contrasts(rows @ grid)
        return out.estimate[:, None], out.se[:, None], out.df[:, None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StratifiedFit:
    """A split-plot or strip-plot analysis of ``k`` responses.

    Attributes
    ----------
    design : str
        ``split-plot`` or ``strip-plot``.
    terms : tuple of StratumTerm
    path : (k,) array of str
        ``strata`` or ``reml``.
    note : (k,) array of str
        Why a response was analysed by REML, or could not be analysed; else ''.
    components : mapping of str to (k,) array
        Variance components; those that sums of squares put below zero are zero.
    n_main, n_sub : int
        Levels of the factors.
    n : (n_main, n_sub, k) array
        Observations of each combination.
    grand_mean : (k,) array
    """

    design: Literal["split-plot", "strip-plot"]
    terms: tuple[StratumTerm, ...]
    path: np.ndarray
    note: np.ndarray
    components: Mapping[str, FloatArray]
    n_main: int
    n_sub: int
    n: IntArray
    grand_mean: FloatArray
    _cells: tuple[StrataCells | RemlCells, ...]

    def term(self, source: str) -> StratumTerm:
        """Line of one source."""
        return next(t for t in self.terms if t.source == source)

    @property
    def cv_percent(self) -> dict[str, FloatArray]:
        """Coefficient of variation of each error in percent, for responses with sums of squares."""
        out = {}
        for term in self.terms:
            if term.error is None:
                with np.errstate(invalid="ignore", divide="ignore"):
                    cv = 100.0 * np.sqrt(term.mean_sq) / self.grand_mean
                out[term.source] = np.where(self.grand_mean > 0, cv, np.nan)
        return out

    def contrasts(self, rows: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Contrasts of combination means.

        Parameters
        ----------
        rows : (q, n_main * n_sub)
            Coefficients, the sub level running fastest.

        Returns
        -------
        estimate, standard error, degrees of freedom, each (q, k)
        """
        q, k = len(rows), len(self.grand_mean)
        estimate, se, df = (np.full((q, k), np.nan) for _ in range(3))
        for cells in self._cells:
            where = np.ix_(np.arange(q), cells.columns)
            estimate[where], se[where], df[where] = cells.contrasts(rows)
        return estimate, se, df

    def means(self, kind: MeanKind) -> FactorMeans:
        """Least-squares means of mains, subs or combinations; the other factor weighted equally."""
        rows, main, sub = self._mean_rows(kind)
        mean, se, df = self.contrasts(rows)
        return FactorMeans(kind=kind, main=main, sub=sub, mean=mean, se=se, df=df)

    def differences(self, kind: DifferenceKind) -> Differences:
        """Compare all pairs of means of one kind."""
        mean_kind: MeanKind = kind if kind in ("main", "sub") else "main:sub"
        rows, main, sub = self._mean_rows(mean_kind)
        i, j = np.triu_indices(len(rows), 1)
        if kind == "sub in main":
            chosen = main[i] == main[j]
        elif kind == "main in sub":
            chosen = sub[i] == sub[j]
        else:
            chosen = np.ones(len(i), dtype=bool)
        i, j = i[chosen], j[chosen]
        difference, se, df = self.contrasts(rows[i] - rows[j])
        levels = np.column_stack([main, sub])
        return Differences(
            kind=kind,
            a=levels[i],
            b=levels[j],
            difference=difference,
            se=se,
            df=df,
            p=two_sided(difference / se, df),
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

    def cochran_cox(self, kind: DifferenceKind, alpha: float) -> FloatArray:
        """Critical values (p, k) for `differences`, errors weighted; NaN where REML was used."""
        mean_kind: MeanKind = kind if kind in ("main", "sub") else "main:sub"
        rows, main, sub = self._mean_rows(mean_kind)
        d = self.differences(kind)
        place = {(int(m), int(s)): n for n, (m, s) in enumerate(zip(main, sub, strict=True))}
        a = [place[int(m), int(s)] for m, s in d.a]
        b = [place[int(m), int(s)] for m, s in d.b]
        out = np.full(d.se.shape, np.nan)
        for cells in self._cells:
            if isinstance(cells, StrataCells):
                out[:, cells.columns] = cells.cochran_cox(rows[a] - rows[b], alpha)
        return out

    def _mean_rows(self, kind: MeanKind) -> tuple[FloatArray, IntArray, IntArray]:
        a, b = self.n_main, self.n_sub
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


def rounding_zero(y: FloatArray, n: int) -> FloatArray:
    """Sums of squares (k,) at or below which a response (n, k) varies by rounding only."""
    ulp = ZERO_ULPS * np.finfo(float).eps
    largest = np.abs(np.where(np.isnan(y), 0.0, y)).max(axis=0, initial=0.0)
    return np.asarray((ulp * largest) ** 2 * n)


def mean_square(df: int, sum_sq: FloatArray) -> FloatArray:
    """Mean squares (k,); NaN without degrees of freedom."""
    return sum_sq / df if df > 0 else np.full(sum_sq.shape, np.nan)


def mean_counted(y: FloatArray) -> FloatArray:
    """Arithmetic means (k,) of what was counted (n, k); NaN where nothing was."""
    counted = ~np.isnan(y)
    n = counted.sum(axis=0)
    return np.asarray(np.where(counted, y, 0.0).sum(axis=0) / np.where(n > 0, n, np.nan))


@dataclass(slots=True, eq=False)
class Table:
    """Lines of an analysis of variance while responses are filled in, group by group."""

    sources: Sequence[tuple[str, str | None]]
    k: int
    values: dict[str, FloatArray]

    @classmethod
    def empty(cls, sources: Sequence[tuple[str, str | None]], k: int) -> Table:
        """All NaN: sources with the error each is tested against."""
        return cls(sources, k, {name: np.full((5, k), np.nan) for name, _ in sources})

    def put_strata(self, columns: IntArray, lines: Mapping[str, tuple[int, FloatArray]]) -> None:
        """Fill in degrees of freedom and sums of squares (k',) and test them."""
        mean_sq = {source: mean_square(*line) for source, line in lines.items()}
        for source, error in self.sources:
            df, sum_sq = lines[source]
            out = self.values[source]
            out[0, columns], out[1, columns] = df, sum_sq
            if error is None or df == 0:
                continue
            df_error = lines[error][0]
            testable = np.where(mean_sq[error] > 0, mean_sq[error], np.nan)
            F = mean_sq[source] / testable
            out[2, columns], out[3, columns] = df_error, F
            out[4, columns] = special.fdtrc(df, max(df_error, 1), F)

    def put_reml(self, column: int, fit: MixedFit) -> None:
        """Fill in the tests of one response."""
        for test in fit.anova():
            out = self.values[test.source]
            out[:, column] = test.df, np.nan, test.df_error, test.F, test.p

    def terms(self) -> tuple[StratumTerm, ...]:
        """Finish the lines."""
        out = []
        for source, error in self.sources:
            df, sum_sq, df_error, F, p = self.values[source]
            with np.errstate(invalid="ignore", divide="ignore"):
                mean_sq = np.where(df > 0, sum_sq / df, np.nan)
            out.append(
                StratumTerm(
                    source=source,
                    error=error,
                    df=df,
                    df_error=df_error,
                    sum_sq=sum_sq,
                    mean_sq=mean_sq,
                    F=F,
                    p=p,
                )
            )
        return tuple(out)
