"""Repeated measures of split-plots and strip-plots: courses against the error of their own unit.

Days are taken as a split in time of every unit. What a source does over the days (``main:day``) is
tested against what its error does over the days, and the degrees of freedom are multiplied by
Box's epsilon of that error: main plots and subplots have each their own. The sums of squares are
those of orthonormal contrasts of days, each analysed by the strata of the design. Checked against
R (aov, anova of multivariate linear models).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import Factor, FloatArray, Layout
from trialkit.inference.normal.linear import rounding_zero
from trialkit.inference.normal.split_plot_in_time import box_epsilon
from trialkit.inference.normal.strata_fit import StratifiedFit
from trialkit.inference.normal.stratified import fit_strata

#: What is tested: levels with days averaged, and courses over the days.
SOURCES = ("main", "sub", "main:sub")
_NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class StrataCourseTerm:
    """One line: a source with days averaged, or its course over the days.

    Attributes
    ----------
    source : str
        ``main``, ``sub``, ``main:sub``, or these with ``:day``.
    df, df_error, F, p : float
        Without correction; NaN where undefined.
    epsilon_gg, epsilon_hf, p_gg, p_hf : float
        Epsilon of Greenhouse and Geisser and of Huynh and Feldt (Lecoutre's form), and p with
        both degrees of freedom multiplied by it; NaN with days averaged.
    """

    source: str
    df: float
    df_error: float
    F: float
    p: float
    epsilon_gg: float = _NAN
    epsilon_hf: float = _NAN
    p_gg: float = _NAN
    p_hf: float = _NAN


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrataCourses:
    """Levels and courses of the factors of one variable.

    Attributes
    ----------
    terms : tuple of StrataCourseTerm
    n_plots, n_left_out : int
        Plots used, and those whose main plot (block of strips) misses a day.
    """

    terms: tuple[StrataCourseTerm, ...]
    n_plots: int
    n_left_out: int

    def term(self, source: str) -> StrataCourseTerm:
        """Line of one source."""
        return next(t for t in self.terms if t.source == source)


def strata_courses(layout: Layout, responses: FloatArray) -> StrataCourses:
    """Test levels and courses of the factors of a split-plot or strip-plot.

    Parameters
    ----------
    layout : Layout
    responses : (n, d) array
        One column a day, at least two; NaN where a plot was not assessed.

    Raises
    ------
    ValueError
        Fewer than two days or lengths that differ.
    """
    y = np.asarray(responses, dtype=np.float64)
    if y.ndim != 2 or len(y) != layout.n_plots:
        raise ValueError("responses must have one row for each plot and one column for each day")
    d = y.shape[1]
    if d < 2:
        raise ValueError("repeated measures need at least two days")
    # Main plots, or blocks of strips, that miss anything are left out whole.
    whole = layout.units[0][1] if len(layout.units) == 1 else layout.blocking[0][1]
    kept = ~np.isin(whole, whole[np.isnan(y).any(axis=1)])
    used = np.where(kept[:, None], y, np.nan)
    contrasts = Factor("day", np.arange(d), d).coding
    i, j = np.triu_indices(d - 1, 1)
    within = used @ contrasts
    columns = np.column_stack([used.mean(axis=1) * np.sqrt(d), within, within[:, i] + within[:, j]])
    terms: list[StrataCourseTerm] = []
    if kept.any():
        fit = fit_strata(layout, columns)
        # Sums of squares of sums give the products of two contrasts.
        zero = float(rounding_zero(y.reshape(-1, 1), y.size)[0])
        terms = [_level(fit, source) for source in SOURCES]
        terms += [_course(fit, source, d - 1, (i, j), zero) for source in SOURCES]
    else:
        terms = [
            StrataCourseTerm(source=f"{s}{more}", df=_NAN, df_error=_NAN, F=_NAN, p=_NAN)
            for more in ("", ":day")
            for s in SOURCES
        ]
    return StrataCourses(terms=tuple(terms), n_plots=int(kept.sum()), n_left_out=int((~kept).sum()))


def _level(fit: StratifiedFit, source: str) -> StrataCourseTerm:
    term = fit.term(source)
    return StrataCourseTerm(
        source=source,
        df=float(np.ravel(term.df)[0]),
        df_error=float(np.ravel(term.df_error)[0]),
        F=float(term.F[0]),
        p=float(term.p[0]),
    )


def _course(
    fit: StratifiedFit, source: str, size: int, pairs: tuple[np.ndarray, np.ndarray], zero: float
) -> StrataCourseTerm:
    term = fit.term(source)
    error = fit.term(term.error or "error")
    own = slice(1, 1 + size)
    sscp = np.diag(error.sum_sq[own])
    both = error.sum_sq[1 + size :]
    i, j = pairs
    sscp[i, j] = 0.5 * (both - sscp[i, i] - sscp[j, j])
    sscp[j, i] = sscp[i, j]
    df, nu = float(np.ravel(term.df)[1]), float(np.ravel(error.df)[1])
    found = float(term.sum_sq[own].sum()), float(np.trace(sscp))
    if not (df > 0 and nu > 0 and found[1] > zero):
        return StrataCourseTerm(
            source=f"{source}:day", df=df * size, df_error=nu * size, F=_NAN, p=_NAN
        )
    gg, hf = box_epsilon(sscp, int(nu), zero)
    F = (found[0] / df) / (found[1] / nu)
    p, p_gg, p_hf = (float(special.fdtrc(e * df * size, e * nu * size, F)) for e in (1.0, gg, hf))
    return StrataCourseTerm(
        source=f"{source}:day",
        df=df * size,
        df_error=nu * size,
        F=F,
        p=p,
        epsilon_gg=gg,
        epsilon_hf=hf,
        p_gg=p_gg,
        p_hf=p_hf,
    )
