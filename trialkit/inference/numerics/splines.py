"""Cubic splines through a few nodes, as a matrix: loading a library for them takes far longer."""

from __future__ import annotations

import numpy as np

from trialkit.inference.design.layout import FloatArray


def spline_weights(nodes: FloatArray, places: FloatArray) -> FloatArray:
    """Weights of the values at the nodes in the spline at each place.

    Parameters
    ----------
    nodes : (n,) array
        Rising, at least 4.
    places : (k,) array
        Places beyond the nodes follow the first or last piece.

    Returns
    -------
    (k, n) array
        ``weights @ values`` is the cubic spline through the values whose first two pieces are
        one polynomial, and whose last two are ("not a knot").

    Raises
    ------
    ValueError
        With fewer than 4 nodes, or nodes that do not rise.
    """
    n, step = nodes.size, np.diff(nodes)
    if n < 4 or np.any(step <= 0.0):
        raise ValueError("a spline needs at least 4 nodes that rise")
    # Second derivatives at the nodes: slopes meet inside, third derivatives meet beside the ends.
    left, right = np.zeros((2, n, n))
    inner = np.arange(1, n - 1)
    before, after = step[:-1], step[1:]
    left[inner, inner - 1], left[inner, inner + 1] = before, after
    left[inner, inner] = 2.0 * (before + after)
    right[inner, inner - 1], right[inner, inner + 1] = 6.0 / before, 6.0 / after
    right[inner, inner] = -6.0 / before - 6.0 / after
    left[0, :3] = step[1], -step[0] - step[1], step[0]
    left[-1, -3:] = step[-1], -step[-1] - step[-2], step[-2]
    second = np.linalg.solve(left, right)
    piece = np.clip(np.searchsorted(nodes, places, side="right") - 1, 0, n - 2)
    width = step[piece]
    low = (nodes[piece + 1] - places) / width
    high = (places - nodes[piece]) / width
    index = np.arange(places.size)
    weights = np.zeros((places.size, n))
    weights[index, piece] += low
    weights[index, piece + 1] += high
    bend = width**2 / 6.0
    weights += (bend * (low**3 - low))[:, None] * second[piece]
    weights += (bend * (high**3 - high))[:, None] * second[piece + 1]
    return weights
