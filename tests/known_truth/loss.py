"""A trial in which every 100 pest-days cost a known amount of yield."""

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
    pest_days,
    randomised_blocks,
    treatment_list,
    trial_of,
)
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLoss:
    """The trial and its truth.

    Attributes
    ----------
    trial : Trial
    field : Field
    days : FloatArray, shape (d,)
    counts : FloatArray, shape (n, d)
    pest_days : FloatArray, shape (n,)
        The pest-days that the yield was made from.
    yields : FloatArray, shape (n,)
    expected_yield : FloatArray, shape (n,)
        Yield without the noise of the plots: the block's full yield less the loss.
    loss_per_100 : float
        Yield lost by 100 pest-days.
    """

    trial: Trial
    field: Field
    days: FloatArray
    counts: FloatArray
    pest_days: FloatArray
    yields: FloatArray
    expected_yield: FloatArray
    loss_per_100: float


def loss_trial(
    seed: Seed,
    *,
    loss_per_100: float = 0.5,
    full_yield: float = 45.0,
    control: Sequence[float] = (0.0, 30.0, 60.0, 80.0, 90.0, 95.0),
    days: Sequence[float] = (-1.0, 3.0, 7.0, 14.0, 21.0, 28.0),
    untreated: float = 60.0,
    blocks: int = 4,
    k: float | None = 3.0,
    block_spread: float = 0.2,
    block_yield_sd: float = 1.5,
    plot_yield_sd: float = 1.0,
    from_counts: bool = True,
) -> KnownLoss:
    """Draw a trial whose yield falls in a straight line with the pest-days of the plot.

    Parameters
    ----------
    seed : int or Generator
    loss_per_100 : float
        Yield lost by 100 pest-days; 0 for none.
    full_yield : float
        Mean yield without pests.
    control : sequence of float
        True percent control of each treatment after day 0; the first is the untreated.
    days, untreated, blocks, k, block_spread
        As in ``persistence_trial``.
    block_yield_sd, plot_yield_sd : float
        Standard deviations of the yield between blocks and between plots of a block.
    from_counts : bool
        Whether the loss follows the pest-days as counted. With False it follows the true level
        of each plot, of which the counts are a noisy picture: a regression on counted pest-days
        then finds less than the true loss.
    """
    rng = np.random.default_rng(seed)
    when = np.asarray(days, dtype=np.float64)
    left = 1.0 - np.asarray(control, dtype=np.float64)[:, None] / 100.0
    course = untreated * np.where(when > 0, left, 1.0)
    field = randomised_blocks(rng, len(course), blocks)
    place = mean_one_effects(rng, blocks, block_spread)[field.block]
    level = place[:, None] * course[field.treatment]
    counts = draw(rng, level, k)
    burden = pest_days(days, counts if from_counts else level)
    full = full_yield + rng.normal(0.0, block_yield_sd, size=blocks)[field.block]
    expected = full - loss_per_100 * burden / 100.0
    yields = expected + rng.normal(0.0, plot_yield_sd, size=field.plots)
    names = ["Untreated", *(f"Product with {percent:g} % control" for percent in control[1:])]
    return KnownLoss(
        trial=trial_of(
            field, treatment_list(names), days, counts, title="Known loss", yields=yields
        ),
        field=field,
        days=when,
        counts=counts,
        pest_days=burden,
        yields=yields,
        expected_yield=expected,
        loss_per_100=loss_per_100,
    )
