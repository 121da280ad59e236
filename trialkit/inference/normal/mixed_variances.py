"""Variances of a mixed model by REML, found on residuals of unit size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from trialkit.inference.design.layout import BoolArray, FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel, evaluate
from trialkit.inference.normal.degrees_of_freedom import SmallSample, small_sample
from trialkit.inference.normal.reml import RemlSolution, maximise
from trialkit.inference.normal.repeated_contrasts import ErrorContrasts

DfMethod = Literal["kenward-roger", "satterthwaite"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Variances:
    """Variance parameters (K,), what they move the fixed effects by (p,), and how they came."""

    theta: FloatArray
    theta_se: FloatArray
    at_limit: BoolArray
    shift: FloatArray
    signed: bool
    small: SmallSample | None = None
    log_likelihood: float = float("nan")
    iterations: int = 0
    converged: bool = True

    @classmethod
    def none(cls, model: CovarianceModel, x: FloatArray) -> Variances:
        """Variances of zero, where the fixed effects explain the response to rounding."""
        k = len(model.names)
        return cls(
            theta=np.zeros(k),
            theta_se=np.full(k, np.nan),
            at_limit=np.ones(k, dtype=bool),
            shift=np.zeros(x.shape[1]),
            signed=model.signed,
        )

    def covariance(self, size: int, method: DfMethod) -> FloatArray:
        """Covariance of the fixed effects that standard errors come from."""
        if self.small is None:
            return np.full((size, size), np.nan)
        return self.small.adjusted if method == "kenward-roger" else self.small.phi


def find_variances(
    model: CovarianceModel,
    n_random: int,
    data: tuple[FloatArray, FloatArray],
    scale: float,
    contrasts: ErrorContrasts | None,
) -> Variances:
    """Find the variances of ordinary residuals, brought to unit size and back.

    Parameters
    ----------
    model : CovarianceModel
    n_random : int
        How many of its parameters are variances of random factors.
    data : (n, p) array, (n,) array
        Columns of the fixed effects, and ordinary residuals.
    scale : float
        About how large residuals are.
    contrasts : ErrorContrasts, optional
        The same observations freed of the fixed effects.

    Raises
    ------
    NotEstimable
        No error is left beside the random effects.
    """
    x, rest = data[0], data[1] / scale
    solution = _solution(model, x, rest, contrasts)
    if model.signed and not solution.converged:
        model = replace(model, signed=False)
        solution = maximise(model, x, rest)
    own = solution.at_limit[n_random:] & (model.structure.powers > 0)
    if own.any():
        raise NotEstimable("no error is left beside the random effects")
    unit, powers = small_sample(model, solution, x), scale**model.powers
    small = SmallSample(
        phi=unit.phi * scale**2,
        adjusted=unit.adjusted * scale**2,
        slope=unit.slope * scale**2 / powers[:, None, None],
        expected=unit.expected * np.outer(powers, powers),
        observed=unit.observed * np.outer(powers, powers),
    )
    limit, state = solution.at_limit, solution.state
    return Variances(
        theta=np.where(limit & (model.powers > 0), 0.0, state.theta * powers),
        theta_se=np.where(limit, np.nan, np.sqrt(np.diag(small.observed))),
        at_limit=limit,
        shift=scale * state.beta,
        signed=model.signed,
        small=small,
        log_likelihood=state.log_likelihood - (len(rest) - x.shape[1]) * float(np.log(scale)),
        iterations=solution.iterations,
        converged=solution.converged,
    )


def _solution(
    model: CovarianceModel, x: FloatArray, y: FloatArray, contrasts: ErrorContrasts | None
) -> RemlSolution:
    """Top of the restricted likelihood of ordinary residuals ``y``."""
    if contrasts is None:
        return maximise(model, x, y)
    found = contrasts.maximise(y, model.start(y))
    state = evaluate(model, found.state.theta, x, y)
    return maximise(model, x, y) if state is None else replace(found, state=state)
