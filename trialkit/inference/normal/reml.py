"""Restricted maximum likelihood for mixed models of plots: average information, safe steps.

Source: Gilmour AR, Thompson R & Cullis BR 1995, Biometrics 51:1440-1450 (average information;
reference from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import BoolArray, FloatArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel, RemlState, evaluate
from trialkit.inference.normal.reml_information import gradient_and_average, information

_MAX_ITERATIONS = 200
# Newton decrement (twice the gain still expected in the log-likelihood) at which to stop, and
# below which the answer is good enough where rounding allows no better one.
_DECREMENT = 1e-14
_GOOD_ENOUGH = 1e-8
# Steps with the average information before the observed one is tried: it is dearer and serves
# only near the top.
_PATIENCE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlSolution:
    """Where the restricted likelihood is largest.

    Attributes
    ----------
    state : RemlState at the solution
    at_limit : (K,) parameters that stand at a limit (a variance of zero)
    iterations : steps taken
    converged : whether no further gain was expected
    """

    state: RemlState
    at_limit: BoolArray
    iterations: int
    converged: bool


def maximise(
    model: CovarianceModel, x: FloatArray, y: FloatArray, start: FloatArray | None = None
) -> RemlSolution:
    """Maximise the restricted likelihood over the variance parameters.

    Newton steps with the average information, projected on the limits and halved until the
    likelihood does not fall. ``y`` should be of unit scale (residual variance about one).

    Parameters
    ----------
    model : CovarianceModel
    x : (n, p)
        Fixed effects, full column rank.
    y : (n,)
    start : (K,), optional
        Start values.

    Raises
    ------
    NotEstimable
        No start value gives a positive definite covariance, or variance parameters can't be told
        apart (a random factor that is the same as another or as the error).
    """
    if start is None:
        start = model.start(y - x @ np.linalg.lstsq(x, y, rcond=None)[0])
    lower, upper = model.lower, model.upper
    theta = np.clip(start, lower, upper)
    state = evaluate(model, theta, x, y)
    if state is None:
        msg = "no positive definite covariance to start from"
        raise NotEstimable(msg)
    decrement = np.inf
    steps = 0
    at_limit = np.zeros(len(theta), dtype=bool)
    while steps < _MAX_ITERATIONS:
        steps += 1
        gradient, average = gradient_and_average(model, state, x)
        at_limit = ((state.theta <= lower) & (gradient <= 0)) | (
            (state.theta >= upper) & (gradient >= 0)
        )
        if np.any(np.diag(average) < 0) or not np.isfinite([*gradient, *average.ravel()]).all():
            # The covariance is singular to rounding: there is no top to go to.
            decrement = np.inf
            break
        free = ~at_limit
        step = np.zeros_like(state.theta)
        if free.any():
            part = np.ix_(free, free)
            curve = average[part]
            if steps > _PATIENCE:
                curve = _sharper(information(model, state, x).observed(average)[part], curve)
            step[free] = _newton(curve, gradient[free])
        decrement = float(gradient @ step)
        better = None
        if decrement > 0:
            better = _line_search(model, state, step, gradient, x, y)
            if better is None and decrement > _DECREMENT:
                # The average information can mislead far from the top; the gradient cannot.
                steepest = np.where(free, gradient / np.maximum(np.diag(average), 1e-12), 0.0)
                better = _line_search(model, state, steepest, gradient, x, y)
        if better is not None:
            state = better
        if decrement < _DECREMENT or better is None:
            break
    return RemlSolution(
        state=state, at_limit=at_limit, iterations=steps, converged=bool(decrement < _GOOD_ENOUGH)
    )


def _sharper(observed: FloatArray, average: FloatArray) -> FloatArray:
    """The observed information where it is positive definite, else the average one."""
    diagonal = np.diag(observed)
    if not np.all(diagonal > 0):
        return average
    scale = np.sqrt(diagonal)
    smallest = float(np.linalg.eigvalsh(observed / np.outer(scale, scale))[0])
    return observed if smallest > 1e-8 else average


def _newton(information: FloatArray, gradient: FloatArray) -> FloatArray:
    """Solve for the step; directions without information get a bounded one."""
    diagonal = np.diag(information)
    floor = max(1e-12 * float(diagonal.max()), 1e-150)
    scale = np.sqrt(np.maximum(diagonal, floor))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    values = np.maximum(values, 1e-8 * max(float(values[-1]), 1e-8))
    return np.asarray((vectors @ ((vectors.T @ (gradient / scale)) / values)) / scale)


def _line_search(
    model: CovarianceModel,
    state: RemlState,
    step: FloatArray,
    gradient: FloatArray,
    x: FloatArray,
    y: FloatArray,
) -> RemlState | None:
    """First of the step's halves, inside the limits, where the likelihood rises enough.

    None where no half is left that moves anything.
    """
    slack = 1e-12 * (1.0 + abs(state.log_likelihood))
    for halving in range(40):
        theta = np.clip(state.theta + 0.5**halving * step, model.lower, model.upper)
        if np.array_equal(theta, state.theta):
            return None
        candidate = evaluate(model, theta, x, y)
        if candidate is not None:
            promised = 1e-4 * float(gradient @ (theta - state.theta))
            if candidate.log_likelihood >= state.log_likelihood + promised - slack:
                return candidate
    return None
