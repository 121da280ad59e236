"""Quadratic forms of many rows, most of which have few entries: differences of means."""

from __future__ import annotations

import numpy as np

from trialkit.inference.design.layout import FloatArray

#: Entries of a row up to which a form is added up from single cells of the matrix.
_FEW = 4


def quadratic_forms(rows: FloatArray, matrix: FloatArray) -> FloatArray:
    """Quadratic form r M r' of every row r.

    Parameters
    ----------
    rows : (m, p) array
    matrix : (..., p, p) array
        One matrix, or several.

    Returns
    -------
    (..., m) array
        Time goes with m where no row has more than a few entries, else with m p^2.

    Examples
    --------
    >>> quadratic_forms(np.array([[1.0, 0.0, -1.0]]), np.diag([2.0, 3.0, 4.0])).tolist()
    [6.0]
    """
    entries = np.count_nonzero(rows, axis=1).max(initial=0)
    if entries > _FEW or rows.shape[1] <= _FEW:
        return np.asarray(((rows @ matrix) * rows).sum(axis=-1))
    row, column = np.nonzero(rows)
    rank = np.arange(row.size) - np.searchsorted(row, row)
    # What is left over stands for the first column, with the value 0.
    place, value = np.zeros((len(rows), entries), dtype=np.intp), np.zeros((len(rows), entries))
    place[row, rank], value[row, rank] = column, rows[row, column]
    form = np.zeros((*matrix.shape[:-2], len(rows)))
    for i in range(entries):
        for j in range(entries):
            form += value[:, i] * value[:, j] * matrix[..., place[:, i], place[:, j]]
    return form
