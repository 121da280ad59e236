"""Mixed models of plots: REML variances, tests and means with small-sample degrees of freedom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trialkit.inference.design.fixed_model import FixedModel, independent_columns, null_space
from trialkit.inference.design.layout import BoolArray, Codes, FloatArray, IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel, covariance_model
from trialkit.inference.normal.covariance_structures import Structure
from trialkit.inference.normal.degrees_of_freedom import (
    SmallSample,
    contrast_df,
    f_probability,
    kenward_roger,
    satterthwaite,
)
from trialkit.inference.normal.linear import ZERO_ULPS
from trialkit.inference.normal.mixed_variances import DfMethod, Variances, find_variances
from trialkit.inference.normal.repeated_contrasts import ErrorContrasts
from trialkit.inference.numerics.quadratic import quadratic_forms

# Share of a coefficient vector outside what the data can see, above which it is not estimable.
_ESTIMABLE = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeated:
    """Errors of one subject over days.

    Attributes
    ----------
    subject, time : (n,) codes
    structure : Structure
        Its days are the codes of ``time``.
    """

    subject: IntArray
    time: IntArray
    structure: Structure


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedTest:
    """Test of one fixed term: F, its degrees of freedom and p; NaN where undefined.

    ``note`` says where the term could not be tested beside the terms that contain it.
    """

    source: str
    df: int
    df_error: float
    F: float
    p: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimates:
    """Means or contrasts (m,) with standard errors and degrees of freedom.

    Attributes
    ----------
    levels : (m, f) int array
        Level codes of a grid of means; (m, 0) for contrasts.
    coefficients : (m, P) array
        What was estimated, in columns of the fixed model.
    estimate, se, df, t, p : (m,) array
        Two-sided test against zero; NaN where not estimable.
    """

    levels: IntArray
    coefficients: FloatArray
    estimate: FloatArray
    se: FloatArray
    df: FloatArray
    t: FloatArray
    p: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """A mixed model fitted by REML.

    Attributes
    ----------
    model : FixedModel
        With the rows that were used.
    rows : (n_used,) int array
        Which observations were used (not NaN).
    names : tuple of str
        Variance parameters: random factors, then the error structure's.
    theta : (K,) array
        Their estimates, in (squared) units of the response.
    theta_se : (K,) array
        Asymptotic standard errors; NaN for a parameter at its limit.
    at_limit : (K,) bool array
        Parameters at a limit; a variance there is reported as zero.
    log_likelihood : float
        Restricted log-likelihood, free of the coding of the fixed effects.
    coefficients : (P,) array
        Fixed effects; NaN in columns that repeat others.
    kept : (P,) bool array
        Columns that were fitted.
    covariance : (p, p) array
        Covariance of the fitted coefficients that standard errors come from (adjusted after
        Kenward and Roger unless Satterthwaite's method was asked for).
    fitted, residuals : (n_used,) array
        Of the fixed effects alone.
    method : str
        Degrees of freedom, ``kenward-roger`` or ``satterthwaite``.
    signed : bool
        Whether variances of random factors were allowed below zero.
    iterations : int
    converged : bool
    """

    model: FixedModel
    rows: IntArray
    names: tuple[str, ...]
    theta: FloatArray
    theta_se: FloatArray
    at_limit: BoolArray
    log_likelihood: float
    coefficients: FloatArray
    kept: BoolArray
    covariance: FloatArray
    fitted: FloatArray
    residuals: FloatArray
    method: DfMethod
    signed: bool
    iterations: int
    converged: bool
    _small: SmallSample | None
    _hidden: FloatArray
    _response: FloatArray
    _random: Mapping[str, IntArray]
    _repeated: Repeated | None

    @property
    def variances(self) -> dict[str, float]:
        """Variance parameters by name."""
        return {name: float(v) for name, v in zip(self.names, self.theta, strict=True)}

    def contrasts(self, coefficients: FloatArray, levels: IntArray | None = None) -> Estimates:
        """Estimate linear combinations of the fixed effects.

        Parameters
        ----------
        coefficients : (m, P)
            In columns of the fixed model (`FixedModel.columns`).
        levels : (m, f), optional
            Level codes to carry along.
        """
        coefficients = np.atleast_2d(np.asarray(coefficients, dtype=np.float64))
        m = len(coefficients)
        size = np.maximum(np.abs(coefficients).max(axis=1), 1e-300)
        good = np.abs(coefficients @ self._hidden).max(axis=1, initial=0.0) < _ESTIMABLE * size
        rows = coefficients[:, self.kept]
        beta = self.coefficients[self.kept]
        estimate = np.where(good, rows @ beta, np.nan)
        se, df = np.full(m, np.nan), np.full(m, np.nan)
        if self._small is not None:
            variance = quadratic_forms(rows, self.covariance)
            se = np.where(good & (variance > 0), np.sqrt(np.maximum(variance, 0.0)), np.nan)
            expected = self.method == "kenward-roger"
            df = np.where(good, contrast_df(rows, self._small, expected=expected), np.nan)
        t = estimate / se
        p = 2.0 * special.stdtr(df, -np.abs(t))
        empty = np.zeros((m, 0), dtype=np.intp)
        return Estimates(
            levels=empty if levels is None else levels,
            coefficients=coefficients,
            estimate=estimate,
            se=se,
            df=df,
            t=t,
            p=np.asarray(p),
        )

    def means(self, *names: str) -> Estimates:
        """Least-squares means of all combinations of some factors, others weighted equally."""
        levels, coefficients = self.model.grid(names)
        return self.contrasts(coefficients, levels)

    def test(self, coefficients: FloatArray, source: str = "", note: str = "") -> FixedTest:
        """Test that linear combinations (q, P) of the fixed effects are all zero."""
        rows = np.atleast_2d(coefficients)[:, self.kept]
        rows = rows[independent_columns(rows.T)]
        q = len(rows)
        f = df_error = float("nan")
        if q and self._small is not None:
            method = kenward_roger if self.method == "kenward-roger" else satterthwaite
            f, df_error = method(rows, self.coefficients[self.kept], self._small)
        p = f_probability(f, q, df_error)
        return FixedTest(source=source, df=q, df_error=df_error, F=f, p=p, note=note)

    def anova(self) -> tuple[FixedTest, ...]:
        """Test every fixed term, adjusted for all others.

        A term is tested at equal weights of the levels of other factors. Where combinations are
        missing that is not possible for the terms inside an interaction; they are then tested
        in the model without the terms that contain them, and the note says so.
        """
        _, places = self.model.columns()
        out = []
        for term, source, place in zip(self.model.terms, self.model.sources, places, strict=True):
            wider = self.model.containing(term)
            spoilt = any(
                not self.kept[places[self.model.terms.index(t)]].all() for t in (*wider, term)
            )
            if spoilt and wider:
                out.append(self._without(wider, source, int(self.kept[place].sum())))
                continue
            chosen = np.flatnonzero(self.kept[place]) + place.start
            rows = np.zeros((len(chosen), len(self.kept)))
            rows[np.arange(len(chosen)), chosen] = 1.0
            note = "some levels or combinations are missing" if spoilt else ""
            out.append(self.test(rows, source, note))
        return tuple(out)

    def _without(self, wider: Sequence[tuple[str, ...]], source: str, df: int) -> FixedTest:
        """Test of a term in the model without the terms that contain it."""
        try:
            inner = mixed_fit(
                self._response,
                self.model.without(wider),
                random=self._random,
                repeated=self._repeated,
                method=self.method,
                signed=self.signed,
            )
        except NotEstimable as fault:
            note = f"combinations are missing, and without their interactions {fault}"
            nothing = float("nan")
            return FixedTest(
                source=source, df=df, df_error=nothing, F=nothing, p=nothing, note=note
            )
        test = next(t for t in inner.anova() if t.source == source)
        note = "combinations are missing: tested without the interactions that hold it"
        return replace(test, note=note)


def mixed_fit(
    response: FloatArray,
    model: FixedModel,
    *,
    random: Mapping[str, Codes] | None = None,
    repeated: Repeated | None = None,
    method: DfMethod = "kenward-roger",
    signed: bool = False,
    contrasts: ErrorContrasts | None = None,
) -> MixedFit:
    """Fit a mixed model by REML.

    Parameters
    ----------
    response : (n,) array
        NaN where an observation is missing.
    model : FixedModel
        Fixed effects.
    random : mapping of name to (n,) codes, optional
        Random factors, each with one variance.
    repeated : Repeated, optional
        Correlation of the errors of a subject over days; independent errors when left out.
    method : {"kenward-roger", "satterthwaite"}
        Small-sample degrees of freedom.
    signed : bool
        Let the variance of a random factor come out negative, as sums of squares do. Where the
        factor stands for a size of plot with an error of its own, this keeps the level of its
        tests: cut at zero, they reject a true null far too rarely. Where the likelihood then has
        no top (little data), variances are cut at zero after all.
    contrasts : ErrorContrasts, optional
        The same observations freed of the fixed effects: variances are found on them.

    Returns
    -------
    MixedFit
        Where the fixed effects explain the response to rounding, variances are zero and tests
        undefined (NaN).

    Raises
    ------
    ValueError
        An infinite response, or lengths that differ.
    NotEstimable
        No observation beyond the fixed effects; variance parameters that the data can't tell
        apart.
    """
    if method not in ("kenward-roger", "satterthwaite"):
        raise ValueError("degrees of freedom are kenward-roger or satterthwaite")
    rows, y = _observed(response, model)
    used = model.take(rows)
    groups = {k: np.asarray(c)[rows].astype(np.intp) for k, c in (random or {}).items()}
    if repeated is not None:
        repeated = Repeated(
            subject=repeated.subject[rows], time=repeated.time[rows], structure=repeated.structure
        )
    full, _ = used.columns()
    kept = independent_columns(full)
    x = full[:, kept]
    if len(y) <= x.shape[1]:
        raise NotEstimable("no observation is left beyond the fixed effects")
    # Work on ordinary residuals of unit size: offsets and units then cost no digits.
    ordinary = np.linalg.lstsq(x, y, rcond=None)[0]
    rest = y - x @ ordinary
    scale = float(np.sqrt(np.sum(rest**2) / (len(y) - x.shape[1])))
    covariance = _covariance(len(y), groups, repeated, signed=signed)
    if len(y) - x.shape[1] < len(covariance.names):
        raise NotEstimable("the data can't tell the variance parameters apart")
    explained = scale <= ZERO_ULPS * np.finfo(float).eps * float(np.abs(y).max(initial=0.0))
    parts = covariance, len(groups), (x, rest), scale, contrasts
    found = Variances.none(covariance, x) if explained else find_variances(*parts)
    beta = ordinary + found.shift
    coefficients = np.full(len(kept), np.nan)
    coefficients[kept] = beta
    return MixedFit(
        model=used,
        rows=rows,
        names=covariance.names,
        theta=found.theta,
        theta_se=found.theta_se,
        at_limit=found.at_limit,
        log_likelihood=found.log_likelihood,
        coefficients=coefficients,
        kept=kept,
        covariance=found.covariance(x.shape[1], method),
        fitted=x @ beta,
        residuals=y - x @ beta,
        method=method,
        signed=found.signed,
        iterations=found.iterations,
        converged=found.converged,
        _small=found.small,
        _hidden=null_space(full),
        _response=y,
        _random=groups,
        _repeated=repeated,
    )


def _observed(response: FloatArray, model: FixedModel) -> tuple[IntArray, FloatArray]:
    """Which observations are not missing, and their values.

    Raises
    ------
    ValueError
        An infinite response, or lengths that differ.
    NotEstimable
        No observation at all.
    """
    y = np.asarray(response, dtype=np.float64)
    if np.isinf(y).any():
        raise ValueError("responses must be finite, or NaN where missing")
    if y.shape != (model.n,):
        raise ValueError("the response must have one value for each observation")
    rows = np.flatnonzero(~np.isnan(y)).astype(np.intp)
    if rows.size == 0:
        raise NotEstimable("nothing was observed")
    return rows, y[rows]


def _covariance(
    n: int, groups: dict[str, IntArray], repeated: Repeated | None, *, signed: bool
) -> CovarianceModel:
    """Model of the covariance of observations, with independent errors where none are repeated."""
    if repeated is None:
        return covariance_model(n, groups, signed=signed)
    return covariance_model(
        n,
        groups,
        subject=repeated.subject,
        time=repeated.time,
        structure=repeated.structure,
        signed=signed,
    )
