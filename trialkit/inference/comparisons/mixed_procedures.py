"""Comparisons of means whose differences have standard errors and degrees of freedom of their own.

Means of a split-plot, or of a model fitted by REML, do not share one error. Procedures then use the
standard error and the degrees of freedom of each difference (Tukey's as after Kramer, with
Satterthwaite's degrees of freedom: approximate). Those that need one number for all (Dunnett,
Student-Newman-Keuls, Duncan) take the harmonic mean of the degrees of freedom.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from trialkit.inference.comparisons import adjust
from trialkit.inference.comparisons.distributions import (
    Alternative,
    studentized_range_isf,
    studentized_range_sf,
)
from trialkit.inference.comparisons.procedures import Comparisons, Method, compare_means
from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.normal.mixed import Estimates, MixedFit, differences, pairs
from trialkit.inference.normal.stratified import MeanKind, StratifiedFit

_ONE_DF = (Method.DUNNETT, Method.SNK, Method.DUNCAN)
_SQRT2 = float(np.sqrt(2.0))


def compare_mixed(
    fit: MixedFit,
    means: Estimates,
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
    overall_p: float | None = None,
) -> Comparisons:
    """Compare least-squares means of a mixed model.

    Parameters
    ----------
    fit : MixedFit
    means : Estimates
        Of ``fit``, such as ``fit.means("treatment")``.
    method, alpha, control, alternative
        As for `compare_means`.
    overall_p : float, optional
        P of the F test that protects LSD.

    Returns
    -------
    Comparisons
        Of one response; codes are places in ``means``.
    """
    a, b = pairs(len(means.estimate))
    d = differences(fit, means, [int(i) for i in a], [int(i) for i in b])
    return compare_pairs(
        means.estimate[:, None],
        d.se[:, None],
        d.df[:, None],
        method,
        alpha=alpha,
        control=control,
        alternative=alternative,
        overall_p=None if overall_p is None else np.array([overall_p]),
    )


def compare_stratified(
    fit: StratifiedFit,
    kind: MeanKind,
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
) -> Comparisons:
    """Compare the means of mains, subs or combinations of a split-plot or strip-plot.

    Parameters
    ----------
    fit : StratifiedFit
    kind : {"main", "sub", "main:sub"}
        LSD is protected by the F of the term of this name.
    method, alpha, control, alternative
        As for `compare_means`.

    Returns
    -------
    Comparisons
        Codes are places in ``fit.means(kind)``.
    """
    means = fit.means(kind)
    d = fit.differences("all" if kind == "main:sub" else kind)
    return compare_pairs(
        means.mean,
        d.se,
        d.df,
        method,
        alpha=alpha,
        control=control,
        alternative=alternative,
        overall_p=fit.term(kind).p,
    )


def compare_pairs(
    means: FloatArray,
    se: FloatArray,
    df: FloatArray,
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
    overall_p: FloatArray | None = None,
) -> Comparisons:
    """Compare means from the standard error and degrees of freedom of each difference.

    Parameters
    ----------
    means : (t, k) array
        NaN where not known.
    se, df : (t (t - 1) / 2, k) array
        Of all pairs a < b, in order of a.
    method, alpha, control, alternative
        As for `compare_means`.
    overall_p : (k,) array, optional
        P of the F test that protects LSD; required for it.

    Raises
    ------
    ValueError
        When an argument is out of range, or one that the method needs is missing.
    """
    method = Method(method)
    means = np.asarray(means, dtype=np.float64)
    a, b = pairs(len(means))
    if se.shape != (a.size, means.shape[1]) or df.shape != se.shape:
        raise ValueError("standard errors and degrees of freedom must be given for all pairs")
    if method is Method.LSD and overall_p is None:
        raise ValueError("protected LSD needs the p-value of F")
    columns = [
        _one_df(
            means[:, j],
            (a, b),
            se[:, j],
            df[:, j],
            method,
            alpha=alpha,
            control=control,
            alternative=alternative,
            overall_p=None if overall_p is None else overall_p[j : j + 1],
        )
        for j in range(means.shape[1])
    ]
    out = _stack(columns)
    return out if method in (*_ONE_DF, Method.NONE) else _own_df(out, se, df, means)


def _one_df(
    means: FloatArray,
    places: tuple[IntArray, IntArray],
    se: FloatArray,
    df: FloatArray,
    method: Method,
    *,
    alpha: float,
    control: int | None,
    alternative: Alternative,
    overall_p: FloatArray | None,
) -> Comparisons:
    """One response with one df for all pairs."""
    # Differences have the same variances and covariances with this as with the true covariance.
    cov = np.zeros((means.size, means.size))
    cov[places] = -0.5 * se**2
    cov += cov.T
    unknown = np.isnan(means)
    cov[unknown], cov[:, unknown] = np.nan, np.nan
    known = ~np.isnan(df) & (df > 0)
    common = float(known.sum() / (1.0 / df[known]).sum()) if known.any() else 0.0
    return compare_means(
        means[:, None],
        cov,
        np.ones(1),
        common,
        method,
        alpha=alpha,
        control=control,
        alternative=alternative,
        overall_p=overall_p,
    )


def _stack(columns: list[Comparisons]) -> Comparisons:
    """Put comparisons of single responses side by side."""
    first = columns[0]

    def join(name: str) -> FloatArray:
        return np.concatenate([getattr(c, name) for c in columns], axis=-1)

    return Comparisons(
        method=first.method,
        alternative=first.alternative,
        alpha=first.alpha,
        a=first.a,
        b=first.b,
        difference=join("difference"),
        se=join("se"),
        t=join("t"),
        p_adjusted=join("p_adjusted"),
        lower=join("lower"),
        upper=join("upper"),
        different=join("different").astype(bool),
        declared=join("declared").astype(bool),
    )


def _own_df(out: Comparisons, se: FloatArray, df: FloatArray, means: FloatArray) -> Comparisons:
    """The same comparisons with the degrees of freedom of each pair.

    A pair with less than one says nothing: its interval would span all that can be.
    """
    df = np.where(df >= 1, df, np.nan)
    usable = (se > 0) & ~np.isnan(df)
    t = np.abs(np.where(usable, out.difference / np.where(usable, se, 1.0), np.nan))
    n_means = (~np.isnan(means)).sum(axis=0)
    single = 2.0 * special.stdtr(df, -t)
    # Pairs that can be compared make up the family.
    n_pairs = np.maximum((~np.isnan(single)).sum(axis=0), 1)
    method, alpha = out.method, out.alpha
    critical = np.full(t.shape, np.nan)
    if method is Method.TUKEY:
        p, critical = _tukey(t, df, n_means, alpha)
    elif method is Method.SCHEFFE:
        between = np.maximum(n_means - 1, 1).astype(float)
        p = np.asarray(special.fdtrc(between, df, t**2 / between))
        critical = np.sqrt(between * special.fdtri(between, df, 1.0 - alpha))
    elif method is Method.LSD:
        p, critical = single, -special.stdtrit(df, alpha / 2.0)
    elif method is Method.BONFERRONI:
        p, critical = adjust.bonferroni(single), -special.stdtrit(df, alpha / (2.0 * n_pairs))
    elif method is Method.SIDAK:
        level = -np.expm1(np.log1p(-alpha) / n_pairs)
        p, critical = adjust.sidak(single), -special.stdtrit(df, level / 2.0)
    else:
        p = adjust.holm(single) if method is Method.HOLM else adjust.false_discovery_rate(single)
    half = np.where(np.isnan(t), np.nan, critical * se)
    declared = np.asarray((~np.isnan(p)).any(axis=0))
    if method is Method.LSD:
        declared = declared & out.declared
    with np.errstate(invalid="ignore"):
        different = (p <= alpha) & declared
    return Comparisons(
        method=method,
        alternative=out.alternative,
        alpha=alpha,
        a=out.a,
        b=out.b,
        difference=out.difference,
        se=se,
        t=np.where(np.isnan(t), np.nan, np.sign(out.difference) * t),
        p_adjusted=p,
        lower=out.difference - half,
        upper=out.difference + half,
        different=different,
        declared=declared,
    )


def _tukey(
    t: FloatArray, df: FloatArray, n_means: IntArray, alpha: float
) -> tuple[FloatArray, FloatArray]:
    """P-values and critical t of the studentized range, each pair with its df.

    Degrees of freedom are rounded to three digits, which moves a p-value by less than 0.001.
    """
    p, critical = np.full(t.shape, np.nan), np.full(t.shape, np.nan)
    usable = ~np.isnan(t)
    digits = 10.0 ** (np.floor(np.log10(np.where(usable, df, 1.0))) - 2.0)
    rounded = np.where(usable, np.rint(df / digits) * digits, 0.0)
    for j in range(t.shape[1]):
        m = int(n_means[j])
        for value in np.unique(rounded[usable[:, j], j]):
            chosen = usable[:, j] & (rounded[:, j] == value)
            exact = df[chosen, j]
            # One df for all of them needs no rounding.
            nu = float(exact[0]) if np.ptp(exact) < 1e-6 * exact[0] else float(value)
            p[chosen, j] = studentized_range_sf(t[chosen, j] * _SQRT2, m, nu)
            critical[chosen, j] = float(studentized_range_isf(alpha, m, nu)) / _SQRT2
    return p, critical
