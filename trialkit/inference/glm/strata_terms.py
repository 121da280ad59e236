"""Factors and tests of split-plots and strip-plots by models for counts and shares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trialkit.inference.design.layout import BoolArray, FloatArray, Layout
from trialkit.inference.normal.degrees_of_freedom import SmallSample, f_probability, kenward_roger

SOURCES = ("main", "sub", "main:sub")


def within_units(layout: Layout, factor: str) -> Layout:
    """One factor within the larger units."""
    own = next(item for item in layout.factors if item.name == factor)
    return replace(layout, treatment=own.codes, n_treatments=own.n_levels).inside_units


def refuse_others(layout: Layout) -> None:
    """Refuse layouts that are neither split-plots nor strip-plots.

    Raises
    ------
    ValueError
        Without larger units, or with more than two kinds.
    """
    if len(layout.units) not in (1, 2) or len(layout.factors) != 2:
        raise ValueError("there must be main plots, or strips in two directions")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelTest:
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


def together(terms: Sequence[ModelTest]) -> ModelTest:
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
    return ModelTest(
        source="treatment",
        df=df,
        df_error=df_error,
        deviance=nothing,
        F=F,
        p=p,
        dispersion=nothing,
        converged=np.asarray(converged),
    )
