"""Arithmetic of places: labels that do not cover each other, and room for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(slots=True)
class _Pool:
    first: int
    count: int
    total: float

    @property
    def level(self) -> float:
        return self.total / self.count


def spread(values: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move values apart until neighbours are ``gap`` apart, as little as can be.

    The sum of squared moves is least: with the gaps taken off, the order of the values is
    restored by pooling neighbours that violate it (isotonic regression).

    Parameters
    ----------
    values : sequence of float
    gap : float
        Least distance; smaller where ``low`` to ``high`` has no room for it.
    low, high : float
        Where the places must lie.

    Returns
    -------
    list of float
        Places in the order of ``values``; equal values keep their order.
    """
    count = len(values)
    if count == 0:
        return []
    if count > 1:
        gap = min(gap, (high - low) / (count - 1))
    order = sorted(range(count), key=lambda index: values[index])
    pools: list[_Pool] = []
    for rank, index in enumerate(order):
        pools.append(_Pool(rank, 1, values[index] - rank * gap))
        while len(pools) > 1 and pools[-2].level >= pools[-1].level:
            last = pools.pop()
            pools[-1].count += last.count
            pools[-1].total += last.total
    top = high - (count - 1) * gap
    places = [0.0] * count
    for pool in pools:
        level = min(max(pool.level, low), top)
        for rank in range(pool.first, pool.first + pool.count):
            places[order[rank]] = level + rank * gap
    return places


def dodge(count: int, width: float) -> list[float]:
    """Shifts that set ``count`` marks side by side over ``width``, centred on 0."""
    if count < 2:
        return [0.0] * count
    return [width * (index / (count - 1) - 0.5) for index in range(count)]


def nice_ceiling(value: float) -> float:
    """Give some air above the largest value of an axis."""
    return value * 1.04 if value > 0 else 1.0
