"""A field in which late counts are, or are not, drawn up by the counts of the neighbours."""

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
    neighbour_means,
    randomised_blocks,
    treatment_list,
    trial_of,
)
from trialkit.trial import Trial

DAYS = (-1.0, 7.0, 14.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownNeighbours:
    """The trial and its truth.

    Attributes
    ----------
    trial : Trial
        Three assessments: before treatment, early and late, on a map of rows and columns.
    field : Field
    counts : FloatArray, shape (n, 3)
    neighbour_mean : FloatArray, shape (n,)
        Mean early count of the plots next to each plot.
    expected_late : FloatArray, shape (n,)
        Expected late count of each plot, given its place and the early counts.
    inflow : float
        Pests that walk in for each pest of the neighbours' early mean; 0 is switched off.
    """

    trial: Trial
    field: Field
    counts: FloatArray
    neighbour_mean: FloatArray
    expected_late: FloatArray
    inflow: float


def neighbour_trial(
    seed: Seed,
    *,
    inflow: float = 0.0,
    control: Sequence[float] = (0.0, 30.0, 60.0, 85.0, 90.0, 95.0),
    untreated: float = 60.0,
    blocks: int = 4,
    k: float | None = 3.0,
    block_spread: float = 0.0,
) -> KnownNeighbours:
    """Draw a trial on a map of ``blocks`` rows by treatments columns.

    The late count of a plot has the mean ``own + inflow * neighbour_mean``, where ``own`` is
    what its treatment leaves and ``neighbour_mean`` the mean early count next to it.

    Parameters
    ----------
    seed : int or Generator
    inflow : float
        0 switches the effect off; 0.1 to 0.5 is a weak to strong effect.
    control : sequence of float
        True percent control of each treatment without neighbours; the first is the untreated.
    untreated, blocks, k
        As in ``persistence_trial``.
    block_spread : float
        Standard deviation of the logs of block effects. Above 0 a plot and its neighbours share
        the fertility of their block, so that their counts go together without any inflow: a test
        that takes no account of blocks will then find an effect that is not there.
    """
    rng = np.random.default_rng(seed)
    left = 1.0 - np.asarray(control, dtype=np.float64) / 100.0
    field = randomised_blocks(rng, len(left), blocks)
    place = untreated * mean_one_effects(rng, blocks, block_spread)[field.block]
    own = place * left[field.treatment]
    before, early = draw(rng, place, k), draw(rng, own, k)
    neighbour_mean = neighbour_means(field, early)
    expected_late = own + inflow * neighbour_mean
    counts = np.column_stack([before, early, draw(rng, expected_late, k)])
    names = ["Untreated", *(f"Product with {percent:g} % control" for percent in control[1:])]
    return KnownNeighbours(
        trial=trial_of(field, treatment_list(names), DAYS, counts, title="Known neighbours"),
        field=field,
        counts=counts,
        neighbour_mean=neighbour_mean,
        expected_late=expected_late,
        inflow=inflow,
    )
