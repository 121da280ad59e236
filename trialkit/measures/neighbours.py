"""Neighbours: which plots touch on the field map, and what was counted on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import BoolArray, FloatArray, IntArray, floats

Contact: TypeAlias = Literal["rook", "queen"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeighbourMeans:
    """What was counted on the plots around each plot.

    Attributes
    ----------
    mean : ndarray of float
        Mean of the neighbours that were counted; NaN where none was.
    n : ndarray of int
        How many neighbours went into it.
    """

    mean: FloatArray
    n: IntArray


def adjacency(row: ArrayLike, column: ArrayLike, *, contact: Contact = "rook") -> BoolArray:
    """Tell which plots of a grid touch.

    Parameters
    ----------
    row, column : array_like, (n,)
        Position of each plot on the map, whole numbers; NaN where it is not known.
    contact : {"rook", "queen"}
        ``rook``: plots that share a side. ``queen``: a side or a corner.

    Returns
    -------
    ndarray of bool, (n, n)
        Symmetric, no plot its own neighbour. Plots without a position have none.

    Raises
    ------
    ValueError
        When positions are not whole numbers, two plots stand on the same place, or the lengths
        differ.

    Notes
    -----
    The map knows rows and columns and not metres: plots on either side of an alley count as
    neighbours when their rows or columns are successive.

    Examples
    --------
    >>> adjacency([1, 1, 2], [1, 2, 2]).sum(axis=1).tolist()
    [1, 2, 1]
    """
    if contact not in ("rook", "queen"):
        raise ValueError(f"contact must be 'rook' or 'queen', not {contact!r}")
    r, c = floats(row), floats(column)
    if r.ndim != 1 or r.shape != c.shape:
        raise ValueError("rows and columns must be two lists of the same length")
    placed = np.isfinite(r) & np.isfinite(c)
    where = np.stack([r[placed], c[placed]], axis=1)
    if (where != np.round(where)).any():
        raise ValueError("rows and columns of the map must be whole numbers")
    if len(np.unique(where, axis=0)) < len(where):
        raise ValueError("two plots stand on the same place of the map")
    touching = np.zeros((r.size, r.size), dtype=bool)
    rows = np.abs(where[:, None, 0] - where[None, :, 0])
    columns = np.abs(where[:, None, 1] - where[None, :, 1])
    near = rows + columns == 1 if contact == "rook" else np.maximum(rows, columns) == 1
    touching[np.ix_(placed, placed)] = near
    return touching


def neighbour_means(adjacent: ArrayLike, values: ArrayLike) -> NeighbourMeans:
    """Mean of what was counted on the neighbours of each plot.

    Parameters
    ----------
    adjacent : array_like of bool, (n, n)
        From `adjacency`.
    values : array_like, (n,) or (n, m)
        What was counted on each plot, in one column or several; NaN where it was not.

    Returns
    -------
    NeighbourMeans
        Of the shape of values. Neighbours that were not counted are left out.

    Raises
    ------
    ValueError
        When the shapes do not match.
    """
    touching, y = np.asarray(adjacent, dtype=np.float64), floats(values)
    if y.ndim not in (1, 2) or touching.shape != (len(y), len(y)):
        raise ValueError("adjacent must have one row and one column for each plot of values")
    counted = np.isfinite(y)
    n = touching @ counted.astype(np.float64)
    with np.errstate(all="ignore"):
        mean = touching @ np.where(counted, y, 0.0) / n
    return NeighbourMeans(mean=np.where(n > 0, mean, np.nan), n=n.astype(np.int64))
