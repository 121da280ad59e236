"""Confidence distribution of ratios to a control, from group evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from trialkit.inference.layouts import BoolArray, FloatArray
from trialkit.inference.ratio_intervals_dispersion import DispersionPosterior, weigh
from trialkit.inference.ratio_intervals_distribution import LogGammaSum, difference
from trialkit.inference.ratio_intervals_evidence import Evidence

Alternative = Literal["two-sided", "less", "greater"]

_MOST_DF = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatioLaw:
    """Confidence distribution of the log ratio of every group to the control.

    Attributes
    ----------
    law : LogGammaSum
        At the best dispersions, trailing axes (t, m).
    stretch : (t, m) float array
        Factor on the normal score for what the best dispersions leave out.
    df : (t, m) float array
        Degrees of freedom of Student's t.
    dispersion : (t, m) float array
        Best dispersion of each group, geometric mean of the posterior.
    zero : (t, m) bool array
        Groups of zeros: they have no lower limit.
    defined : (t, m) bool array
    estimate : (t, m) float array
        Ratio to the control, NaN where not defined.
    scatter : (m,) float array
        Posterior weight of dispersions that differ between groups beyond any trend.
    """

    law: LogGammaSum
    stretch: FloatArray
    df: FloatArray
    dispersion: FloatArray
    zero: BoolArray
    defined: BoolArray
    estimate: FloatArray
    scatter: FloatArray

    def score(self, ratio: FloatArray) -> FloatArray:
        """Student score of a ratio (t, m): the share of confidence below it, as a t value."""
        with np.errstate(divide="ignore"):
            log_ratio = np.broadcast_to(np.log(ratio), self.df.shape)
        value: FloatArray = self.law.score(log_ratio) * self.stretch
        return value

    def p_value(self, ratio: FloatArray, alternative: Alternative = "two-sided") -> FloatArray:
        """P-value of a given true ratio, (t, m).

        Parameters
        ----------
        ratio : float array, positive, broadcast to (t, m)
        alternative : {"two-sided", "less", "greater"}
            ``less``: small p-values speak for a true ratio below the given one.
        """
        below = special.stdtr(self.df, self.score(ratio))
        if alternative == "less":
            p = 1.0 - below
        elif alternative == "greater":
            p = np.where(self.zero, 1.0, below)
        else:
            p = np.where(self.zero, 1.0 - below, 2.0 * np.minimum(below, 1.0 - below))
        return np.where(self.defined, p, np.nan)

    def limits(self, alpha: float) -> tuple[FloatArray, FloatArray]:
        """Limits of the ratio at the level ``1 - alpha``, (t, m) each."""
        tail = np.where(self.zero, alpha, 0.5 * alpha)
        quantile = special.stdtrit(self.df, 1.0 - tail) / self.stretch
        upper = np.exp(np.minimum(self.law.point(quantile), 700.0))
        lower = np.exp(self.law.point(-quantile))
        lower = np.where(self.zero, 0.0, np.minimum(lower, self.estimate))
        upper = np.maximum(upper, self.estimate)
        return (
            np.where(self.defined, lower, np.nan),
            np.where(self.defined, upper, np.nan),
        )


def posterior_of(evidence: Evidence) -> DispersionPosterior:
    """Weigh the dispersions of an evidence."""
    return weigh(evidence.log_likelihood, evidence.offset, evidence.floor, evidence.prior)


def law_to_control(evidence: Evidence, control: int) -> RatioLaw:
    """Work out the confidence distributions of all ratios to one group."""
    posterior = posterior_of(evidence)
    estimate = evidence.estimate
    groups = range(estimate.shape[0])
    base = evidence.parts(control, posterior.log_dispersions(control)).variance()
    pieces = [_piece(evidence, posterior, control, base, g) for g in groups]
    laws = [piece[0] for piece in pieces]
    law = LogGammaSum(
        shape=np.stack([one.shape for one in laws], axis=1),
        sign=laws[0].sign,
        factor=laws[0].factor,
        location=np.stack([one.location for one in laws]),
    )
    divisor = estimate[control]
    possible = np.where(divisor > 0.0, divisor, np.nan)
    defined = evidence.usable & (divisor > 0.0) & np.isfinite(estimate)
    defined[control] = False
    steady = posterior.prior.scatters == 0.0
    return RatioLaw(
        law=law,
        stretch=np.stack([piece[1] for piece in pieces]),
        df=np.stack([piece[2] for piece in pieces]),
        dispersion=np.stack([piece[3] for piece in pieces]),
        zero=estimate == 0.0,
        defined=defined,
        estimate=estimate / possible,
        scatter=posterior.scatter()[~steady].sum(axis=0),
    )


def _piece(
    evidence: Evidence,
    posterior: DispersionPosterior,
    control: int,
    base: FloatArray,
    group: int,
) -> tuple[LogGammaSum, FloatArray, FloatArray, FloatArray]:
    """Law, stretch, degrees of freedom and dispersion of one group against the control.

    Precisions, not variances, are averaged over the posterior: for a dispersion known as a
    chi-square over its degrees of freedom that gives Student's t with just these.
    """
    partner = group if group != control else (1 if control == 0 else 0)
    partner = min(partner, evidence.estimate.shape[0] - 1)
    joint = posterior.pair(partner, control) if partner != control else None
    if joint is None:
        alone = evidence.parts(control, evidence.prior.grid[:1, None] + 0.0 * base[0, :1])
        nothing = np.ones(evidence.estimate.shape[1])
        first = LogGammaSum(
            shape=alone.shape[:, 0],
            sign=alone.sign,
            factor=alone.factor,
            location=alone.location[0],
        )
        return difference(first, first), nothing, nothing, nothing * np.nan
    own = evidence.parts(partner, posterior.log_dispersions(partner)).variance()
    precision = 1.0 / (own[:, :, None] + base[:, None, :])
    first = (joint * precision).sum(axis=(0, 1, 2))
    second = (joint * precision**2).sum(axis=(0, 1, 2))
    df = np.clip(2.0 * first**2 / np.maximum(second - first**2, 1e-300), 1.0, _MOST_DF)
    best = (joint.sum(axis=2) * posterior.log_dispersions(partner)).sum(axis=(0, 1))
    best_base = (joint.sum(axis=1) * posterior.log_dispersions(control)).sum(axis=(0, 1))
    law = difference(evidence.parts(partner, best), evidence.parts(control, best_base))
    stretch = np.sqrt(law.variance() * first / evidence.widening[partner])
    dispersion = np.exp(best_base if group == control else best)
    return law, stretch, df, dispersion
