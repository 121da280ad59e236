"""A trial with a mixture whose control departs from Colby's expectation by known points."""

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
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownMixture:
    """The trial and its truth; treatments are untreated, A, B, and A + B.

    Attributes
    ----------
    trial : Trial
    field : Field
    days : FloatArray, shape (d,)
    counts : FloatArray, shape (n, d)
    expected : FloatArray, shape (4, d)
        Expected count of a plot of each treatment, over all fields.
    control : FloatArray, shape (4,)
        True percent control on every day after treatment.
    colby : float
        Percent control that Colby's rule expects of the mixture.
    departure : float
        True control of the mixture less ``colby``, percentage points; below zero: antagonism.
    """

    trial: Trial
    field: Field
    days: FloatArray
    counts: FloatArray
    expected: FloatArray
    control: FloatArray
    colby: float
    departure: float


def mixture_trial(
    seed: Seed,
    *,
    control_a: float = 60.0,
    control_b: float = 50.0,
    departure: float = -15.0,
    days: Sequence[float] = (-1.0, 7.0, 14.0),
    untreated: float = 60.0,
    blocks: int = 4,
    k: float | None = 3.0,
    block_spread: float = 0.2,
) -> KnownMixture:
    """Draw a trial of an untreated, two products and their mixture.

    Parameters
    ----------
    seed : int or Generator
    control_a, control_b : float
        True percent control of the products alone, the same on every day after treatment.
    departure : float
        Percentage points by which the mixture lies above (below zero: below) the expectation
        ``100 - (100 - a)(100 - b) / 100``; -15 by default.
    days, untreated, blocks, k, block_spread
        As in ``persistence_trial``.

    Raises
    ------
    ValueError
        When the mixture would control more than 100 %.
    """
    rng = np.random.default_rng(seed)
    colby = 100.0 - (100.0 - control_a) * (100.0 - control_b) / 100.0
    control = np.array([0.0, control_a, control_b, colby + departure])
    if control[3] > 100.0:
        raise ValueError(f"a mixture cannot control {control[3]:g} %")
    when = np.asarray(days, dtype=np.float64)
    left = np.where(when > 0, 1.0 - control[:, None] / 100.0, 1.0)
    expected = untreated * left
    field = randomised_blocks(rng, 4, blocks)
    place = mean_one_effects(rng, blocks, block_spread)[field.block]
    counts = draw(rng, place[:, None] * expected[field.treatment], k)
    treatments = treatment_list(("Untreated", "A", "B", "A + B"), parts={3: ("2", "3")})
    return KnownMixture(
        trial=trial_of(field, treatments, days, counts, title="Known mixture"),
        field=field,
        days=when,
        counts=counts,
        expected=expected,
        control=control,
        colby=colby,
        departure=departure,
    )
