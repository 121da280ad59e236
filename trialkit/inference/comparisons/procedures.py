"""Comparisons of treatment means, all responses of a fit at once."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import special

from trialkit.inference.comparisons import adjust
from trialkit.inference.comparisons.distributions import (
    Alternative,
    dunnett_isf,
    dunnett_sf,
    studentized_range_isf,
    studentized_range_sf,
)
from trialkit.inference.comparisons.letters import letters_of_all
from trialkit.inference.comparisons.stepwise import stepwise_p
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray
from trialkit.inference.normal.linear import LinearFit

_SQRT2 = float(np.sqrt(2.0))


class Method(StrEnum):
    """Procedure that compares treatment means."""

    TUKEY = "tukey"
    LSD = "lsd"
    DUNNETT = "dunnett"
    SNK = "snk"
    DUNCAN = "duncan"
    BONFERRONI = "bonferroni"
    SIDAK = "sidak"
    HOLM = "holm"
    FDR = "fdr"
    SCHEFFE = "scheffe"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparisons:
    """Differences of ``p`` pairs of treatments in ``k`` responses.

    Attributes
    ----------
    method : Method
    alternative : str
        ``two-sided`` except for one-sided Dunnett.
    alpha : float
    a, b : (p,) int array
        Treatment codes. All pairs a < b, or, for Dunnett, every treatment against the control.
    difference : (p, k) array
        Mean of a minus mean of b; NaN where a mean is not known.
    se : (p, k) array
        Standard error of the difference.
    t : (p, k) array
        Difference over its standard error; NaN where error is nought or has no degrees of
        freedom.
    p_adjusted : (p, k) array
        Of the procedure: unadjusted for LSD, step-down for SNK and Duncan, NaN for none.
    lower, upper : (p, k) array
        Simultaneous limits of the difference at 1 - alpha for Tukey, Dunnett, Bonferroni, Sidak
        and Scheffe, limits of each difference by itself for LSD, NaN for the others. One-sided
        Dunnett has one limit, the other is NaN.
    different : (p, k) bool array
        What the procedure declares; for LSD only where F is significant (protected).
    declared : (k,) bool array
        Whether the procedure declares anything at all about a response: for LSD where F is
        significant, for none nowhere, else where there is a p-value. Letters elsewhere would
        say what was not tested.
    """

    method: Method
    alternative: Alternative
    alpha: float
    a: IntArray
    b: IntArray
    difference: FloatArray
    se: FloatArray
    t: FloatArray
    p_adjusted: FloatArray
    lower: FloatArray
    upper: FloatArray
    different: BoolArray
    declared: BoolArray

    def letters(self, means: FloatArray) -> tuple[tuple[str, ...], ...]:
        """Letters of the means (t, k), one tuple a response; empty where nothing is declared.

        Raises
        ------
        ValueError
            For comparisons with a control, which say nothing about the other pairs.
        """
        if self.method is Method.DUNNETT:
            raise ValueError("comparisons with a control have no letters")
        t, k = means.shape
        apart = np.zeros((k, t, t), dtype=bool)
        apart[:, self.a, self.b] = self.different.T
        apart |= apart.transpose(0, 2, 1)
        found = letters_of_all(apart, means)
        return tuple(
            own if declared else ("",) * t
            for own, declared in zip(found, self.declared.tolist(), strict=True)
        )


def compare(
    fit: LinearFit,
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
) -> Comparisons:
    """Compare the least-squares means of a fit.

    Parameters
    ----------
    fit : LinearFit
    method : Method
    alpha : float
        Level, between 0 and 1.
    control : int, optional
        Treatment code, for Dunnett.
    alternative : {"two-sided", "greater", "less"}
        For Dunnett: whether treatments are thought to lie above or below the control.

    Returns
    -------
    Comparisons

    Raises
    ------
    ValueError
        When an argument is out of range, or Dunnett has no control.
    """
    return compare_means(
        fit.means,
        fit.unit_cov,
        fit.ms_error,
        fit.df_error,
        method,
        alpha=alpha,
        control=control,
        alternative=alternative,
        overall_p=fit.treatment.p,
    )


def compare_means(
    means: FloatArray,
    unit_cov: FloatArray,
    ms_error: FloatArray,
    df: float,
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
    overall_p: FloatArray | None = None,
) -> Comparisons:
    """Compare means whose covariance is known up to a scale.

    Parameters
    ----------
    means : (t, k) array
        NaN where not known, for all responses alike.
    unit_cov : (t, t) array
        Covariance of the means of response j is ``ms_error[j] * unit_cov``.
    ms_error : (k,) array
    df : float
        Degrees of freedom of ``ms_error``; need not be whole. Below 1 there are no p-values.
    overall_p : (k,) array, optional
        P of the F test of all treatments, which protects LSD; required for it.
    method, alpha, control, alternative
        As for ``compare``.

    Raises
    ------
    ValueError
        When an argument is out of range, or one that the method needs is missing.
    """
    method = Method(method)
    means = np.asarray(means, dtype=np.float64)
    t = means.shape[0]
    _check(method, alpha, control, alternative, t)
    if method is Method.LSD and overall_p is None:
        raise ValueError("protected LSD needs the p-value of F")
    if method is not Method.DUNNETT:
        alternative = "two-sided"
    a, b = _pairs(t, control if method is Method.DUNNETT else None)
    difference = means[a] - means[b]
    se = np.sqrt(np.outer(_difference_variance(unit_cov)[a, b], ms_error))
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = np.where(se > 0, difference / np.where(se > 0, se, np.nan), np.nan)
    if not df >= 1:
        statistic = np.full_like(statistic, np.nan)
    p, critical = _solve(
        method, statistic, means, unit_cov, ms_error, df, (a, b), alpha, alternative
    )
    lower, upper = _limits(difference, se, statistic, critical, alternative)
    declared: BoolArray = np.asarray((~np.isnan(p)).any(axis=0))
    if method is Method.LSD and overall_p is not None:
        declared = declared & (np.asarray(overall_p) <= alpha)
    with np.errstate(invalid="ignore"):
        different = (p <= alpha) & declared
    return Comparisons(
        method=method,
        alternative=alternative,
        alpha=alpha,
        a=a,
        b=b,
        difference=difference,
        se=se,
        t=statistic,
        p_adjusted=p,
        lower=lower,
        upper=upper,
        different=different,
        declared=declared,
    )


def _solve(
    method: Method,
    statistic: FloatArray,
    means: FloatArray,
    unit_cov: FloatArray,
    ms_error: FloatArray,
    df: float,
    pairs: tuple[IntArray, IntArray],
    alpha: float,
    alternative: Alternative,
) -> tuple[FloatArray, float]:
    """P-values (p, k), NaN for means that are not known, and the critical t of the intervals."""
    p, critical = np.full(statistic.shape, np.nan), float("nan")
    known = ~np.isnan(np.diagonal(unit_cov))
    live = known[pairs[0]] & known[pairs[1]]
    a, b = pairs[0][live], pairs[1][live]
    if not live.any() or not df >= 1 or method is Method.NONE:
        return p, critical
    if method is Method.DUNNETT:
        correlation = _correlation(unit_cov, a, b)
        if not np.isfinite(correlation).all():
            # A difference that does not vary, or of unknown variance: nothing to test all by.
            return p, critical
        p[live] = dunnett_sf(statistic[live], correlation, df, alternative=alternative)
        critical = float(dunnett_isf(alpha, correlation, df, alternative=alternative))
    elif method in (Method.SNK, Method.DUNCAN):
        place = np.cumsum(known) - 1
        p[live] = stepwise_p(
            means[known],
            _difference_variance(unit_cov[np.ix_(known, known)]),
            np.where(ms_error > 0, ms_error, np.nan),
            df,
            (place[a], place[b]),
            duncan=method is Method.DUNCAN,
        )
    else:
        family = _Family(
            t=np.abs(statistic[live]), df=float(df), alpha=alpha, n_means=int(known.sum())
        )
        p[live], critical = family.solve(method)
    return p, critical


def _difference_variance(unit_cov: FloatArray) -> FloatArray:
    """Variances (t, t) of all differences."""
    variance = np.diagonal(unit_cov)
    return np.asarray(variance[:, None] + variance[None, :] - 2.0 * unit_cov)


def _check(method: Method, alpha: float, control: int | None, alternative: str, t: int) -> None:
    if not 0.0 < alpha < 1.0:
        raise ValueError("alpha must lie between 0 and 1")
    if alternative not in ("two-sided", "greater", "less"):
        raise ValueError(f"unknown alternative {alternative!r}")
    if method is Method.DUNNETT and (control is None or not 0 <= control < t):
        raise ValueError("Dunnett needs the code of the control")


def _pairs(t: int, control: int | None) -> tuple[IntArray, IntArray]:
    if control is None:
        a, b = np.triu_indices(t, 1)
        return a.astype(np.intp), b.astype(np.intp)
    a = np.delete(np.arange(t), control)
    return a, np.full(a.size, control)


def _correlation(unit_cov: FloatArray, a: IntArray, b: IntArray) -> FloatArray:
    """Correlation matrix of the differences a minus b."""
    cov = (
        unit_cov[np.ix_(a, a)]
        - unit_cov[np.ix_(a, b)]
        - unit_cov[np.ix_(b, a)]
        + unit_cov[np.ix_(b, b)]
    )
    variance = np.diagonal(cov)
    sd = np.sqrt(np.where(variance > 0.0, variance, np.nan))
    return np.asarray(cov / np.outer(sd, sd))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Family:
    """All pairs that can be compared: the size of their t (p, k), and what they share."""

    t: FloatArray
    df: float
    alpha: float
    n_means: int

    def solve(self, method: Method) -> tuple[FloatArray, float]:
        """P-values (p, k), and the critical t of the intervals (NaN where there are none)."""
        t, df, alpha, n_pairs = self.t, self.df, self.alpha, len(self.t)
        if method is Method.TUKEY:
            p = studentized_range_sf(t * _SQRT2, self.n_means, df)
            return p, float(studentized_range_isf(alpha, self.n_means, df)) / _SQRT2
        if method is Method.SCHEFFE:
            between = self.n_means - 1
            p = np.asarray(f_sf(between, df, t**2 / between))
            return p, float(np.sqrt(between * f_critical(alpha, between, df)))
        p = two_sided_t(t, df)
        if method is Method.LSD:
            return p, t_critical(alpha, df)
        if method is Method.BONFERRONI:
            return adjust.bonferroni(p), t_critical(alpha / n_pairs, df)
        if method is Method.SIDAK:
            single = float(-np.expm1(np.log1p(-alpha) / n_pairs))
            return adjust.sidak(p), t_critical(single, df)
        if method is Method.HOLM:
            return adjust.holm(p), float("nan")
        return adjust.false_discovery_rate(p), float("nan")


def f_sf(df_numerator: float, df_denominator: float, f: FloatArray) -> FloatArray:
    """Chance that F exceeds ``f``; also for infinitely many degrees of freedom."""
    if np.isinf(df_denominator):
        return np.asarray(special.chdtrc(df_numerator, df_numerator * f))
    return np.asarray(special.fdtrc(df_numerator, df_denominator, f))


def f_critical(alpha: float, df_numerator: float, df_denominator: float) -> float:
    """Value that F exceeds with chance ``alpha``."""
    if np.isinf(df_denominator):
        return float(special.chdtri(df_numerator, alpha)) / df_numerator
    return float(special.fdtri(df_numerator, df_denominator, 1.0 - alpha))


def two_sided_t(t: FloatArray, df: float) -> FloatArray:
    """Chance that Student's t exceeds ``t`` in size."""
    if np.isinf(df):
        return np.asarray(2.0 * special.ndtr(-np.abs(t)))
    return np.asarray(2.0 * special.stdtr(df, -np.abs(t)))


def t_critical(alpha: float, df: float) -> float:
    """Value that Student's t exceeds in size with chance ``alpha``."""
    if np.isinf(df):
        return float(-special.ndtri(alpha / 2.0))
    return float(-special.stdtrit(df, alpha / 2.0))


def _limits(
    difference: FloatArray,
    se: FloatArray,
    statistic: FloatArray,
    critical: float,
    alternative: Alternative,
) -> tuple[FloatArray, FloatArray]:
    """Limits of the differences, NaN where there is no statistic or no such limit."""
    half = np.where(np.isnan(statistic), np.nan, critical * se)
    lower, upper = difference - half, difference + half
    if alternative == "greater":
        upper = np.full_like(upper, np.nan)
    if alternative == "less":
        lower = np.full_like(lower, np.nan)
    return lower, upper
