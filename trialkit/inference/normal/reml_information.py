"""Derivatives of the restricted likelihood: gradient, average and other information."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel, RemlState


def gradient_and_average(
    model: CovarianceModel, state: RemlState, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gradient (K,) of the restricted log-likelihood and the average information (K, K)."""
    n_parameters = len(model.names)
    traces = np.zeros(n_parameters)
    fixed = np.zeros((n_parameters, x.shape[1], x.shape[1]))
    work = np.zeros((n_parameters, x.shape[0]))
    for batch, inverse in zip(model.batches, state.inverse, strict=True):
        d = model.derivatives(state.theta, batch)
        traces += d.reshape(n_parameters, -1) @ inverse.reshape(-1)
        vx = state.vx[batch.rows]
        dvx = d @ vx
        p = x.shape[1]
        fixed += vx.reshape(batch.rows.size, p).T @ dvx.reshape(n_parameters, batch.rows.size, p)
        work[:, batch.rows] = (d @ state.vr[batch.rows][..., None])[..., 0]
    traces -= np.einsum("ij,kij->k", state.phi, fixed)
    quadratic = work @ state.vr
    gradient = -0.5 * (traces - quadratic)
    projected = np.empty_like(work)
    for batch, inverse in zip(model.batches, state.inverse, strict=True):
        projected[:, batch.rows] = (inverse @ work[:, batch.rows][..., None])[..., 0]
    projected -= (work @ state.vx) @ state.phi @ state.vx.T
    average = 0.5 * work @ projected.T
    return gradient, 0.5 * (average + average.T)


@dataclass(frozen=True, slots=True, kw_only=True)
class Information:
    """Second-order quantities at one value of the variance parameters.

    Attributes
    ----------
    expected, curvature : (K, K) array
        Expected information; what the second derivatives of the covariance add to twice the
        average less the expected information to make the observed one.
    fixed : (K, p, p) array
        X' V^-1 V_k V^-1 X.
    curved : (K, K, p, p) array
        X' V^-1 V_kl V^-1 X.
    products : tuple of two (K, n, p) arrays for each batch
        V_k V^-1 X and V^-1 V_k V^-1 X.
    """

    expected: FloatArray
    curvature: FloatArray
    fixed: FloatArray
    curved: FloatArray
    products: tuple[tuple[FloatArray, FloatArray], ...]

    def observed(self, average: FloatArray) -> FloatArray:
        """Observed information (K, K) from the average one."""
        return 2.0 * average - self.expected + self.curvature


def information(model: CovarianceModel, state: RemlState, x: FloatArray) -> Information:
    """Work out the expected information and what Kenward and Roger's covariance needs."""
    phi = state.phi
    k, p = len(model.names), x.shape[1]
    half = _root(phi)
    trace, middle = np.zeros((k, k)), np.zeros((k, k))
    fixed, curved = np.zeros((k, p, p)), np.zeros((k, k, p, p))
    curvature = np.zeros((k, k))
    products = []
    for batch, inverse in zip(model.batches, state.inverse, strict=True):
        size = batch.rows.size
        d = model.derivatives(state.theta, batch)
        scaled = inverse @ d
        trace += scaled.reshape(k, -1) @ scaled.transpose(0, 1, 3, 2).reshape(k, -1).T
        vx, ur = state.vx[batch.rows], state.vr[batch.rows]
        dvx = d @ vx
        vdvx = inverse @ dvx
        products.append((dvx.reshape(k, size, p), vdvx.reshape(k, size, p)))
        middle += (dvx @ half).reshape(k, -1) @ (vdvx @ half).reshape(k, -1).T
        fixed += vx.reshape(size, p).T @ dvx.reshape(k, size, p)
        for i, j, second in model.curvature(state.theta, batch):
            inner = vx.reshape(size, p).T @ (second @ vx).reshape(size, p)
            value = float(np.sum(inverse * second)) - float(np.sum(phi * inner))
            value -= float(np.sum(ur * (second @ ur[..., None])[..., 0]))
            for a, b in {(i, j), (j, i)}:
                curved[a, b] += inner
                curvature[a, b] += 0.5 * value
    pairs = np.einsum("kij,lji->kl", phi @ fixed, phi @ fixed, optimize=True)
    return Information(
        expected=0.5 * (trace - 2.0 * middle + pairs),
        curvature=curvature,
        fixed=fixed,
        curved=curved,
        products=tuple(products),
    )


def bias_of_parameters(
    model: CovarianceModel, state: RemlState, info: Information, weights: FloatArray
) -> FloatArray:
    """First-order bias (K,) of the REML estimates; none where the covariance is linear in them.

    -1/4 W c with c_s = sum over t, u of W_tu tr(P V_tu P V_s), where W (``weights``) is the
    covariance of the parameters: the general bias of Cox DR & Snell EJ 1968, J. R. Stat. Soc. B
    30:248-275 (reference from memory), worked out here for the restricted likelihood.
    """
    phi = state.phi
    k, p = len(model.names), phi.shape[0]
    crossed = np.einsum("kl,klij->ij", weights, info.curved)
    c = np.einsum("ij,kji->k", phi @ crossed @ phi, info.fixed)
    for batch, inverse, (_, vdvx) in zip(model.batches, state.inverse, info.products, strict=True):
        second = np.zeros_like(inverse)
        for i, j, part in model.curvature(state.theta, batch):
            second += (1.0 if i == j else 2.0) * weights[i, j] * part
        d = model.derivatives(state.theta, batch)
        c += np.einsum("gij,kgji->k", inverse @ second @ inverse, d, optimize=True)
        left = (second @ state.vx[batch.rows]).reshape(-1, p)
        c -= 2.0 * np.einsum("ij,kij->k", phi, left.T @ vdvx.reshape(k, -1, p))
    return np.asarray(-0.25 * weights @ c)


def _root(phi: FloatArray) -> FloatArray:
    """Triangular root of the covariance of the fixed effects."""
    try:
        return np.asarray(np.linalg.cholesky(phi))
    except np.linalg.LinAlgError:  # singular to rounding
        raise NotEstimable("the data can't tell the fixed effects apart") from None
