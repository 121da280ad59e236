"""Estimates of several trials with their covariances, and how trials may differ from each other.

Each trial gives contrasts with one baseline (log ratios to the untreated), with the covariance that
its plots tell. Between trials the true contrasts differ with covariance

    T = a I + b J  (J all ones)

for the contrasts of one trial: ``a`` is of treatment and site, ``b`` of what shifts all contrasts
of a site together, the baseline among it. With a = b this is the usual half correlation of
contrasts that share a baseline (Higgins JPT & Whitehead A 1996, Stat. Med. 15:2733-2749, from
memory); it is what two trials are held to, as they cannot tell a from b. The spread of one contrast
between sites is tau = sqrt(a + b). Where treatments were shown to differ in it, each has its own
``a``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import Batch, CovarianceModel

Spread = Literal["shared", "half", "own"]
#: Log ratios farther than this from what is expected are taken to be that far.
_FAR = 5.0


@dataclass(frozen=True, slots=True)
class NothingFurther:
    """No error beside the covariances that are known and the random effects."""

    names: tuple[str, ...] = ()

    @property
    def powers(self) -> FloatArray:
        """Power of the unit in each parameter: there is none."""
        return np.zeros(0)

    @property
    def lower(self) -> FloatArray:
        """Lower limits: none."""
        return np.zeros(0)

    @property
    def upper(self) -> FloatArray:
        """Upper limits: none."""
        return np.zeros(0)

    def start(self, residuals: FloatArray) -> FloatArray:  # noqa: ARG002
        """Start values: none."""
        return np.zeros(0)

    def matrix(self, theta: FloatArray) -> FloatArray:  # noqa: ARG002
        """Covariance (1, 1): nought."""
        return np.zeros((1, 1))

    def first(self, theta: FloatArray) -> FloatArray:  # noqa: ARG002
        """First derivatives (0, 1, 1)."""
        return np.zeros((0, 1, 1))

    def second(self, theta: FloatArray) -> FloatArray | None:  # noqa: ARG002
        """Second derivatives: none."""
        return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialEstimates:
    """Estimates of k trials, one below the other.

    Attributes
    ----------
    estimate : (n,) array
    treatment : (n,) int array
        Codes from 0; every code is there.
    trial : (n,) int array
        Codes from 0, the estimates of one trial next to each other.
    covariances : tuple of (m, m) array
        Sampling covariance inside each trial, in its order.
    counted : (n,) array
        What of the sampling variance comes from the number of individuals behind the estimate
        itself, and falls as that rises; nought where variances do not hang on the estimates.
    """

    estimate: FloatArray
    treatment: IntArray
    trial: IntArray
    covariances: tuple[FloatArray, ...]
    counted: FloatArray

    @property
    def n_trials(self) -> int:
        """Number of trials."""
        return len(self.covariances)

    @property
    def n_treatments(self) -> int:
        """Number of treatments."""
        return int(self.treatment.max()) + 1

    @property
    def trials_of(self) -> IntArray:
        """How many trials each treatment is in (t,)."""
        return np.bincount(self.treatment, minlength=self.n_treatments)

    @property
    def variance(self) -> FloatArray:
        """Sampling variance of each estimate (n,)."""
        return np.concatenate([np.diagonal(part) for part in self.covariances])

    def evened(self, expected: FloatArray) -> TrialEstimates:
        """The same, with the sampling variances that estimates of ``expected`` (n,) would have.

        An estimate that chance made low counts few individuals, and has a large variance of its
        own making: weights by such variances pull what is pooled towards the high ones.
        """
        counted = self.counted * np.exp(np.clip(self.estimate - expected, -_FAR, _FAR))
        ends = np.cumsum([len(part) for part in self.covariances])[:-1]
        parts = np.split(counted - self.counted, ends)
        return replace(
            self,
            covariances=tuple(
                part + np.diag(more) for part, more in zip(self.covariances, parts, strict=True)
            ),
        )

    def without(self, trial: int) -> TrialEstimates:
        """The estimates of all trials but one, treatments as they were.

        Raises
        ------
        NotEstimable
            Where a treatment is in that trial alone.
        """
        left = [code for code in range(self.n_trials) if code != trial]
        return self._kept(left, None)

    def only(self, treatment: int) -> TrialEstimates:
        """The estimates of one treatment, in the trials that have it, as code 0."""
        return self._kept(range(self.n_trials), treatment)

    def _kept(self, trials: Sequence[int], treatment: int | None) -> TrialEstimates:
        estimate, codes, owners, counted = [], [], [], []
        parts: list[FloatArray] = []
        for trial in trials:
            rows = np.flatnonzero(self.trial == trial)
            chosen = (
                np.arange(rows.size)
                if treatment is None
                else np.flatnonzero(self.treatment[rows] == treatment)
            )
            if chosen.size == 0:
                continue
            estimate.append(self.estimate[rows[chosen]])
            counted.append(self.counted[rows[chosen]])
            codes.append(self.treatment[rows[chosen]] if treatment is None else 0 * chosen)
            owners.append(np.full(chosen.size, len(parts), dtype=np.intp))
            parts.append(self.covariances[trial][np.ix_(chosen, chosen)])
        if treatment is None and len(set(np.concatenate([*codes, []]))) < self.n_treatments:
            raise NotEstimable("a treatment is in no other trial")
        return TrialEstimates(
            estimate=np.concatenate(estimate),
            treatment=np.concatenate(codes).astype(np.intp),
            trial=np.concatenate(owners),
            covariances=tuple(parts),
            counted=np.concatenate(counted),
        )


def trial_estimates(
    estimates: Sequence[FloatArray],
    covariances: Sequence[FloatArray],
    treatments: Sequence[IntArray],
    counted: Sequence[FloatArray] | None = None,
) -> TrialEstimates:
    """Put the estimates of several trials below each other.

    Parameters
    ----------
    estimates : sequence of (m,) array
        One array a trial; finite.
    covariances : sequence of (m, m) array
        Positive definite.
    treatments : sequence of (m,) int array
        Codes from 0, none twice in a trial, together without a gap.
    counted : sequence of (m,) array, optional
        What of each variance falls as the estimate rises.

    Raises
    ------
    ValueError
        When they do not fit together, or are not finite.
    """
    if not estimates or not len(estimates) == len(covariances) == len(treatments):
        raise ValueError("there must be estimates, a covariance and treatments for every trial")
    for one, cov, codes in zip(estimates, covariances, treatments, strict=True):
        size = len(one)
        if size == 0 or cov.shape != (size, size) or len(codes) != size:
            raise ValueError("estimates, covariance and treatments of a trial differ in length")
        if len(set(codes)) != size:
            raise ValueError("a treatment stands twice in one trial")
        if not (np.isfinite(one).all() and np.isfinite(cov).all()):
            raise ValueError("estimates and their covariances must be finite")
    codes = np.concatenate(treatments).astype(np.intp)
    if codes.min() < 0 or len(set(codes)) != codes.max() + 1:
        raise ValueError("codes of treatments must run from 0 without a gap")
    sizes = [len(one) for one in estimates]
    return TrialEstimates(
        estimate=np.concatenate(estimates),
        treatment=codes,
        trial=np.repeat(np.arange(len(sizes), dtype=np.intp), sizes),
        covariances=tuple(np.asarray(cov, dtype=np.float64) for cov in covariances),
        counted=np.zeros(sum(sizes)) if counted is None else np.concatenate(counted),
    )


def between_trials(data: TrialEstimates, spread: Spread) -> CovarianceModel:
    """Covariance of all estimates: known inside trials, with parameters between them.

    Parameters are variances: ``a`` and ``b`` where the spread is shared; tau squared at half
    correlation; one ``a`` a treatment and ``b`` where each has its own. Where no trial has two
    treatments, tau squared alone.
    """
    starts = np.flatnonzero(np.diff(np.concatenate([[-1], data.trial])))
    sizes = np.diff(np.append(starts, data.trial.size))
    names = parameter_names(data, spread)
    batches = []
    for size in np.unique(sizes):
        trials = np.flatnonzero(sizes == size)
        rows = starts[trials][:, None] + np.arange(size)
        batches.append(
            Batch(
                rows=rows,
                shared=_patterns(data.treatment[rows], names, data.n_treatments),
                within=np.zeros((len(trials), size, size)),
                time=np.zeros(rows.shape, dtype=np.intp),
                known=np.stack([data.covariances[trial] for trial in trials]),
            )
        )
    n = data.estimate.size
    return CovarianceModel(
        random=names,
        signed=False,
        structure=NothingFurther(),
        subject=np.arange(n),
        time=np.zeros(n, dtype=np.intp),
        batches=tuple(batches),
    )


def parameter_names(data: TrialEstimates, spread: Spread) -> tuple[str, ...]:
    """Names of the variances between trials."""
    if data.estimate.size == data.n_trials or spread == "half":
        return ("tau",)
    if spread == "shared":
        return ("treatment x trial", "trial")
    return (*(f"treatment {code} x trial" for code in range(data.n_treatments)), "trial")


def _patterns(codes: IntArray, names: tuple[str, ...], t: int) -> FloatArray:
    """What each variance multiplies, (parameters, g, m, m)."""
    g, m = codes.shape
    own = np.broadcast_to(np.eye(m), (g, m, m))
    shared = np.ones((g, m, m))
    if len(names) == 1:
        return (own + shared)[None] / 2.0
    if len(names) == 2:
        return np.stack([own, shared])
    apart = [own * (codes == code)[:, :, None] for code in range(t)]
    return np.stack([*apart, shared])
