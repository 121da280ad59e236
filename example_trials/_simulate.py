"""Drawing plot counts and writing tables, shared by the invented example trials.

Random numbers come from ``numpy.random.RandomState``, whose streams numpy keeps the same in every
version, so that the files come out the same everywhere.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.random import RandomState

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Plots of one trial, one array element a plot.

    ``treatment`` holds codes 0..t-1 in the order of the treatment list, ``block`` codes 0..b-1
    (all 0 where there are none), ``row`` and ``column`` number the field map from 1.
    """

    plot: tuple[str, ...]
    treatment: IntArray
    block: IntArray
    row: IntArray
    column: IntArray


def generator(seed: int) -> RandomState:
    """Start a stream of random numbers."""
    return RandomState(seed)


def randomised_blocks(rng: RandomState, treatments: int, blocks: int) -> Plan:
    """Lay out complete blocks, one block a row of the map; plots 101, 102, ... 201, ..."""
    order = np.concatenate([rng.permutation(treatments) for _ in range(blocks)])
    block = np.repeat(np.arange(blocks), treatments)
    column = np.tile(np.arange(1, treatments + 1), blocks)
    return Plan(
        plot=tuple(str(100 * (b + 1) + c) for b, c in zip(block, column, strict=True)),
        treatment=order.astype(np.int64),
        block=block.astype(np.int64),
        row=(block + 1).astype(np.int64),
        column=column.astype(np.int64),
    )


def completely_randomised(rng: RandomState, counts: Sequence[int], columns: int) -> Plan:
    """Scatter treatments with the given numbers of plots over a map of so many columns."""
    treatment = rng.permutation(np.repeat(np.arange(len(counts)), counts))
    index = np.arange(len(treatment))
    row, column = index // columns + 1, index % columns + 1
    return Plan(
        plot=tuple(f"{chr(64 + r)}{c}" for r, c in zip(row, column, strict=True)),
        treatment=treatment.astype(np.int64),
        block=np.zeros(len(treatment), dtype=np.int64),
        row=row.astype(np.int64),
        column=column.astype(np.int64),
    )


def latin_square(rng: RandomState, size: int) -> Plan:
    """Lay out a Latin square: the cyclic square with rows, columns and letters permuted."""
    rows, columns, letters = (rng.permutation(size) for _ in range(3))
    square = letters[(rows[:, None] + columns[None, :]) % size]
    row, column = np.divmod(np.arange(size * size), size)
    return Plan(
        plot=tuple(f"R{r + 1}C{c + 1}" for r, c in zip(row, column, strict=True)),
        treatment=square.ravel().astype(np.int64),
        block=np.zeros(size * size, dtype=np.int64),
        row=(row + 1).astype(np.int64),
        column=(column + 1).astype(np.int64),
    )


def draw_counts(rng: RandomState, mean: FloatArray, k: float) -> IntArray:
    """Draw negative binomial counts: a Poisson count whose mean is gamma with shape ``k``.

    Variance is ``mean + mean**2 / k``.
    """
    level = mean * rng.gamma(k, 1.0 / k, size=mean.shape)
    return rng.poisson(level).astype(np.int64)


def effects(rng: RandomState, size: int, spread: float) -> FloatArray:
    """Draw factors around 1: exp of a normal deviate with standard deviation ``spread``."""
    return np.exp(rng.normal(0.0, spread, size=size))


def adjacency(plan: Plan) -> FloatArray:
    """Weights (n, n) that average over the plots beside, before and behind each plot."""
    apart = np.abs(plan.row[:, None] - plan.row) + np.abs(plan.column[:, None] - plan.column)
    beside = (apart == 1).astype(np.float64)
    weights: FloatArray = beside / beside.sum(axis=1, keepdims=True)
    return weights


def running_area(days: Sequence[float], values: FloatArray) -> FloatArray:
    """Area under each plot's course up to each day: ``values`` (days, plots), trapezoids."""
    steps = np.diff(np.asarray(days, dtype=np.float64))[:, None] * (values[1:] + values[:-1]) / 2
    return np.vstack([np.zeros((1, values.shape[1])), np.cumsum(steps, axis=0)])


def estimate_percent(
    rng: RandomState, true: FloatArray, spread: float, *, halves: bool = False
) -> FloatArray:
    """Judge percentages by eye: an error on the logit scale, then whole percents.

    With ``halves``, small values below 10 % are judged to half a percent.
    """
    share = np.clip(true / 100.0, 1e-4, 1.0 - 1e-4)
    logit = np.log(share / (1.0 - share)) + rng.normal(0.0, spread, size=share.shape)
    seen = 100.0 / (1.0 + np.exp(-logit))
    return np.where(halves & (seen < 10.0), np.rint(2.0 * seen) / 2.0, np.rint(seen))


def csv_text(
    header: Sequence[str], rows: Iterable[Sequence[object]], delimiter: str = ","
) -> bytes:
    """Write a table as UTF-8 text with plain line ends."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue().encode()
