"""A trial in which each product holds a known number of days.

Control stands at its peak and then falls by the same number of points a day, so that it passes
the target exactly on the day given. Straight lines between assessments then find that day without
error wherever the assessments on both sides of it lie on the falling part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from known_truth.field import (
    Field,
    FloatArray,
    Seed,
    draw,
    mean_one_effects,
    randomised_blocks,
    treatment_list,
    trial_of,
)
from trialkit.trial import Settings, Trial

DAYS = (-1.0, 1.0, 3.0, 7.0, 10.0, 14.0, 21.0, 28.0, 35.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPersistence:
    """The trial and its truth.

    Attributes
    ----------
    trial : Trial
    field : Field
    days : FloatArray, shape (d,)
    counts : FloatArray, shape (n, d)
        Counts of the plots, as in the trial.
    expected : FloatArray, shape (t, d)
        Expected count of a plot of each treatment, over all fields.
    control : FloatArray, shape (t, d)
        True percent control; 0 in the untreated and before treatment.
    holds_until : FloatArray, shape (t,)
        Day on which control passes the target; NaN in the untreated.
    """

    trial: Trial
    field: Field
    days: FloatArray
    counts: FloatArray
    expected: FloatArray
    control: FloatArray
    holds_until: FloatArray


def control_on(
    days: FloatArray, hold: float, *, target: float, peak: float, points_a_day: float
) -> FloatArray:
    """Percent control on each day of a product that passes ``target`` on day ``hold``."""
    falling = target + points_a_day * (hold - days)
    control: FloatArray = np.where(days > 0, np.clip(falling, 0.0, peak), 0.0)
    return control


def persistence_trial(
    seed: Seed,
    *,
    holds: Sequence[float] = (9.0, 27.0),
    target: float = 80.0,
    peak: float = 95.0,
    points_a_day: float = 2.5,
    days: Sequence[float] = DAYS,
    untreated: float = 60.0,
    blocks: int = 4,
    k: float | None = 3.0,
    block_spread: float = 0.2,
) -> KnownPersistence:
    """Draw a trial of an untreated and one product for each entry of ``holds``.

    Parameters
    ----------
    seed : int or Generator
    holds : sequence of float
        Days on which control passes the target; 9 and 27 by default.
    target, peak : float
        Percent.
    points_a_day : float
        Fall of control after the peak, percentage points a day.
    days : sequence of float
        Days of assessment, increasing.
    untreated : float
        Expected count of an untreated plot, the same on every day.
    blocks : int
    k : float or None
        Aggregation of the counts; None for Poisson counts.
    block_spread : float
        Standard deviation of the logs of the block effects.
    """
    rng = np.random.default_rng(seed)
    when = np.asarray(days, dtype=np.float64)
    shape = {"target": target, "peak": peak, "points_a_day": points_a_day}
    control = np.array([np.zeros_like(when), *(control_on(when, hold, **shape) for hold in holds)])
    expected = untreated * (1.0 - control / 100.0)
    field = randomised_blocks(rng, len(control), blocks)
    place = mean_one_effects(rng, blocks, block_spread)[field.block]
    counts = draw(rng, place[:, None] * expected[field.treatment], k)
    names = ["Untreated", *(f"Product holding {hold:g} days" for hold in holds)]
    return KnownPersistence(
        trial=trial_of(
            field,
            treatment_list(names),
            days,
            counts,
            title="Known persistence",
            settings=Settings(control_target=target),
        ),
        field=field,
        days=when,
        counts=counts,
        expected=expected,
        control=control,
        holds_until=np.array([np.nan, *holds]),
    )
