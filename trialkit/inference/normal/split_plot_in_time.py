"""Repeated measures: treatments over days, every unit as a subject, as a split-plot in time.

Days are taken as a split in time of every unit. What a source does over the days
(``treatment:day``, ``main:day``) is tested against what its error does over the days. Days of one
unit are correlated, more so when they are close; F is then too liberal, and its degrees of freedom
are multiplied by an estimate of Box's epsilon of that error: main plots and subplots have each
their own. The sums of squares are those of orthonormal contrasts of days, each analysed as the
layout asks.

Sources: Greenhouse SW & Geisser S 1959, Psychometrika 24:95-112; Huynh H & Feldt LS 1976, J. Educ.
Stat. 1:69-82, with the correction of Lecoutre B 1991, J. Educ. Stat. 16:371-372. References from
memory; results are checked against R (aov, anova of multivariate linear models).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.design.layout import Factor, FloatArray, Layout
from trialkit.inference.fit import Term
from trialkit.inference.normal.linear import fit_layout, rounding_zero
from trialkit.inference.normal.stratified import fit_strata

_NAN = float("nan")
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseTerm:
    """One line: a source with days averaged, or its course over the days.

    Attributes
    ----------
    source : str
        ``treatment``, or ``main``, ``sub``, ``main:sub``; or these with ``:day``.
    df, df_error, F, p : float
        Without correction; NaN where undefined.
    epsilon_gg, epsilon_hf, p_gg, p_hf : float
        Epsilon of Greenhouse and Geisser and of Huynh and Feldt (Lecoutre's form, at most 1), and p
        with both degrees of freedom multiplied by it; NaN with days averaged.
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
class RepeatedFit:
    """Levels and courses of one variable.

    Attributes
    ----------
    terms : tuple of CourseTerm
        All levels, then all courses.
    n_plots, n_left_out : int
        Plots used, and those left out since they miss a day, or their main plot (block of strips)
        does.
    """

    terms: tuple[CourseTerm, ...]
    n_plots: int
    n_left_out: int

    def term(self, source: str) -> CourseTerm:
        """Line of one source."""
        return next(t for t in self.terms if t.source == source)


def course_sources(layout: Layout) -> tuple[str, ...]:
    """Name what is tested, with days averaged and over the days."""
    return ("main", "sub", "main:sub") if layout.units else ("treatment",)


def repeated_measures(layout: Layout, responses: FloatArray) -> RepeatedFit:
    """Test levels and courses of treatments, or of the factors that larger units carry.

    Parameters
    ----------
    layout : Layout
        Each day has block effects of its own, as when days are analysed one by one.
    responses : (n, d) array
        One column a day, at least two; NaN where a plot was not assessed. Units that miss a day
        are left out, see `repeated_reml` for them.

    Returns
    -------
    RepeatedFit

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
    whole = _whole_units(layout)
    kept = ~np.isin(whole, whole[np.isnan(y).any(axis=1)])
    used = np.where(kept[:, None], y, np.nan)
    within = used @ Factor("day", np.arange(d), d).coding
    pairs = np.triu_indices(d - 1, 1)
    # Sums of squares of sums give the products of two contrasts.
    sums = within[:, pairs[0]] + within[:, pairs[1]]
    level = used.mean(axis=1) * np.sqrt(d)
    lines = _lines(layout, np.column_stack([level, within, sums]), any_plot=bool(kept.any()))
    zero = float(rounding_zero(y.reshape(-1, 1), y.size)[0])
    sources = course_sources(layout)
    terms = [_level(lines, source) for source in sources]
    terms += [_course(lines, source, d - 1, pairs, zero) for source in sources]
    return RepeatedFit(terms=tuple(terms), n_plots=int(kept.sum()), n_left_out=int((~kept).sum()))


def _whole_units(layout: Layout) -> np.ndarray:
    """What is left out whole where it misses a day: plots, main plots, or blocks of strips."""
    if not layout.units:
        return np.arange(layout.n_plots)
    return layout.units[0][1] if len(layout.units) == 1 else layout.blocking[0][1]


def _lines(layout: Layout, columns: FloatArray, *, any_plot: bool) -> dict[str, Term]:
    """Lines of the analysis of variance by source, none without a plot."""
    if not any_plot:
        return {}
    fit = fit_strata(layout, columns) if layout.units else fit_layout(layout, columns)[0]
    return {term.source: term for term in fit.terms}


def _level(lines: dict[str, Term], source: str) -> CourseTerm:
    if source not in lines:
        return CourseTerm(source=source, df=_NAN, df_error=_NAN, F=_NAN, p=_NAN)
    term = lines[source]
    return CourseTerm(
        source=source,
        df=float(np.ravel(term.df)[0]),
        df_error=float(np.ravel(term.df_error)[0]),
        F=float(term.F[0]),
        p=float(term.p[0]),
    )


def _course(
    lines: dict[str, Term],
    source: str,
    size: int,
    pairs: tuple[np.ndarray, np.ndarray],
    zero: float,
) -> CourseTerm:
    name = f"{source}:day"
    if source not in lines:
        return CourseTerm(source=name, df=_NAN, df_error=_NAN, F=_NAN, p=_NAN)
    term = lines[source]
    error = lines[term.error or "error"]
    own = slice(1, 1 + size)
    sscp = np.diag(error.sum_sq[own])
    both = error.sum_sq[1 + size :]
    i, j = pairs
    sscp[i, j] = 0.5 * (both - sscp[i, i] - sscp[j, j])
    sscp[j, i] = sscp[i, j]
    df, nu = float(np.ravel(term.df)[-1]), float(np.ravel(error.df)[-1])
    found = float(term.sum_sq[own].sum()), float(np.trace(sscp))
    if not (df > 0 and nu > 0 and found[1] > zero):
        return CourseTerm(source=name, df=df * size, df_error=nu * size, F=_NAN, p=_NAN)
    gg, hf = box_epsilon(sscp, int(nu), zero)
    F = (found[0] / df) / (found[1] / nu)
    p, p_gg, p_hf = (float(special.fdtrc(e * df * size, e * nu * size, F)) for e in (1.0, gg, hf))
    return CourseTerm(
        source=name,
        df=df * size,
        df_error=nu * size,
        F=F,
        p=p,
        epsilon_gg=gg,
        epsilon_hf=hf,
        p_gg=p_gg,
        p_hf=p_hf,
    )


def box_epsilon(sscp: FloatArray, nu: int, zero: float) -> tuple[float, float]:
    """Epsilon of Greenhouse and Geisser, and of Huynh and Feldt with Lecoutre's correction."""
    p = sscp.shape[0]
    trace = float(np.trace(sscp))
    if nu < 1 or trace <= zero:
        return _NAN, _NAN
    gg = trace**2 / (p * float((sscp**2).sum()))
    bottom = p * (nu - p * gg)
    # With one degree of freedom it is 0 but for rounding.
    hf = ((nu + 1.0) * p * gg - 2.0) / bottom if bottom > _ROUNDING * p * nu else 1.0
    return gg, min(1.0, hf)
