"""Comparisons of treatment means, all responses of a fit at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trialkit.inference.comparisons.distributions import Alternative, dunnett_isf, dunnett_sf
from trialkit.inference.comparisons.family import Family
from trialkit.inference.comparisons.letters import letters_of_all
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.stepwise import stepwise_p
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray
from trialkit.inference.fit import Covariance, Fit

_ONE_DF = (Method.DUNNETT, Method.SNK, Method.DUNCAN)


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
    df : (p, k) array
        Degrees of freedom by which the pair was tested; NaN where it was not.
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
    df: FloatArray
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
    fit: Fit,
    method: Method | str,
    *,
    rows: FloatArray | None = None,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
    overall_p: FloatArray | None = None,
) -> Comparisons:
    """Compare the least-squares means of a fit, by one error or by several.

    Parameters
    ----------
    fit : Fit
    method : Method
    rows : (t, c) array, optional
        Coefficients of the means that are compared; the means of the fit by default.
    alpha : float
        Level, between 0 and 1.
    control : int, optional
        Place of the control among the means, for Dunnett.
    alternative : {"two-sided", "greater", "less"}
        For Dunnett: whether treatments are thought to lie above or below the control.
    overall_p : (k,) array, optional
        P of the F test that protects LSD; that of all the means by default.

    Returns
    -------
    Comparisons

    Raises
    ------
    ValueError
        When an argument is out of range, or Dunnett has no control.
    """
    own = np.eye(fit.n_means) if rows is None else rows
    if overall_p is None and Method(method) is Method.LSD:
        overall_p = fit.overall(own).p
    shared = fit.covariance(own)
    if shared is None:
        a, b = _pairs(len(own), None)
        apart = fit.contrasts(own[a] - own[b])
        return compare_pairs(
            fit.contrasts(own).estimate,
            (apart.se, apart.df),
            method,
            alpha=alpha,
            control=control,
            alternative=alternative,
            overall_p=overall_p,
        )
    return compare_means(
        fit.contrasts(own).estimate,
        shared,
        method,
        alpha=alpha,
        control=control,
        alternative=alternative,
        overall_p=overall_p,
    )


def compare_means(
    means: FloatArray,
    shared: Covariance,
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
    shared : Covariance
        Of the means, with the mean squares of the k responses. Its degrees of freedom need not be
        whole; below 1 there are no p-values.
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
    _check(method, alpha, control, alternative, len(means))
    if method is Method.LSD and overall_p is None:
        raise ValueError("protected LSD needs the p-value of F")
    a, b = _pairs(len(means), control if method is Method.DUNNETT else None)
    difference = means[a] - means[b]
    se = np.sqrt(np.outer(_difference_variance(shared.unit)[a, b], shared.ms_error))
    df = np.full(se.shape, float(shared.df))
    statistic = _statistic(difference, se, df)
    p, critical = np.full(statistic.shape, np.nan), np.array(np.nan)
    known = ~np.isnan(np.diagonal(shared.unit))
    live = known[a] & known[b]
    if live.any() and shared.df >= 1 and method is not Method.NONE:
        pairs = a[live], b[live]
        if method is Method.DUNNETT:
            p[live], critical = _dunnett(statistic[live], shared, pairs, alpha, alternative)
        elif method in (Method.SNK, Method.DUNCAN):
            p[live] = _stepwise(means, shared, pairs, method)
        else:
            family = Family(
                t=np.abs(statistic[live]),
                df=float(shared.df),
                alpha=alpha,
                n_means=np.full(means.shape[1], known.sum()),
            )
            p[live], critical = family.solve(method)
    return _declare(
        (method, alternative if method is Method.DUNNETT else "two-sided", alpha),
        (a, b),
        (difference, se, df, statistic),
        (p, critical),
        overall_p,
    )


def compare_pairs(
    means: FloatArray,
    errors: tuple[FloatArray, FloatArray],
    method: Method | str,
    *,
    alpha: float = 0.05,
    control: int | None = None,
    alternative: Alternative = "two-sided",
    overall_p: FloatArray | None = None,
) -> Comparisons:
    """Compare means from the standard error and degrees of freedom of each difference.

    Means of a split-plot, or of a model fitted by REML, do not share one error. Procedures then
    use the standard error and the degrees of freedom of each difference (Tukey's as after Kramer,
    with Satterthwaite's degrees of freedom: approximate). Those that need one number for all
    (Dunnett, Student-Newman-Keuls, Duncan) take the harmonic mean of the degrees of freedom.

    Parameters
    ----------
    means : (t, k) array
        NaN where not known.
    errors : tuple of two (t (t - 1) / 2, k) arrays
        Standard error and degrees of freedom of all pairs a < b, in order of a. A pair with less
        than one degree of freedom says nothing: its interval would span all that can be.
    method, alpha, control, alternative
        As for `compare`.
    overall_p : (k,) array, optional
        P of the F test that protects LSD; required for it.

    Raises
    ------
    ValueError
        When an argument is out of range, or one that the method needs is missing.
    """
    method = Method(method)
    means = np.asarray(means, dtype=np.float64)
    a, b = _pairs(len(means), None)
    se, df = errors
    if se.shape != (a.size, means.shape[1]) or df.shape != se.shape:
        raise ValueError("standard errors and degrees of freedom must be given for all pairs")
    _check(method, alpha, control, alternative, len(means))
    if method is Method.LSD and overall_p is None:
        raise ValueError("protected LSD needs the p-value of F")
    if method in _ONE_DF:
        parts = []
        for j in range(means.shape[1]):
            cov, common = common_error(means[:, j], (a, b), se[:, j], df[:, j])
            shared = Covariance(unit=cov, ms_error=np.ones(1), df=common)
            one = means[:, [j]], shared, method
            parts.append(compare_means(*one, alpha=alpha, control=control, alternative=alternative))
        return _beside(parts)
    difference = means[a] - means[b]
    df = np.where(df >= 1, df, np.nan)
    statistic = _statistic(difference, se, df)
    p, critical = np.full(statistic.shape, np.nan), np.array(np.nan)
    if method is not Method.NONE:
        family = Family(
            t=np.abs(statistic), df=df, alpha=alpha, n_means=(~np.isnan(means)).sum(axis=0)
        )
        p, critical = family.solve(method)
    return _declare(
        (method, "two-sided", alpha),
        (a, b),
        (difference, se, df, statistic),
        (p, critical),
        overall_p,
    )


def common_error(
    means: FloatArray, places: tuple[IntArray, IntArray], se: FloatArray, df: FloatArray
) -> tuple[FloatArray, float]:
    """Covariance of the means of one response, and one df for all pairs.

    Differences have the same variances and covariances with this as with the true covariance.

    Parameters
    ----------
    means : (t,) array
        NaN where not known.
    places : two (p,) int arrays
        All pairs a < b.
    se, df : (p,) array
        Of their differences.
    """
    cov = np.zeros((means.size, means.size))
    cov[places] = -0.5 * se**2
    cov += cov.T
    unknown = np.isnan(means)
    cov[unknown], cov[:, unknown] = np.nan, np.nan
    known = ~np.isnan(df) & (df > 0)
    return cov, float(known.sum() / (1.0 / df[known]).sum()) if known.any() else 0.0


def _beside(parts: list[Comparisons]) -> Comparisons:
    """Put comparisons of single responses side by side."""
    joined: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts], axis=-1)
        for name in (
            "difference", "se", "df", "t", "p_adjusted", "lower", "upper", "different", "declared",
        )
    }  # fmt: skip
    return replace(parts[0], **joined)


def _statistic(difference: FloatArray, se: FloatArray, df: FloatArray) -> FloatArray:
    """Differences over their standard errors, NaN where these are nought or without df."""
    usable = (se > 0) & (df >= 1)
    return np.where(usable, difference / np.where(usable, se, 1.0), np.nan)


def _dunnett(
    statistic: FloatArray,
    shared: Covariance,
    pairs: tuple[IntArray, IntArray],
    alpha: float,
    alternative: Alternative,
) -> tuple[FloatArray, FloatArray]:
    correlation = pair_correlation(shared.unit, *pairs)
    if not np.isfinite(correlation).all():
        # A difference that does not vary, or of unknown variance: nothing to test all by.
        return np.full(statistic.shape, np.nan), np.array(np.nan)
    p = dunnett_sf(statistic, correlation, shared.df, alternative=alternative)
    return p, np.array(dunnett_isf(alpha, correlation, shared.df, alternative=alternative))


def _stepwise(
    means: FloatArray, shared: Covariance, pairs: tuple[IntArray, IntArray], method: Method
) -> FloatArray:
    known = ~np.isnan(np.diagonal(shared.unit))
    place = np.cumsum(known) - 1
    return stepwise_p(
        means[known],
        _difference_variance(shared.unit[np.ix_(known, known)]),
        np.where(shared.ms_error > 0, shared.ms_error, np.nan),
        shared.df,
        (place[pairs[0]], place[pairs[1]]),
        duncan=method is Method.DUNCAN,
    )


def _declare(
    how: tuple[Method, Alternative, float],
    pairs: tuple[IntArray, IntArray],
    numbers: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    solved: tuple[FloatArray, FloatArray],
    overall_p: FloatArray | None,
) -> Comparisons:
    """Add limits of the differences, and what the procedure declares."""
    (method, alternative, alpha), (p, critical) = how, solved
    difference, se, df, statistic = numbers
    half = np.where(np.isnan(statistic), np.nan, critical * se)
    lower, upper = difference - half, difference + half
    if alternative == "greater":
        upper = np.full_like(upper, np.nan)
    if alternative == "less":
        lower = np.full_like(lower, np.nan)
    declared: BoolArray = np.asarray((~np.isnan(p)).any(axis=0))
    if method is Method.LSD and overall_p is not None:
        declared = declared & (np.asarray(overall_p) <= alpha)
    return Comparisons(
        method=method,
        alternative=alternative,
        alpha=alpha,
        a=pairs[0],
        b=pairs[1],
        difference=difference,
        se=se,
        df=np.where(np.isnan(statistic), np.nan, df),
        t=statistic,
        p_adjusted=p,
        lower=lower,
        upper=upper,
        different=np.where(np.isnan(p), False, p <= alpha) & declared,
        declared=declared,
    )


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


def pair_correlation(unit_cov: FloatArray, a: IntArray, b: IntArray) -> FloatArray:
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
