"""Small-sample covariance and degrees of freedom of fixed effects fitted by REML.

Sources: Kenward MG & Roger JH 1997, Biometrics 53:983-997 (adjusted covariance, scaled F); for
covariances that are not linear in their parameters the bias of these is taken into account, as
Kenward MG & Roger JH 2009, Comput. Stat. Data Anal. 53:2583-2595, proposed: the adjustment then
does not depend on how the covariance is parametrised, and tests keep their level;
Satterthwaite FE 1946, Biometrics Bull. 2:110-114 (degrees of freedom of a mixture of variances);
Fai AH-T & Cornelius PL 1996, J. Stat. Comput. Simul. 54:363-378 (F of several contrasts).
References from memory; the arithmetic is checked against recorded answers of R.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel
from trialkit.inference.normal.reml import RemlSolution
from trialkit.inference.normal.reml_information import (
    bias_of_parameters,
    gradient_and_average,
    information,
)
from trialkit.inference.numerics.quadratic import quadratic_forms

_ZERO = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallSample:
    """What the degrees of freedom of fixed effects need.

    Attributes
    ----------
    phi : (p, p) covariance of the fixed effects, variances taken as known
    adjusted : (p, p) the same after Kenward and Roger, for having estimated them
    slope : (K, p, p) derivative of phi with respect to each variance parameter
    expected : (K, K) covariance of the variance parameters, from the expected information
    observed : (K, K) the same from the observed information; the expected one at a limit
    """

    phi: FloatArray
    adjusted: FloatArray
    slope: FloatArray
    expected: FloatArray
    observed: FloatArray


def small_sample(model: CovarianceModel, solution: RemlSolution, x: FloatArray) -> SmallSample:
    """Work out the small-sample quantities at the REML solution.

    Random factors of zero variance stay in the information: a main-plot error that is estimated
    as zero must not lend the main plots the degrees of freedom of the subplots. A parameter of
    the error structure at its limit (a correlation of zero) is taken as known.

    Raises
    ------
    NotEstimable
        The data can't tell the variance parameters apart.
    """
    state = solution.state
    phi = state.phi
    p = x.shape[1]
    info = information(model, state, x)
    known = solution.at_limit.copy()
    known[: len(model.random)] = False
    expected = _inverse(info.expected, known)
    # Sum over k, l of W (Q - P Phi P - R/4), the weights applied before the large products.
    inner = np.zeros((p, p))
    for dvx, vdvx in info.products:
        weighted = np.tensordot(expected, vdvx, axes=(1, 0))
        inner += dvx.reshape(-1, p).T @ weighted.reshape(-1, p)
    weighted = np.tensordot(expected, info.fixed, axes=(1, 0))
    inner -= np.einsum("kij,kjl->il", info.fixed @ phi, weighted, optimize=True)
    slope = phi @ info.fixed @ phi
    adjusted = phi + 2.0 * phi @ inner @ phi
    if info.curved.any():
        # Second derivatives and the bias of the parameters; what they leave is small.
        curved = 0.5 * phi @ np.einsum("kl,klij->ij", expected, info.curved) @ phi
        bias = bias_of_parameters(model, state, info, expected)
        curved += np.einsum("k,kij->ij", bias, slope)
        # Close to a limit the curvature can outweigh all else; leave it out then.
        if _positive_definite(adjusted - curved):
            adjusted -= curved
    if not _positive_definite(adjusted):
        raise NotEstimable("too little data for variances and their uncertainty")
    observed = expected
    if not solution.at_limit.any():
        second_order = info.observed(gradient_and_average(model, state, x)[1])
        if float(np.linalg.eigvalsh(second_order)[0]) > 0:
            observed = _inverse(second_order, known)
    return SmallSample(
        phi=phi,
        adjusted=0.5 * (adjusted + adjusted.T),
        slope=slope,
        expected=expected,
        observed=observed,
    )


def _positive_definite(matrix: FloatArray) -> bool:
    diagonal = np.diag(matrix)
    if not np.isfinite(matrix).all() or not np.all(diagonal > 0):
        return False
    scale = np.sqrt(diagonal)
    return float(np.linalg.eigvalsh(matrix / np.outer(scale, scale))[0]) > 0.0


def _inverse(information: FloatArray, known: BoolArray) -> FloatArray:
    """Inverse of an information matrix, zero for what is known; refuse an undetermined one."""
    out = np.zeros_like(information)
    part = information[np.ix_(~known, ~known)]
    diagonal = np.diag(part)
    if not np.isfinite(part).all() or not np.all(diagonal > 0):
        raise NotEstimable("the data hold no information on one of the variance parameters")
    scale = np.sqrt(diagonal)
    values, vectors = np.linalg.eigh(part / np.outer(scale, scale))
    if values.size and float(values[0]) < _ZERO:
        raise NotEstimable("the data can't tell the variance parameters apart")
    out[np.ix_(~known, ~known)] = (vectors / values) @ vectors.T / np.outer(scale, scale)
    return out


def contrast_df(contrasts: FloatArray, small: SmallSample, *, expected: bool) -> FloatArray:
    """Satterthwaite degrees of freedom of single contrasts.

    Parameters
    ----------
    contrasts : (q, p)
    small : SmallSample
    expected : bool
        Weigh with the expected information (as Kenward and Roger do) or the observed one.

    Returns
    -------
    (q,) degrees of freedom; NaN for a contrast without variance.
    """
    variance = quadratic_forms(contrasts, small.phi)
    slopes = quadratic_forms(contrasts, small.slope).T
    weights = small.expected if expected else small.observed
    spread = np.einsum("qk,kl,ql->q", slopes, weights, slopes)
    good = (variance > 0) & (spread > 0)
    out = np.full(len(contrasts), np.nan)
    out[good] = 2.0 * variance[good] ** 2 / spread[good]
    return out


def kenward_roger(
    contrasts: FloatArray, beta: FloatArray, small: SmallSample
) -> tuple[float, float]:
    """Scaled F and denominator degrees of freedom of linearly independent contrasts.

    Parameters
    ----------
    contrasts : (q, p)
        Full row rank.
    beta : (p,)
    small : SmallSample

    Returns
    -------
    F (already scaled) and its denominator degrees of freedom.
    """
    q = len(contrasts)
    estimate = contrasts @ beta
    # Of the contrasts alone: the traces of the source, with q rows in place of p.
    parts = np.linalg.inv(contrasts @ small.phi @ contrasts.T) @ (
        contrasts @ small.slope @ contrasts.T
    )
    trace = np.einsum("kii->k", parts)
    a1 = float(trace @ small.expected @ trace)
    a2 = float(np.sum(small.expected * np.einsum("kij,lji->kl", parts, parts, optimize=True)))
    wald = float(estimate @ np.linalg.solve(contrasts @ small.adjusted @ contrasts.T, estimate)) / q
    b = (a1 + 6.0 * a2) / (2.0 * q)
    g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2)
    divisor = 3.0 * q + 2.0 * (1.0 - g)
    v0 = 1.0 + g / divisor * b
    v1 = 1.0 - (q - g) / divisor * b
    v2 = 1.0 - (q + 2.0 - g) / divisor * b
    mean = 1.0 - a2 / q
    # Both vanish together at 2 df; their ratio then is one.
    both_zero = abs(mean) < _ZERO and abs(v1) < _ZERO
    ratio = 1.0 if both_zero else _divide(mean, v1)
    m = 4.0 + (q + 2.0) * _divide(v2, v0 * ratio**2 - v2)
    scale = 1.0 if abs(mean) < _ZERO and abs(m - 2.0) < 1e-6 else m * _divide(mean, m - 2.0)
    if not (np.isfinite(m) and np.isfinite(scale) and m > 0 and scale > 0):
        return wald, satterthwaite(contrasts, beta, small, expected=True)[1]
    return scale * wald, m


def satterthwaite(
    contrasts: FloatArray, beta: FloatArray, small: SmallSample, *, expected: bool = False
) -> tuple[float, float]:
    """Wald F and its denominator degrees of freedom after Fai and Cornelius.

    Parameters
    ----------
    contrasts : (q, p)
        Full row rank.
    beta : (p,)
    small : SmallSample
    expected : bool
        Which information weighs the variances; see `contrast_df`.

    Returns
    -------
    F and its denominator degrees of freedom (2 where a part has no more than 2: no mean exists).
    """
    q = len(contrasts)
    estimate = contrasts @ beta
    values, vectors = np.linalg.eigh(contrasts @ small.phi @ contrasts.T)
    f = float(np.sum((vectors.T @ estimate) ** 2 / values)) / q
    nu = contrast_df(vectors.T @ contrasts, small, expected=expected)
    if q == 1 or float(np.ptp(nu)) < 1e-8 * float(nu.mean()):
        return f, float(nu.mean())
    if np.any(nu <= 2.0):
        return f, 2.0
    total = float(np.sum(nu / (nu - 2.0)))
    return f, 2.0 * total / (total - q)


def _divide(top: float, bottom: float) -> float:
    return top / bottom if bottom != 0 else float("nan")


def f_probability(f: float, df: float, df_error: float) -> float:
    """Upper tail of F; NaN where F or its df are undefined."""
    if not (np.isfinite(f) and df > 0 and df_error > 0):
        return float("nan")
    return float(special.fdtrc(df, df_error, max(f, 0.0)))
