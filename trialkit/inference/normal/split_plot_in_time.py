"""Repeated measures: treatments over days, the plot as subject, as a split-plot in time.

Days of one plot are correlated, more so when they are close. The F of day and treatment:day is
then too liberal; its degrees of freedom are multiplied by an estimate of Box's epsilon.

Sources: Greenhouse SW & Geisser S 1959, Psychometrika 24:95-112; Huynh H & Feldt LS 1976, J. Educ.
Stat. 1:69-82, with the correction of Lecoutre B 1991, J. Educ. Stat. 16:371-372; Mauchly JW 1940,
Ann. Math. Stat. 11:204-209. References from memory; results are checked against R.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import Factor, FloatArray, IntArray, Layout
from trialkit.inference.normal.linear import LinearFit, fit_layout, rounding_zero


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedTerm:
    """One line of the split-plot in time.

    Attributes
    ----------
    source : str
        Blocking, ``treatment``, ``error_plot``, ``day``, ``block:day``, ``treatment:day``,
        ``error``.
    error : str or None
        Error it is tested against.
    df, df_error : float
    sum_sq, mean_sq, F : float
    p : float
        Without correction.
    p_gg, p_hf, p_lower : float
        With degrees of freedom times epsilon of Greenhouse and Geisser, of Huynh and Feldt
        (Lecoutre's form), and times the lower bound 1 / (days - 1); NaN between plots.
    """

    source: str
    error: str | None
    df: float
    df_error: float
    sum_sq: float
    mean_sq: float
    F: float
    p: float
    p_gg: float
    p_hf: float
    p_lower: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RepeatedFit:
    """Split-plot in time of one variable.

    Attributes
    ----------
    days : (d,) array
    terms : tuple of RepeatedTerm
    epsilon_gg, epsilon_hf, epsilon_lower : float
        Box's epsilon after Greenhouse and Geisser; after Huynh and Feldt as corrected by
        Lecoutre, at most 1; the lowest value possible. NaN without error.
    mauchly_w, mauchly_p : float
        Test of equal variance of all day contrasts (sphericity); NaN with two days or too few
        plots.
    plots : int array
        Plots that were counted on all days: only these can be used here.
    n_left_out : int
        Plots that miss a day and were left out.
    covariance : (d, d) array
        Of the days within treatments and blocks.
    blocks_by_day : bool
        Whether blocks were allowed to differ in course.
    """

    days: FloatArray
    terms: tuple[RepeatedTerm, ...]
    epsilon_gg: float
    epsilon_hf: float
    epsilon_lower: float
    mauchly_w: float
    mauchly_p: float
    plots: IntArray
    n_left_out: int
    covariance: FloatArray
    blocks_by_day: bool

    def term(self, source: str) -> RepeatedTerm:
        """Line of one source."""
        return next(t for t in self.terms if t.source == source)


def repeated_measures(
    layout: Layout,
    responses: FloatArray,
    days: Sequence[float] | FloatArray,
    *,
    blocks_by_day: bool = True,
) -> RepeatedFit:
    """Analyse one variable over days as a split-plot in time with corrected degrees of freedom.

    Parameters
    ----------
    layout : Layout
        Of the plots.
    responses : (n, d) array
        One column a day; plots that miss a day (NaN) are left out, see `repeated_reml` for them.
    days : (d,)
        At least two.
    blocks_by_day : bool
        True: each day has block effects of its own, as when days are analysed one by one, and
        they have a line ``block:day``. False: blocks only have a level, and their differences
        in course go to the error.

    Returns
    -------
    RepeatedFit

    Raises
    ------
    ValueError
        Fewer than two days or lengths that differ.
    """
    y = np.asarray(responses, dtype=np.float64)
    when = np.asarray(days, dtype=np.float64)
    if y.ndim != 2 or y.shape != (layout.n_plots, when.size):
        raise ValueError("responses must have one row for each plot and one column for each day")
    if when.size < 2:
        raise ValueError("repeated measures need at least two days")
    d = when.size
    complete = np.asarray(~np.isnan(y).any(axis=1))
    used = np.where(complete[:, None], y, np.nan)
    contrasts = Factor("day", np.arange(d), d).coding
    level, inside = used.mean(axis=1, keepdims=True) * np.sqrt(d), used @ contrasts
    # One fit of level, contrasts and days, which have the same plots.
    whole = fit_layout(layout, np.hstack([level, used, inside]))[0]
    between, daily, within = (
        _part(whole, slice(*ends)) for ends in ((0, 1), (1, d + 1), (d + 1, 2 * d))
    )
    if not blocks_by_day:
        plain = Layout(treatment=layout.treatment, n_treatments=layout.n_treatments)
        within = _part(fit_layout(plain, inside)[0], slice(None))
    zero = float(rounding_zero(y.reshape(-1, 1), y.size)[0])
    sscp = within.residuals.T @ within.residuals
    nu = within.df_error
    gg, hf = box_epsilon(sscp, nu, zero)
    epsilon = (gg, hf, 1.0 / (d - 1))
    w, p = mauchly(sscp, nu) if np.isfinite(gg) else (float("nan"), float("nan"))
    terms = [*_between(between, zero), *_within(within, contrasts, epsilon, zero)]
    return RepeatedFit(
        days=when,
        terms=tuple(terms),
        epsilon_gg=gg,
        epsilon_hf=hf,
        epsilon_lower=epsilon[2],
        mauchly_w=w,
        mauchly_p=p,
        plots=np.flatnonzero(complete).astype(np.intp),
        n_left_out=int((~complete).sum()),
        covariance=daily.residuals.T @ daily.residuals / (daily.df_error or np.nan),
        blocks_by_day=blocks_by_day,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """What is asked of some columns of a fit: sums of squares by source, means, residuals."""

    lines: tuple[tuple[str, int, FloatArray], ...]
    df_error: int
    n: IntArray
    means: FloatArray
    unit_cov: FloatArray
    residuals: FloatArray


def _part(fit: LinearFit, columns: slice) -> _Part:
    return _Part(
        lines=tuple((t.source, int(t.df), t.sum_sq[columns]) for t in fit.terms),
        df_error=fit.df_error,
        n=fit.n,
        means=fit.means[:, columns],
        unit_cov=fit.unit_cov,
        residuals=fit.residuals[:, columns],
    )


def _between(fit: _Part, zero: float) -> list[RepeatedTerm]:
    """Lines of the plots, days averaged."""
    error = _value(fit.lines[-1][2], zero)
    lines = [
        _line(source, "error_plot", (df, fit.df_error), (_value(sum_sq, zero), error), None)
        for source, df, sum_sq in fit.lines[:-1]
    ]
    return [*lines, _line("error_plot", None, (fit.df_error, 0), (error, error), None)]


def _within(
    fit: _Part,
    contrasts: FloatArray,
    epsilon: tuple[float, float, float],
    zero: float,
) -> list[RepeatedTerm]:
    """Lines of day and its interactions: sums over orthonormal day contrasts."""
    p = contrasts.shape[1]
    df_error, error = fit.df_error * p, _value(fit.lines[-1][2], zero)
    seen = fit.n > 0
    day = float("nan")
    if seen.any():
        unit = float(fit.unit_cov[np.ix_(seen, seen)].mean())
        day = _value(fit.means[seen].mean(axis=0) ** 2 / unit, zero)
    lines = [_line("day", "error", (p, df_error), (day, error), epsilon)]
    for source, df, squares in fit.lines[:-1]:
        sum_sq = _value(squares, zero)
        lines.append(_line(f"{source}:day", "error", (df * p, df_error), (sum_sq, error), epsilon))
    return [*lines, _line("error", None, (df_error, 0), (error, error), None)]


def _value(sum_sq: FloatArray, zero: float) -> float:
    total = float(sum_sq.sum())
    return 0.0 if total <= zero else total


def _line(
    source: str,
    error: str | None,
    df: tuple[int, int],
    sum_sq: tuple[float, float],
    epsilon: tuple[float, float, float] | None,
) -> RepeatedTerm:
    nan = float("nan")
    mean_sq = sum_sq[0] / df[0] if df[0] > 0 else nan
    F, p, corrected = nan, nan, [nan, nan, nan]
    if error is not None and df[0] > 0 and df[1] > 0 and sum_sq[1] > 0:
        F = mean_sq / (sum_sq[1] / df[1])
        p = float(special.fdtrc(df[0], df[1], F))
        if epsilon is not None:
            corrected = [float(special.fdtrc(e * df[0], e * df[1], F)) for e in epsilon]
    return RepeatedTerm(
        source=source,
        error=error,
        df=df[0],
        df_error=df[1] if error is not None else nan,
        sum_sq=sum_sq[0],
        mean_sq=mean_sq,
        F=F,
        p=p,
        p_gg=corrected[0],
        p_hf=corrected[1],
        p_lower=corrected[2],
    )


def box_epsilon(sscp: FloatArray, nu: int, zero: float) -> tuple[float, float]:
    """Epsilon of Greenhouse and Geisser, and of Huynh and Feldt with Lecoutre's correction."""
    p = sscp.shape[0]
    trace = float(np.trace(sscp))
    if nu < 1 or trace <= zero:
        return float("nan"), float("nan")
    gg = trace**2 / (p * float((sscp**2).sum()))
    bottom = p * (nu - p * gg)
    hf = ((nu + 1.0) * p * gg - 2.0) / bottom if bottom > 0 else 1.0
    return gg, min(1.0, hf)


def mauchly(sscp: FloatArray, nu: int) -> tuple[float, float]:
    """Mauchly's W and its p, with Box's second-order expansion.

    Parameters
    ----------
    sscp : (p, p) array
        Error sums of squares and products of orthonormal contrasts.
    nu : int
        Error degrees of freedom; NaN results unless at least p.
    """
    p = sscp.shape[0]
    if p < 2 or nu < p:
        return float("nan"), float("nan")
    sign, log_det = np.linalg.slogdet(sscp)
    if sign <= 0:
        return float("nan"), float("nan")
    log_w = float(log_det) - p * float(np.log(np.trace(sscp) / p))
    rho = 1.0 - (2.0 * p**2 + p + 2.0) / (6.0 * p * nu)
    if rho <= 0:
        return float(np.exp(log_w)), float("nan")
    second = (p + 2.0) * (p - 1.0) * (p - 2.0) * (2.0 * p**3 + 6.0 * p**2 + 3.0 * p + 2.0)
    second /= 288.0 * (nu * p * rho) ** 2
    z, f = -nu * rho * log_w, p * (p + 1.0) / 2.0 - 1.0
    first, more = float(special.chdtrc(f, z)), float(special.chdtrc(f + 4.0, z))
    return float(np.exp(log_w)), float(np.clip(first + second * (more - first), 0.0, 1.0))
