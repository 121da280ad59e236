"""Contrasts of means inside trials, and the variance of treatment x environment that they tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import Batch, CovarianceModel
from trialkit.inference.normal.degrees_of_freedom import SmallSample, small_sample
from trialkit.inference.normal.reml import maximise
from trialkit.inference.pooling.effects import NothingFurther


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialMeans:
    """Means of one trial.

    Attributes
    ----------
    treatment : (m,) int array
        Codes from 0.
    mean : (m,) array
    unit : (m, m) array
        Covariance of the means for an error variance of one.
    error_variance, df : float
    """

    treatment: IntArray
    mean: FloatArray
    unit: FloatArray
    error_variance: float
    df: float


class TrialContrasts:
    """REML of the contrasts inside trials; what it makes of the means is linear in them."""

    def __init__(
        self, trials: tuple[TrialMeans, ...], errors: FloatArray, t: int, *, signed: bool = True
    ) -> None:
        self.trials, self.t = trials, t
        helmert = [centred(trial.mean.size).T for trial in trials]
        unit = float(np.sqrt(np.mean(np.concatenate([_spread(trial) for trial in trials]))))
        if not unit > 0.0:
            raise NotEstimable("the means do not vary")
        x = np.vstack(
            [
                k @ _indicator(trial, t) @ centred(t)
                for k, trial in zip(helmert, trials, strict=True)
            ]
        )
        y = np.concatenate([k @ trial.mean for k, trial in zip(helmert, trials, strict=True)])
        if np.linalg.matrix_rank(x) < t - 1:
            raise NotEstimable("no chain of trials connects all treatments")
        if x.shape[0] <= t - 1:
            raise NotEstimable("nothing is left that would tell of treatment x environment")
        self.known = [
            error * k @ trial.unit @ k.T
            for k, trial, error in zip(helmert, trials, errors, strict=True)
        ]
        model = _model([part / unit**2 for part in self.known], x.shape[0], signed=signed)
        solution = maximise(model, x, y / unit, np.array([0.5]))
        if signed and not solution.converged:
            model = _model([part / unit**2 for part in self.known], x.shape[0], signed=False)
            solution = maximise(model, x, y / unit, np.array([0.5]))
        small = small_sample(model, solution, x)
        power = unit**2
        self.small = SmallSample(
            phi=small.phi * power,
            adjusted=small.adjusted * power,
            slope=small.slope,
            expected=small.expected * power**2,
            observed=small.observed * power**2,
        )
        self.interaction = float(solution.state.theta[0]) * power
        self.beta = solution.state.beta * unit
        self.x, self.y = x, y
        self.weighted = _linear(solution.state.phi @ solution.state.vx.T, helmert, t)
        self.ordinary = _linear(np.asarray(np.linalg.pinv(x)), helmert, t)

    def means(self, linear: tuple[FloatArray, ...]) -> tuple[FloatArray, tuple[FloatArray, ...]]:
        """Means (t,) over all environments, and how they are made of those of the trials.

        ``linear`` says how treatments are made of them, about the mean of all treatments.
        """
        k = len(self.trials)
        seen = np.mean([_indicator(trial, self.t).mean(axis=0) for trial in self.trials], axis=0)
        apart = np.eye(self.t) - seen
        made = tuple(
            apart @ part + 1.0 / (k * trial.mean.size)
            for part, trial in zip(linear, self.trials, strict=True)
        )
        total = np.sum(
            [part @ trial.mean for part, trial in zip(made, self.trials, strict=True)], axis=0
        )
        return np.asarray(total), made


def _linear(
    coefficients: FloatArray, helmert: Sequence[FloatArray], t: int
) -> tuple[FloatArray, ...]:
    """How treatments (t,) are made of the means of each trial, from coefficients of contrasts."""
    ends = np.cumsum([len(k) for k in helmert])[:-1]
    parts = np.split(centred(t) @ coefficients, ends, axis=1)
    return tuple(part @ k for part, k in zip(parts, helmert, strict=True))


def _model(known: Sequence[FloatArray], n: int, *, signed: bool = True) -> CovarianceModel:
    """Covariance of the contrasts: known errors, and one variance of treatment x environment."""
    sizes = np.array([len(part) for part in known])
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    batches = []
    for size in np.unique(sizes):
        chosen = np.flatnonzero(sizes == size)
        rows = starts[chosen][:, None] + np.arange(size)
        batches.append(
            Batch(
                rows=rows.astype(np.intp),
                shared=np.broadcast_to(np.eye(size), (1, chosen.size, size, size)),
                within=np.zeros((chosen.size, size, size)),
                time=np.zeros(rows.shape, dtype=np.intp),
                known=np.stack([known[int(place)] for place in chosen]),
            )
        )
    return CovarianceModel(
        random=("treatment x environment",),
        signed=signed,
        structure=NothingFurther(),
        subject=np.arange(n),
        time=np.zeros(n, dtype=np.intp),
        batches=tuple(batches),
    )


def centred(n: int) -> FloatArray:
    """Orthonormal columns (n, n - 1) that sum to zero."""
    return np.asarray(linalg.helmert(n).T)


def _indicator(trial: TrialMeans, t: int) -> FloatArray:
    out = np.zeros((trial.treatment.size, t))
    out[np.arange(trial.treatment.size), trial.treatment] = 1.0
    return out


def _spread(trial: TrialMeans) -> FloatArray:
    """Squares of the means about that of their trial, and what error makes of each."""
    about = (trial.mean - trial.mean.mean()) ** 2
    return np.asarray(about + trial.error_variance * np.abs(np.diagonal(trial.unit)))
