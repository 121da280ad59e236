"""Logarithms of what is left of a pest, jointly: for questions that several means answer together.

Ratios of two means have exact laws (`Course.ratios`). What hangs on more of them, or on means that
err together (plots in larger units, a slope in common), is taken on the scale of logarithms, where
sums of means err evenly to both sides: a combination of log means is normal, with the variance
that `CourseMoments` tells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.laws.course_moments import CourseMoments
from trialkit.inference.laws.share_differences import recovered_limits


@dataclass(frozen=True, kw_only=True, eq=False)
class JointLogs:
    """Log means of t treatments on d days, adjusted for the count before treatment.

    Attributes
    ----------
    moments : CourseMoments
    untreated : int
    before : int or None
        Day of the count before treatment that others are divided by.
    power, power_se : float
        Of that count: 0 where it is not allowed for; and its standard error, where it is a slope.
    """

    moments: CourseMoments
    untreated: int
    before: int | None = None
    power: float = 0.0
    power_se: float = 0.0

    @property
    def start(self) -> FloatArray:
        """How far each log mean lies above that of the untreated before treatment (t,)."""
        logs = self.moments.log_total
        if self.before is None:
            return np.zeros(len(logs))
        apart: FloatArray = logs[:, self.before] - logs[self.untreated, self.before]
        return apart

    @property
    def logs(self) -> FloatArray:
        """Adjusted log means (t, d)."""
        adjusted: FloatArray = self.moments.log_total - self.power * self.start[:, None]
        return adjusted

    def covariance(self, rows: FloatArray) -> FloatArray:
        """Covariance (q, q) of combinations (q, t, d) of the adjusted log means."""
        if self.before is None or self.power == 0.0:
            return self.moments.covariance(rows)
        of_each = rows.sum(axis=2)
        raw = rows.copy()
        raw[:, :, self.before] -= self.power * of_each
        raw[:, self.untreated, self.before] += self.power * of_each.sum(axis=1)
        slanted = of_each @ np.nan_to_num(self.start)
        return self.moments.covariance(raw) + self.power_se**2 * np.outer(slanted, slanted)

    def shares(self, treatments: tuple[int, int], day: int) -> float:
        """Correlation of what two treatments leave of the untreated on a day, as logarithms."""
        rows = np.zeros((2, *self.moments.mean.shape))
        for row, code in zip(rows, treatments, strict=True):
            row[code, day] += 1.0
            row[self.untreated, day] -= 1.0
        found = self.covariance(rows)
        size = float(np.sqrt(found[0, 0] * found[1, 1]))
        return float(np.clip(found[0, 1] / size, -1.0, 1.0)) if size > 0.0 else 0.0


def beyond_in_points(
    joint: JointLogs,
    mixture: int,
    parts: list[int],
    widths: FloatArray,
    alpha: float,
) -> tuple[float, float, float]:
    """Control by a mixture beyond what its parts let expect (Colby), in percentage points.

    Tested is the ratio of what the mixture left to what was to be expected, as a logarithm. The
    limits of their difference are recovered from those of each and how the two go together.

    Parameters
    ----------
    joint : JointLogs
    mixture : int
    parts : list of int
    widths : (d,) float array
        Weight of each day in the sum; 0 for days that are not asked about.
    alpha : float

    Returns
    -------
    lower, upper, p : float
        NaN where a mean is not known.
    """
    days = np.flatnonzero(widths > 0.0)
    logs, untreated = joint.logs[:, days], joint.untreated
    others = len(parts) - 1
    hoped = logs[parts].sum(axis=0) - others * logs[untreated]
    if not np.isfinite([*hoped, *logs[mixture], *logs[untreated]]).all():
        return float("nan"), float("nan"), float("nan")
    sums, shares = zip(
        *(_of_sum(widths[days], one) for one in (hoped, logs[mixture], logs[untreated])),
        strict=True,
    )
    rows = np.zeros((2, *joint.moments.mean.shape))
    for part in parts:
        rows[0, part, days] += shares[0]
    rows[0, untreated, days] -= others * shares[0]
    rows[1, mixture, days] += shares[1]
    rows[:, untreated, days] -= shares[2]
    covariance = joint.covariance(rows)
    se = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    apart = covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1]
    score = (sums[0] - sums[1]) / np.sqrt(apart) if apart > 0.0 else np.nan
    p = float(2.0 * special.ndtr(-abs(score)))
    left = np.array(sums[:2]) - sums[2]
    half = float(special.ndtri(1.0 - alpha / 2.0)) * se
    expected, found = (
        (
            100.0 * np.exp([centre]),
            100.0 * np.exp([centre - reach]),
            100.0 * np.exp([centre + reach]),
        )
        for centre, reach in zip(left, half, strict=True)
    )
    together = np.array([covariance[0, 1] / np.prod(se) if np.prod(se) > 0.0 else 0.0])
    low, high = recovered_limits(expected, found, together, np.array([p < alpha]))
    return float(low[0]), float(high[0]), p


def _of_sum(widths: FloatArray, logs: FloatArray) -> tuple[float, FloatArray]:
    """Logarithm of a weighted sum, and the share of each day in it."""
    each = widths * np.exp(logs)
    return float(np.log(each.sum())), each / each.sum()
