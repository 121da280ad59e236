"""Counts in split-plots and strip-plots: negative binomial tests, each factor in its own stratum.

The counts of a larger unit (main plot, strip) are added up and analysed as one count, with the
groups of these units as blocks: its variance holds whatever makes such units differ. What happens
inside the larger units is analysed with a level of its own for each of them. Effects multiply, so a
factor changes totals and single plots by the same ratios. Between and within are tested by F from
the deviance, at a dispersion estimated in the same stratum by the adjusted profile likelihood.

Firth D & Harris IR 1991, Biometrika 78:545-555, analyse multiplicative random effects by the
totals of their strata in this way, with quasi-likelihood (reference from memory). Simulated null
trials are in tests/benchmarks/null_strata_counts.md. A mixed model by pseudo-likelihood, and
quasi-Poisson inside the larger units, were tried and left: they rejected 8 to 15 % at 5 %.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout
from trialkit.inference.glm.count_model import CountFit, fit_counts
from trialkit.inference.glm.deviance import DevianceLine
from trialkit.inference.glm.strata_terms import (
    SOURCES,
    ModelTest,
    refuse_others,
    together,
    within_units,
)


def count_strata(layout: Layout, counts: FloatArray, *, unit: float = 1.0) -> tuple[ModelTest, ...]:
    """Test the factors of a split-plot or strip-plot by models for counts.

    Parameters
    ----------
    layout : Layout
        Main treatments are tested on main plots, sub treatments within; with strips each factor
        on its own strips.
    counts : (n,) or (n, m) float array
        Not negative; NaN where a plot is missing. Totals of units that lack plots are raised
        by what the other factor lets expect there (approximate).
    unit : float
        What one individual adds to a count: 1, or ``1 / s`` for means of s samples.

    Returns
    -------
    tuple of ModelTest
        ``treatment``, ``main``, ``sub``, ``main:sub``.

    Raises
    ------
    ValueError
        Negative counts, lengths that differ, no larger unit or more than two kinds.
    """
    y = np.asarray(counts, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    if layout.n_plots != len(y):
        raise ValueError("counts must have one row for each plot")
    refuse_others(layout)
    whole = fit_counts(layout.combinations.inside_units, y, unit=unit)
    found = {"main": _between(layout, 0, y, unit)}
    if len(layout.units) == 2:
        found["sub"] = _between(layout, 1, y, unit)
        gain, df = _treatment(whole).deviance, _treatment(whole).df
    else:
        part = fit_counts(within_units(layout, "sub"), y, dispersion=whole.dispersion, unit=unit)
        line = _treatment(part)
        found["sub"] = _within("sub", whole, line.deviance, line.df, part.converged)
        gain = np.maximum(part.deviance - whole.deviance, 0.0)
        df = _treatment(whole).df - line.df
    found["main:sub"] = _within("main:sub", whole, gain, df, whole.converged)
    terms = [found[source] for source in SOURCES]
    return (together(terms), *terms)


def _treatment(fit: CountFit) -> DevianceLine:
    return next(line for line in fit.lines if line.source == "treatment")


def _within(
    source: str, whole: CountFit, gain: FloatArray, df: FloatArray, converged: BoolArray
) -> ModelTest:
    """Test what the larger units leave; its error is that of the combinations."""
    some = (df > 0) & (whole.df_error > 0) & whole.converged & converged
    F = np.where(some, gain / np.where(df > 0, df, 1.0), np.nan)
    p = special.fdtrc(np.maximum(df, 1.0), np.maximum(whole.df_error, 1.0), F)
    return ModelTest(
        source=source,
        df=df,
        df_error=np.where(some, whole.df_error, np.nan),
        deviance=np.where(some, gain, np.nan),
        F=F,
        p=np.where(some, p, np.nan),
        dispersion=whole.dispersion,
        converged=np.asarray(whole.converged & converged),
    )


def _between(layout: Layout, place: int, y: FloatArray, unit: float) -> ModelTest:
    """Test the main (0) or the sub factor (1) on the totals of its units."""
    codes, other = layout.units[place][1], layout.factors[1 - place]
    totals = _totals(codes, other.codes, other.n_levels, y, unit)
    fit = fit_counts(layout.of_units(place), totals, unit=unit)
    line = _treatment(fit)
    some = fit.converged & np.isfinite(line.F)
    return ModelTest(
        source=SOURCES[place],
        df=line.df,
        df_error=np.where(some, fit.df_error, np.nan),
        deviance=np.where(some, line.deviance, np.nan),
        F=np.where(some, line.F, np.nan),
        p=np.where(some, line.p, np.nan),
        dispersion=fit.dispersion,
        converged=fit.converged,
    )


def _totals(codes: IntArray, other: IntArray, size: int, y: FloatArray, unit: float) -> FloatArray:
    """Totals (units, m); those that lack plots raised to what whole ones would have."""
    known = np.isfinite(y)
    n_units = int(codes.max()) + 1
    total = np.zeros((n_units, y.shape[1]))
    np.add.at(total, codes, np.where(known, y, 0.0))
    present = np.zeros((n_units, y.shape[1]))
    np.add.at(present, codes, known)
    whole = np.bincount(codes)[:, None]
    if (present == whole).all():
        return total
    layout = Layout(treatment=other, n_treatments=size, blocking=(("unit", codes),))
    means = fit_counts(layout, y, unit=unit, family="quasi-poisson").log_means
    level = np.where(np.isfinite(means), np.exp(means), 0.0)[other]
    expected, seen = np.zeros_like(total), np.zeros_like(total)
    np.add.at(expected, codes, level)
    np.add.at(seen, codes, np.where(known, level, 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        raised = total * expected / seen
    return np.where(present == whole, total, np.where(seen > 0, raised, np.nan))
