"""Coefficients of planned comparisons, from the words in which a record says what they compare."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

_SIDE = re.compile(r"(?:mean of treatments|treatment) ")
_RATE = re.compile(r"(.+?) at ([\d.e+-]+)")


def coefficients(name: str, note: str, treatments: Sequence[str]) -> dict[str, float] | None:
    """Coefficients over treatments of a planned comparison; None where its words are not known.

    Parameters
    ----------
    name : str
        As "linear trend over the three rates of Wimbrel".
    note : str
        As "mean of treatments 4, 5 minus treatment 3", or "treatments 5 at 0.15, 4 at 0.3 L/ha".
    treatments : sequence of str
        Ids there are.

    Examples
    --------
    >>> coefficients("sprays", "mean of treatments 2, 3 minus treatment 1", ["1", "2", "3"])
    {'2': 0.5, '3': 0.5, '1': -1.0}
    >>> coefficients("linear trend over two rates", "treatments 2 at 1, 3 at 3 L/ha", ["2", "3"])
    {'2': -0.5, '3': 0.5}
    """
    text = note.partition("; ")[0]
    if name.startswith(("linear trend", "curvature")):
        found = _of_rates(name, text.removeprefix("treatments "))
    else:
        found = _of_groups(text)
    if found is None or not set(found) <= set(treatments):
        return None
    return found


def _of_groups(text: str) -> dict[str, float] | None:
    sides = text.split(" minus ")
    if len(sides) != 2:
        return None
    found: dict[str, float] = {}
    for sign, side in zip((1.0, -1.0), sides, strict=True):
        names = _SIDE.sub("", side, count=1).split(", ")
        found |= {name: sign / len(names) for name in names}
    return found


def _of_rates(name: str, text: str) -> dict[str, float] | None:
    """Slope per unit of rate, or coefficient of rate squared, by least squares over the means."""
    pairs = [_RATE.match(part) for part in text.split(", ")]
    known = [(pair.group(1), float(pair.group(2))) for pair in pairs if pair is not None]
    if len(known) < len(pairs):
        return None
    power = 1 if name.startswith("linear") else 2
    rates = np.array([rate for _, rate in known])
    weights = np.linalg.pinv(np.vander(rates, power + 1))[0]
    return {item: float(weight) for (item, _), weight in zip(known, weights, strict=True)}
