"""Incomplete blocks in replicates: alpha designs, and how efficient they are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

#: Starts of the search, and passes over an array before it is taken as it is.
_STARTS = 60
_PASSES = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alpha:
    """A resolvable design of incomplete blocks, not yet randomised.

    Attributes
    ----------
    blocks : tuple of tuple of ndarray
        Treatments of each block, by replicate.
    efficiency : float
        Average efficiency factor: the harmonic mean of the canonical efficiency factors, 1 for
        complete blocks.
    bound : float
        Above which no resolvable design of this size can lie.
    """

    blocks: tuple[tuple[IntArray, ...], ...]
    efficiency: float
    bound: float


def alpha_design(treatments: int, block_size: int, replicates: int) -> Alpha:
    """Make an alpha design.

    Parameters
    ----------
    treatments : int
    block_size : int
        Plots in a block, at least 2 and less than the treatments; some blocks have one less
        where it does not divide the number of treatments.
    replicates : int
        At least 2.

    Returns
    -------
    Alpha

    Raises
    ------
    ValueError
        When the treatments cannot be divided into blocks of this size and one less.

    Notes
    -----
    Patterson HD & Williams ER 1976, Biometrika 63:83-92 [from memory]: treatments stand in
    ``block_size`` groups of s (s blocks a replicate), and a generating array says by how many
    places each group is shifted in each replicate. The array is searched for the highest
    efficiency by exchange of single entries from many starts; the same numbers give the same
    array. With a block less where needed, treatments of the last group are left out.
    """
    s = -(-treatments // block_size)
    spare = s * block_size - treatments
    if not 2 <= block_size < treatments or spare > s or block_size - (spare > 0) < 2:
        raise ValueError(f"{treatments} treatments cannot stand in blocks of {block_size}")
    if replicates < 2:
        raise ValueError("incomplete blocks need two replicates or more")
    array = _search(block_size, replicates, s)
    blocks = tuple(
        tuple(
            np.array(
                [
                    label
                    for group in range(block_size)
                    if (label := group * s + (array[group, rep] + block) % s) < treatments
                ],
                dtype=np.int64,
            )
            for block in range(s)
        )
        for rep in range(replicates)
    )
    everything = [block for rep in blocks for block in rep]
    return Alpha(
        blocks=blocks,
        efficiency=efficiency_factor(everything, treatments),
        bound=resolvable_bound(treatments, s, replicates),
    )


def resolvable_bound(treatments: int, blocks: int, replicates: int) -> float:
    """Compute the upper bound of the efficiency of resolvable designs.

    Parameters
    ----------
    treatments, replicates : int
    blocks : int
        In each replicate.

    Notes
    -----
    ``(v - 1)(r - 1) / ((v - 1)(r - 1) + r (s - 1))``, Patterson HD & Williams ER 1976 [from
    memory]. Square lattices reach it: with ``v = k**2`` it is
    ``(k + 1)(r - 1) / ((k + 1)(r - 1) + r)``, their published efficiency.
    """
    free = (treatments - 1) * (replicates - 1)
    return free / (free + replicates * (blocks - 1))


def efficiency_factor(blocks: list[IntArray], treatments: int) -> float:
    """Compute the average efficiency factor of a design with equal replication.

    Parameters
    ----------
    blocks : list of ndarray
        Treatments of each block, each at most once in it.
    treatments : int

    Returns
    -------
    float
        0 where some treatments cannot be compared within blocks.

    Notes
    -----
    Harmonic mean of the eigenvalues but the trivial one of ``I - N K^-1 N' / r``: the variance of
    a difference between two treatments in complete blocks of the same error, over the mean
    variance here, blocks fixed. John JA & Williams ER 1995, Cyclic and Computer Generated Designs
    [from memory].
    """
    information = np.zeros((treatments, treatments))
    replication = np.zeros(treatments)
    for block in blocks:
        replication[block] += 1
        information[np.ix_(block, block)] -= 1 / len(block)
    information[np.diag_indices(treatments)] += replication
    scale = 1 / np.sqrt(replication)
    factors = np.linalg.eigvalsh(scale[:, None] * information * scale)[1:]
    return float(len(factors) / (1 / factors).sum()) if factors[0] > 1e-9 else 0.0


@cache
def _search(rows: int, replicates: int, s: int) -> IntArray:
    """Search a generating array, shape (rows, replicates), entries below s."""
    rng = np.random.default_rng([rows, replicates, s])
    best, best_value = np.zeros((rows, replicates), dtype=np.int64), -1.0
    bound = resolvable_bound(rows * s, s, replicates)
    for _ in range(_STARTS):
        array = rng.integers(s, size=(rows, replicates))
        array[0], array[:, 0] = 0, 0
        array, value = _climb(array, s)
        if value > best_value + 1e-12:
            best, best_value = array, value
        if best_value > bound - 1e-9:
            break
    return best


def _climb(array: IntArray, s: int) -> tuple[IntArray, float]:
    value = float(_array_efficiency(array[None], s)[0])
    for _ in range(_PASSES):
        before = value
        for i in range(1, array.shape[0]):
            for q in range(1, array.shape[1]):
                options = np.repeat(array[None], s, axis=0)
                options[:, i, q] = np.arange(s)
                values = _array_efficiency(options, s)
                pick = int(values.argmax())
                if values[pick] > value + 1e-12:
                    array, value = options[pick], float(values[pick])
        if value <= before + 1e-12:
            break
    return array, value


def _array_efficiency(arrays: IntArray, s: int) -> FloatArray:
    """Average efficiency of full alpha designs from their arrays, shape (m, k, r).

    The concurrences of such a design are circulant within groups, so that for each frequency the
    eigenvalues are those of a small matrix ``B^H B / (r k)`` of shape (r, r).
    """
    m, k, r = arrays.shape
    frequency = np.arange(1, s)
    turned = np.exp(2j * np.pi * frequency[None, :, None, None] * arrays[:, None] / s)
    small = (
        np.swapaxes(turned.conj(), -1, -2) @ turned
        if r <= k
        else (turned @ np.swapaxes(turned.conj(), -1, -2))
    )
    lost = np.linalg.eigvalsh(small).reshape(m, -1) / (r * k)
    ones = (k * s - 1) - lost.shape[1]
    with np.errstate(divide="ignore"):
        total = (1 / np.clip(1 - lost, 1e-300, None)).sum(axis=1) + ones
    return np.where((lost > 1 - 1e-9).any(axis=1), 0.0, (k * s - 1) / total)
