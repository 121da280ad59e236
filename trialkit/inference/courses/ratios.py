"""Shares that groups leave of an untreated one: residuals and covariances on the log scale."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import special

from trialkit.inference.courses.evidence import CourseEvidence
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray

_TINY = 1e-12
#: Largest correlation between two groups that is believed.
_MOST = 0.95
#: Least relative variance that plots add: keeps the deviance in one form.
_LEAST_PLOTS = 1e-6
#: What an untreated group or a count at the start that found nothing is taken for.
_HALF = 0.5
#: Largest variance of its own that the logarithm of a group is given.
_MOST_OWN = 50.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratios:
    """Groups against one of them on d days, each free of chance in its own way.

    A group is compared with what the untreated lets expect of it (``level``) times a share. The
    residual is the signed root of the deviance of the negative binomial, so that nothing found is
    as good as any share near 0; brought to the log scale, where the untreated errs with it.

    Attributes
    ----------
    total, level, plots : (t, d) float array
        Individuals counted, those expected at a share of 1, and the relative variance of plots.
    below : (t, d) float array
        By how much the logarithms of ``level`` lie below those of what is expected.
    beside : (t, d, d) float array
        Covariance of the residuals but for what a group has of its own on a day.
    df : float
        Degrees of freedom of the variances.
    """

    total: FloatArray
    level: FloatArray
    plots: FloatArray
    below: FloatArray
    beside: FloatArray
    df: float
    _errors: _Errors

    @property
    def known(self) -> BoolArray:
        """Where a group was counted, (t, d)."""
        return np.isfinite(self.total)

    def only(self, wanted: BoolArray) -> Ratios:
        """Leave out groups and days (t, d) that are not wanted."""
        return replace(self, total=np.where(wanted, self.total, np.nan))

    def weighed(self, log_share: FloatArray) -> Weighed:
        """Covariances of the residuals where shares (t, d) are about these."""
        mean = np.where(self.known, self.level * np.exp(log_share), 0.0)
        own = np.minimum(1.0 / np.maximum(mean, _TINY) + self.plots, _MOST_OWN)
        matrix = self.beside.copy()
        place = np.arange(own.shape[1])
        matrix[:, place, place] += own
        # What makes the score of a share nothing on average, to the second order in the error of
        # what is expected: a count is held against that itself, a dispersion against its logarithm.
        error = self.beside[:, place, place]
        bend = 2.0 * self.plots / own - 1.0
        return Weighed(
            known=self.known,
            total=np.where(self.known, self.total, 0.0),
            level=self.level * np.exp(np.clip(self.below + 0.5 * bend * error, -1.0, 1.0)),
            plots=np.maximum(self.plots, _LEAST_PLOTS),
            root=np.sqrt(own),
            matrix=matrix,
        )

    def correlations(self, weights: FloatArray) -> FloatArray:
        """Correlations (t, t) between weighted sums of the groups' residuals, of variance 1.

        Parameters
        ----------
        weights : (t, d) float array
        """
        errors = self._errors
        each = weights @ errors.to_ratio
        own, check = each * errors.common, each * errors.common[errors.untreated]
        overlap = errors.overlap
        mixed = overlap[:, [errors.untreated]] * (own @ errors.correlation @ check.T)
        found = each @ errors.shared @ each.T - mixed - mixed.T
        found += overlap * (own @ errors.correlation @ own.T)
        np.fill_diagonal(found, 1.0)
        limited: FloatArray = np.clip(found, -_MOST, _MOST)
        return limited


@dataclass(frozen=True, kw_only=True, eq=False)
class Weighed:
    """Ratios with the covariance of their residuals.

    Attributes
    ----------
    known : (t, d) bool array
        Residuals elsewhere are 0.
    total, level, plots : (t, d) float array
        As of the ratios, the level freed of bias.
    root : (t, d) float array
        Standard deviation that a group has of its own.
    matrix : (t, d, d) float array
    """

    known: BoolArray
    total: FloatArray
    level: FloatArray
    plots: FloatArray
    root: FloatArray
    matrix: FloatArray

    def deviates(self, log_share: FloatArray) -> FloatArray:
        """Residuals of log shares (t, ..., d)."""
        lead = self._lead(log_share)
        m = self.level[lead] * np.exp(log_share)
        return self._signed(lead, log_share, m) * self._scale[lead]

    def residuals(self, log_share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Residuals of log shares (t, ..., d), and their slopes on the log share."""
        lead = self._lead(log_share)
        scale = self._scale[lead]
        m = self.level[lead] * np.exp(log_share)
        size = self._signed(lead, log_share, m)
        gap, varied = self.total[lead] - m, 1.0 + self.plots[lead] * m
        near = np.abs(gap) < 1e-4 * (m + _TINY)
        slope = -np.abs(gap) / varied / np.where(near, 1.0, np.abs(size) + _TINY)
        slope = np.where(near, -np.sqrt(m / varied), slope)
        return size * scale, slope * scale

    def _signed(
        self, lead: tuple[slice | None, ...], log_share: FloatArray, m: FloatArray
    ) -> FloatArray:
        """Signed roots of deviances at means m."""
        y, phi = self.total[lead], self.plots[lead]
        # Logarithms of what does not move are taken once, and not at every step of a fit.
        logs = self._logs[lead] - log_share
        above = self._log_plots[lead] - np.log1p(phi * m)
        deviance = 2.0 * (y * logs - self._both[lead] * above)
        return np.copysign(np.sqrt(np.maximum(deviance, 0.0)), y - m)

    def _lead(self, log_share: FloatArray) -> tuple[slice | None, ...]:
        return (slice(None), *([None] * (log_share.ndim - 2)))

    @cached_property
    def _scale(self) -> FloatArray:
        return np.where(self.known, self.root, 0.0)

    @cached_property
    def _logs(self) -> FloatArray:
        level = np.log(np.maximum(self.level, _TINY))
        return np.log(np.where(self.total > 0.0, self.total, 1.0)) - level

    @cached_property
    def _log_plots(self) -> FloatArray:
        return np.log1p(self.plots * self.total)

    @cached_property
    def _both(self) -> FloatArray:
        return self.total + 1.0 / self.plots


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Errors:
    """Errors of the log means that groups share, on the days after treatment and the start.

    ``to_ratio`` (d, days) makes log ratios of log means; ``shared`` (days, days) is the covariance
    of the untreated.
    """

    to_ratio: FloatArray
    shared: FloatArray
    common: FloatArray
    correlation: FloatArray
    overlap: FloatArray
    untreated: int


class _Spread(NamedTuple):
    """How the log means of the groups vary together, (groups, days) and (days, days)."""

    plots: FloatArray
    chance: FloatArray
    common: FloatArray
    correlation: FloatArray
    overlap: FloatArray

    def between(self, i: int, j: int) -> FloatArray:
        """Covariance of the log means of two groups, (days, days)."""
        product = np.outer(self.common[i], self.common[j]) * self.correlation
        if i == j:
            own = np.diag(self.chance[i] + self.plots[i])
            return np.where(np.eye(len(own), dtype=bool), own, product)
        whole: FloatArray = self.overlap[i, j] * product
        return whole

    def beside(self, untreated: int, shared: FloatArray, to_ratio: FloatArray) -> FloatArray:
        """Covariance of the log ratios but for the group's own scatter on each day after."""
        groups, after = len(self.plots), to_ratio.shape[0]
        found = np.empty((groups, after, after))
        for i in range(groups):
            own = self.between(i, i)
            own[:after, :after][np.eye(after, dtype=bool)] = 0.0
            cross = self.between(i, untreated) if i != untreated else np.zeros_like(own)
            found[i] = to_ratio @ (own + shared - cross - cross.T) @ to_ratio.T
        return found


def ratios(
    evidence: CourseEvidence,
    after: IntArray,
    untreated: int,
    *,
    start: int | None = None,
    power: float = 0.0,
) -> Ratios:
    """Set groups against the untreated on the days after treatment.

    Parameters
    ----------
    evidence : CourseEvidence
    after : (d,) int array
        Places of the days.
    untreated : int
        Its group, which must have been found on each of them.
    start : int, optional
        Place of the day before treatment.
    power : float
        To which the ratio before treatment is raised that the later one is divided by: 0 is
        Abbott, 1 Henderson-Tilton.
    """
    adjusted = start is not None and power != 0.0
    days = np.append(after, start) if adjusted and start is not None else np.asarray(after)
    to_ratio = np.eye(after.size, days.size)
    if adjusted:
        to_ratio[:, -1] = -power
    total, exposure = evidence.total[:, days], evidence.exposure[:, days]
    counted = np.where(np.isfinite(total), total, 0.0)
    plots, common = evidence.plots[:, days], evidence.common[:, days]
    log_mean = np.log(np.maximum(counted, _HALF) / np.maximum(exposure, _TINY))
    chance = 1.0 / np.maximum(counted, _HALF)
    shape = 1.0 / np.maximum(plots, _LEAST_PLOTS)
    shape_of_check = shape[untreated]
    # The logarithm of few plots that differ much varies more than they do.
    check = np.sqrt(special.polygamma(1, shape_of_check) * shape_of_check)
    rho = evidence.correlation[np.ix_(days, days)]
    spread = _Spread(plots, chance, common, rho, evidence.overlap)
    shared = spread.between(untreated, untreated) * np.outer(check, check)
    beside = spread.beside(untreated, shared, to_ratio)
    # The logarithm of a mean lies below that of what is expected: for chance by half of its
    # variance, for plots as that of a gamma variable.
    half = 0.5 * chance + np.log(shape) - special.digamma(shape)
    below = np.repeat(half[[untreated], : after.size], len(total), axis=0)
    log_exposure = np.log(np.maximum(exposure, _TINY))[:, : after.size]
    expected = log_mean[untreated, : after.size] + log_exposure
    if adjusted:
        gap = log_mean[:, -1] - log_mean[untreated, -1]
        expected = expected + power * gap[:, None]
        below += power * (half[:, [-1]] - half[untreated, -1])
    return Ratios(
        total=total[:, : after.size],
        level=np.exp(expected),
        plots=plots[:, : after.size],
        below=below,
        beside=beside,
        df=evidence.df,
        _errors=_Errors(
            to_ratio=to_ratio,
            shared=shared,
            common=common,
            correlation=rho,
            overlap=evidence.overlap,
            untreated=untreated,
        ),
    )
