"""A trial in which a lower rate fails, by a known amount, where more pests were at the start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from known_truth.field import (
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
class KnownDensity:
    """The trial and its truth; treatments are untreated, full rate and half rate.

    Attributes
    ----------
    trial : Trial
    counts : FloatArray, shape (n, d)
    expected : FloatArray, shape (n, d)
        Expected count of each plot, given its block.
    ratio : float
        Survivors of the half rate, as a multiple of those of the full rate, grow by this factor
        with every doubling of the population of the block.
    """

    trial: Trial
    counts: FloatArray
    expected: FloatArray
    ratio: float


def density_trial(
    seed: Seed,
    *,
    ratio: float = 1.0,
    control: Sequence[float] = (0.0, 90.0, 80.0),
    days: Sequence[float] = (-1.0, 3.0, 7.0, 14.0, 21.0),
    untreated: float = 150.0,
    blocks: int = 6,
    k: float | None = 8.0,
    block_spread: float = 0.8,
) -> KnownDensity:
    """Draw a trial of an untreated and two rates of a product in blocks of very uneven numbers.

    Parameters
    ----------
    seed : int or Generator
    ratio : float
        1 for none: both rates take away the same share whatever the population.
    control : sequence of float
        True percent control of untreated, full and half rate in a block of mean population.
    days, untreated, blocks, k, block_spread
        As in ``persistence_trial``.
    """
    rng = np.random.default_rng(seed)
    when = np.asarray(days, dtype=np.float64)
    field = randomised_blocks(rng, 3, blocks)
    place = mean_one_effects(rng, blocks, block_spread)[field.block]
    left = 1.0 - np.asarray(control, dtype=np.float64)[field.treatment] / 100.0
    left = np.where(field.treatment == 2, left * place ** np.log2(ratio), left)
    expected = untreated * place[:, None] * np.where(when > 0, left[:, None], 1.0)
    counts = draw(rng, expected, k)
    names = ("Untreated", "Product, full rate", "Product, half rate")
    rates = (None, 1.0, 0.5)
    treatments = tuple(
        replace(item, rate=rate, rate_unit="L/ha" if rate else None)
        for item, rate in zip(treatment_list(names), rates, strict=True)
    )
    return KnownDensity(
        trial=trial_of(field, treatments, days, counts, title="Known density"),
        counts=counts,
        expected=expected,
        ratio=ratio,
    )
