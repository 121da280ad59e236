"""Which plots lie beside each other, and which at the edge."""

from __future__ import annotations

import numpy as np

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray


def adjacency(row: IntArray, column: IntArray) -> BoolArray:
    """Find plots that share a side on the map.

    Parameters
    ----------
    row, column : (n,) int array
        Position on the map. A gap in the numbers parts plots; number the map so that an alley
        counts as a row or column where it should.

    Returns
    -------
    (n, n) bool array
        Symmetric, False on the diagonal.

    Raises
    ------
    ValueError
        When two plots have the same position.
    """
    down = np.abs(np.subtract.outer(row, row))
    across = np.abs(np.subtract.outer(column, column))
    same = (down == 0) & (across == 0)
    if same.sum() > row.size:
        raise ValueError("two plots have the same row and column")
    near: BoolArray = down + across == 1
    return near


def neighbour_means(adjacent: BoolArray, values: FloatArray) -> FloatArray:
    """Average what the adjacent plots had.

    Parameters
    ----------
    adjacent : (n, n) bool array
    values : (n,) or (n, k) array
        NaN is left out of the average.

    Returns
    -------
    (n,) or (n, k) array
        NaN where no adjacent plot has a value.
    """
    known = ~np.isnan(values)
    weights = adjacent.astype(float)
    total = weights @ np.where(known, values, 0.0)
    count = weights @ known.astype(float)
    means: FloatArray = total / np.where(count > 0, count, np.nan)
    return means


def edge_plots(row: IntArray, column: IntArray) -> BoolArray:
    """Find plots with a side that borders no plot.

    Parameters
    ----------
    row, column : (n,) int array

    Returns
    -------
    (n,) bool array
        True with fewer than four adjacent plots. In a trial of one or two rows all plots are at
        the edge.
    """
    edge: BoolArray = adjacency(row, column).sum(axis=1) < 4
    return edge
