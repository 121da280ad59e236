"""Factors and tests of split-plots and strip-plots by models for counts and shares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import BoolArray, Codes, FloatArray, IntArray, Layout
from trialkit.inference.normal.degrees_of_freedom import SmallSample, f_probability, kenward_roger

SOURCES = ("main", "sub", "main:sub")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrataFactors:
    """Plots of a split-plot or strip-plot as codes.

    Attributes
    ----------
    main, sub : (n,) int array
    sizes : pair of int
        Levels of each.
    larger : tuple of (str, (n,) int array)
        Main plots, or strips of the main and of the sub factor; codes from 0 without gaps.
    blocking : tuple of (str, (n,) int array)
        What the larger units were grouped by.
    """

    main: IntArray
    sub: IntArray
    sizes: tuple[int, int]
    larger: tuple[tuple[str, IntArray], ...]
    blocking: tuple[tuple[str, IntArray], ...]

    @property
    def combined(self) -> Layout:
        """All combinations of the factors within the larger units."""
        return Layout(
            treatment=self.main * self.sizes[1] + self.sub,
            n_treatments=self.sizes[0] * self.sizes[1],
            blocking=self.larger,
        )

    @property
    def sub_alone(self) -> Layout:
        """The sub factor within the larger units."""
        return Layout(treatment=self.sub, n_treatments=self.sizes[1], blocking=self.larger)

    def of_units(self, place: int) -> Layout:
        """The main (0) or the sub factor (1) on its own larger units, one row each."""
        own, (_, codes) = (self.main, self.sub)[place], self.larger[place]
        first = np.unique(codes, return_index=True)[1]
        return Layout(
            treatment=own[first],
            n_treatments=self.sizes[place],
            blocking=tuple((name, where[first]) for name, where in self.blocking),
        )


def strata_factors(
    main: Codes,
    sub: Codes,
    *,
    blocking: Sequence[tuple[str, Codes]],
    units: Mapping[str, Codes],
) -> StrataFactors:
    """Read the factors of a split-plot (one kind of units) or a strip-plot (two).

    Raises
    ------
    ValueError
        Without larger units, or with more than two kinds.
    """
    a, b = (np.asarray(codes).astype(np.intp) for codes in (main, sub))
    if len(units) not in (1, 2):
        raise ValueError("there must be main plots, or strips in two directions")
    return StrataFactors(
        main=a,
        sub=b,
        sizes=(int(a.max()) + 1, int(b.max()) + 1),
        larger=tuple(
            (name, np.unique(np.asarray(codes), return_inverse=True)[1].astype(np.intp))
            for name, codes in units.items()
        ),
        blocking=tuple((name, np.asarray(codes).astype(np.intp)) for name, codes in blocking),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StratumTerm:
    """One test of m responses.

    Attributes
    ----------
    source : str
        ``main``, ``sub``, ``main:sub`` or ``treatment`` (all combinations together).
    df, df_error, deviance, F, p, dispersion : (m,) float array
        NaN where there is nothing to test; deviance and dispersion NaN for ``treatment``, whose
        F is the mean of the three, weighted by their degrees of freedom and scaled after Kenward
        and Roger.
    converged : (m,) bool array
    """

    source: str
    df: FloatArray
    df_error: FloatArray
    deviance: FloatArray
    F: FloatArray
    p: FloatArray
    dispersion: FloatArray
    converged: BoolArray


def together(terms: Sequence[StratumTerm]) -> StratumTerm:
    """Test all combinations at once over the errors of the strata, as Kenward and Roger do."""
    m = len(terms[0].F)
    df, df_error, F, p = (np.full(m, np.nan) for _ in range(4))
    converged = np.all([term.converged for term in terms], axis=0)
    for j in range(m):
        parts = [term for term in terms if term.df[j] > 0]
        known = parts and all(np.isfinite(term.F[j]) for term in parts)
        if not known or not converged[j]:
            continue
        sizes = [int(term.df[j]) for term in parts]
        df[j] = q = sum(sizes)
        slope = np.zeros((len(parts), q, q))
        beta, start = np.zeros(q), 0
        for i, (term, size) in enumerate(zip(parts, sizes, strict=True)):
            own = np.arange(start, start + size)
            slope[i, own, own] = 1.0
            beta[start] = np.sqrt(size * term.F[j])
            start += size
        spread = np.diag([2.0 / float(term.df_error[j]) for term in parts])
        small = SmallSample(
            phi=np.eye(q), adjusted=np.eye(q), slope=slope, expected=spread, observed=spread
        )
        F[j], df_error[j] = kenward_roger(np.eye(q), beta, small)
        p[j] = f_probability(float(F[j]), q, float(df_error[j]))
    nothing = np.full(m, np.nan)
    return StratumTerm(
        source="treatment",
        df=df,
        df_error=df_error,
        deviance=nothing,
        F=F,
        p=p,
        dispersion=nothing,
        converged=np.asarray(converged),
    )
