"""How long each treatment held the target, from the course of its percent control."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.control import Controlled
from trialkit.analysis.plots.responses import FloatArray
from trialkit.analysis.result import table_of_parts
from trialkit.inference.numerics.quantiles import quantiles_of_draws
from trialkit.measures.persistence import Held, Persistence, persistence, time_held


@dataclass(frozen=True, kw_only=True, eq=False)
class TargetHeld:
    """How long the treatments held the target on one variable, the untreated left out.

    Attributes
    ----------
    control : Controlled
        The percent control that the report shows.
    percent : float array, shape (treatments, days)
        Its course, without the untreated.
    found : Persistence
        What that course says, one element a treatment.
    draws : float array, shape (draws, treatments, days), or None
        Percent control of each draw; None where no course was drawn.
    drawn : Held or None
        How long each draw held the target, (treatments, draws).
    """

    control: Controlled
    percent: FloatArray
    found: Persistence
    draws: FloatArray | None
    drawn: Held | None

    @property
    def days_held(self) -> FloatArray | None:
        """Days for which each draw held the target, (draws, treatments), 0 where never reached."""
        if self.drawn is None:
            return None
        days = self.drawn.holds_until_day.T
        return np.where(np.isfinite(days), days, 0.0)


def targets_held(basis: Basis) -> tuple[TargetHeld, ...]:
    """How long the target was held, for each variable with two days after treatment or more."""
    plan, target = basis.plan, basis.settings.control_target
    found = []
    for control in basis.controlled:
        if not control.chosen or control.days.size < 2 or plan.untreated is None:
            continue
        percent = control.percent[plan.others]
        course = basis.courses.get(control.item.variable.name)
        draws = drawn = None
        if course is not None:
            draws = course.control(plan.untreated, control.method)[:, plan.others]
            # A day without an estimate is passed by in the draws as well.
            known = np.isfinite(percent)
            taken = draws if known.all() else np.where(known, draws, np.nan)
            drawn = time_held(control.days, taken.swapaxes(0, 1), target)
        found.append(
            TargetHeld(
                control=control,
                percent=percent,
                found=persistence(control.days, percent, target),
                draws=draws,
                drawn=drawn,
            )
        )
    return tuple(found)


def persistence_table(basis: Basis, held: Sequence[TargetHeld]) -> pd.DataFrame:
    """Knockdown, peak, last day at the target and rebound of every treatment.

    ``lower`` and ``upper`` are the interval of ``holds_until_day``: a lower limit of 0 says that
    the target may never have been reached, and no upper limit that control may have held beyond
    the last assessment.
    """
    treatments = [basis.plan.treatments[code] for code in basis.plan.others]
    size = len(treatments)
    parts: list[dict[str, Sized]] = []
    for item in held:
        found = item.found
        lower, upper = _interval(item, basis.settings.alpha)
        parts.append(
            {
                "variable": [item.control.item.variable.name] * size,
                "treatment": treatments,
                "target": [basis.settings.control_target] * size,
                "knockdown_percent": found.knockdown_percent,
                "peak_percent": found.peak_percent,
                "peak_day": found.peak_day,
                "holds_until_day": found.holds_until_day,
                "lower": lower,
                "upper": upper,
                "censored": [
                    bool(flag) if np.isfinite(day) else None
                    for flag, day in zip(found.censored, found.holds_until_day, strict=True)
                ],
                "rebound_percent": found.rebound_percent,
                "last_percent": found.last_percent,
                "last_day": found.last_day,
                "reason": [text or None for text in found.reason],
            }
        )
    return table_of_parts("persistence", parts)


def _interval(item: TargetHeld, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Limits of the day until which the target is held, one for each treatment."""
    days = item.days_held
    if item.drawn is None or days is None:
        nothing = np.full(len(item.percent), np.nan)
        return nothing, nothing
    days = np.where(item.drawn.censored.T, np.inf, days)
    low, high = quantiles_of_draws(days, [alpha / 2.0, 1.0 - alpha / 2.0], method="inverted_cdf")
    known = np.isfinite(item.percent).any(axis=1)
    low = np.where(np.isinf(low), item.control.days[-1], low)
    return np.where(known, low, np.nan), np.where(known & np.isfinite(high), high, np.nan)
