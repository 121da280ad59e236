"""Lines in the logit of what is left, fitted to courses by Gauss and Newton, all at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.courses.ratios import Ratios, Weighed
from trialkit.inference.design.layout import FloatArray, IntArray

#: Slopes, in logits over the whole time, and logits at the start from which a fit sets out.
_SLOPES = np.array([0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 40.0])
_LEVELS = np.array([-8.0, -4.0, -2.0, -1.0, 0.0, 1.0, 2.5, 5.0])
#: Steepest slope over the whole time, and largest logit.
_STEEP, _MOST = 60.0, 12.0
_STEPS, _FREE_STEPS = 4, 8
#: What a shape of one more parameter must gain, in units of the deviance, before it counts.
GAIN = 3.0
_TINY = 1e-12
#: What bars a shape.
_NEVER = 1e4


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a course does beside falling along a line.

    Attributes
    ----------
    skip : int
        Assessments at the start at which control may be anything: it still rises.
    hinge : int
        Place of the day up to which it is level.
    """

    skip: int
    hinge: int

    @property
    def parameters(self) -> int:
        """Level and slope, and what is free beside them."""
        return 2 + self.skip + int(self.hinge > self.skip)


def shapes_for(days: int) -> tuple[Shape, ...]:
    """Shapes that so many assessments can tell apart."""
    found = [Shape(skip=0, hinge=0)]
    if days >= 4:
        found += [Shape(skip=0, hinge=k) for k in range(1, days - 1)]
        found += [Shape(skip=1, hinge=1)]
    if days >= 6:
        found += [Shape(skip=2, hinge=2)]
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Free:
    """Best lines of t groups and h shapes.

    ``level`` and ``slope`` (t, h) are the logit up to the hinge and its rise a day after it;
    ``deviance`` (t, h) holds what a shape must gain as well; ``best`` (t,) is the best shape.
    """

    level: FloatArray
    slope: FloatArray
    deviance: FloatArray
    best: IntArray


class Lines:
    """Fits of all shapes to all groups.

    Parameters
    ----------
    days : (d,) float array
        Rising.
    data : Ratios
    target : float
        Logit of the limit.
    nodes : (g,) float array
        Days at which the passing of the limit is looked at.
    """

    def __init__(self, days: FloatArray, data: Ratios, target: float, nodes: FloatArray) -> None:
        self.days, self.target, self.nodes = days, target, nodes
        self.span = float(days[-1] - days[0])
        self.shapes = shapes_for(days.size)
        self.hinge = days[[shape.hinge for shape in self.shapes]]
        observed = np.log((data.total + 0.5) / np.maximum(data.level, _TINY))
        share = np.where(data.known, observed, 0.0)
        self.penalty = self._penalties(share)
        share = np.minimum(share, 0.0)
        for _ in range(2):
            self._weigh(data.weighed(share))
            self.free = self._free()
            share = self.curve(self.free.best)
        self._weigh(data.weighed(share))
        self.free = self._free()

    def curve(self, shape: IntArray) -> FloatArray:
        """Logs of the shares of one shape a group, (t, d)."""
        rows = np.arange(shape.size)
        hinge = self.hinge[shape][:, None]
        along = np.maximum(self.days, hinge) - hinge
        logit = (
            self.free.level[rows, shape][:, None] + self.free.slope[rows, shape][:, None] * along
        )
        share: FloatArray = -np.logaddexp(0.0, -logit)
        return share

    def passing(self) -> FloatArray:
        """Least deviance of each shape passing the limit at each node, (t, h, g)."""
        bend = np.maximum(self.days, self.hinge[:, None])
        rise = bend[:, None, :] - np.maximum(self.nodes, self.hinge[:, None])[:, :, None]
        barred = self.nodes[None] < self.hinge[:, None] - 1e-9
        # A fall that starts at the limit starts on the hinge.
        barred[:, 0] = False
        starts = _SLOPES / self.span
        residual = self.data.deviates(
            self._repeated(self._share(starts[:, None] * rise[:, :, None, :]))
        )
        deviance = self._deviance(residual)
        choice = deviance.argmin(axis=-1)
        slope, found = starts[choice], deviance.min(axis=-1)
        damp = np.full_like(slope, 1e-3)
        for _ in range(_STEPS):
            logit = slope[..., None] * rise
            residual, per_log = self.data.residuals(self._share(logit))
            jacobian = per_log * special.expit(-logit - self.target) * rise
            turned = self._times(jacobian)
            down, curved = (turned * residual).sum(-1), (turned * jacobian).sum(-1)
            step = -down / (curved * (1.0 + damp) + _TINY)
            most = np.abs(slope) + 1.0 / self.span
            after = np.clip(slope + np.clip(step, -most, most), 0.0, _STEEP / self.span)
            value = self._deviance(self.data.deviates(self._share(after[..., None] * rise)))
            better = value < found
            slope, found = np.where(better, after, slope), np.where(better, value, found)
            damp = np.where(better, 1e-3, 10.0 * damp + 1.0)
        least: FloatArray = np.where(barred, np.inf, found + self.penalty[:, :, None])
        return least

    def influence(self, day: FloatArray) -> FloatArray:
        """Weights (t, d) of the residuals in the day of the best fit, of variance 1."""
        best, rows = self.free.best, np.arange(day.size)
        hinge = self.hinge[best][:, None]
        at = np.clip(np.nan_to_num(day, posinf=1e9, neginf=-1e9), self.days[0], self.days[-1])
        one = (1.0 - np.exp(self.curve(best))) * self.data.known
        two = one * (np.maximum(self.days, hinge) - np.maximum(at[:, None], hinge))
        inverse = self.inverse[rows, best]
        of_one, of_two = (np.einsum("td,tde->te", part, inverse) for part in (one, two))
        part = (of_one * two).sum(-1) / np.maximum((of_two * two).sum(-1), _TINY)
        weight = of_one - part[:, None] * of_two
        size = np.einsum("td,tde,te->t", weight, self.data.matrix, weight)
        told = size > _TINY
        found: FloatArray = np.where(
            told[:, None], weight / np.sqrt(np.where(told, size, 1.0))[:, None], 0.0
        )
        return found

    def _penalties(self, share: FloatArray) -> FloatArray:
        """What shapes must gain, (t, h); no day is passed by unless control rose after it."""
        penalty = np.empty((len(share), len(self.shapes)))
        for h, shape in enumerate(self.shapes):
            penalty[:, h] = GAIN * (shape.parameters - 2)
            if shape.skip:
                risen = (share[:, : shape.skip] > share[:, [shape.skip]]).all(axis=1)
                penalty[~risen, h] = _NEVER
        return penalty

    def _weigh(self, data: Weighed) -> None:
        """Covariances, inverted for every number of days that are passed by."""
        self.data = data
        t, d = data.total.shape
        self.inverse = np.zeros((t, len(self.shapes), d, d))
        for skip in {shape.skip for shape in self.shapes}:
            kept = np.linalg.inv(data.matrix[:, skip:, skip:])
            for h, shape in enumerate(self.shapes):
                if shape.skip == skip:
                    self.inverse[:, h, skip:, skip:] = kept

    def _free(self) -> Free:
        """Lines that fall or are level, with no other constraint."""
        along = np.maximum(self.days, self.hinge[:, None]) - self.hinge[:, None]
        grid = np.meshgrid(_LEVELS, _SLOPES[:-1] / self.span, indexing="ij")
        level, slope = (part.ravel() for part in grid)
        logit = level[None, :, None] + slope[None, :, None] * along[:, None, :]
        deviance = self._deviance(self.data.deviates(self._repeated(-np.logaddexp(0.0, -logit))))
        choice = deviance.argmin(axis=-1)
        level, slope, found = level[choice], slope[choice], deviance.min(axis=-1)
        damp = np.full_like(level, 1e-3)
        for _ in range(_FREE_STEPS):
            new_level, new_slope = self._step(level, slope, along, damp)
            logit = new_level[..., None] + new_slope[..., None] * along
            residual = self.data.deviates(-np.logaddexp(0.0, -logit))
            value = self._deviance(residual[:, :, None])[:, :, 0]
            better = value < found
            level, slope = np.where(better, new_level, level), np.where(better, new_slope, slope)
            found = np.where(better, value, found)
            damp = np.where(better, 1e-3, 10.0 * damp + 0.1)
        found = found + self.penalty
        return Free(level=level, slope=slope, deviance=found, best=found.argmin(axis=1))

    def _step(
        self, level: FloatArray, slope: FloatArray, along: FloatArray, damp: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """One step of Gauss and Newton for level and slope, bounded."""
        logit = level[..., None] + slope[..., None] * along
        residual, per_log = self.data.residuals(-np.logaddexp(0.0, -logit))
        one = per_log * special.expit(-logit)
        two = one * along
        of_one = self._times(one[:, :, None])[:, :, 0]
        of_two = self._times(two[:, :, None])[:, :, 0]
        a = (of_one * one).sum(-1) * (1.0 + damp) + 1e-9
        c = (of_two * two).sum(-1) * (1.0 + damp) + 1e-9
        b = (of_one * two).sum(-1)
        down, tilt = (of_one * residual).sum(-1), (of_two * residual).sum(-1)
        whole = a * c - b * b
        up = np.clip(-(c * down - b * tilt) / whole, -2.0, 2.0)
        turn = np.clip(-(a * tilt - b * down) / whole, -4.0 / self.span, 4.0 / self.span)
        return (
            np.clip(level + up, -_MOST, _MOST),
            np.clip(slope + turn, 0.0, _STEEP / self.span),
        )

    def _share(self, above: FloatArray) -> FloatArray:
        """Log of the share whose logit lies so far above that of the limit."""
        share: FloatArray = -np.logaddexp(0.0, -(self.target + above))
        return share

    def _repeated(self, share: FloatArray) -> FloatArray:
        return np.broadcast_to(share, (self.data.total.shape[0], *share.shape))

    def _deviance(self, residual: FloatArray) -> FloatArray:
        """Of residuals (t, h, ..., d)."""
        found: FloatArray = (self._times(residual) * residual).sum(axis=-1)
        return found

    def _times(self, values: FloatArray) -> FloatArray:
        """Values (t, h, ..., d) by the inverse covariance."""
        t, h, d = values.shape[0], values.shape[1], values.shape[-1]
        found: FloatArray = (values.reshape(t, h, -1, d) @ self.inverse).reshape(values.shape)
        return found
