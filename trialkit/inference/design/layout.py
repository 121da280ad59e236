"""Layouts: which treatment each plot got, and what the plots were grouped by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
Codes = Sequence[int] | npt.NDArray[np.integer]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """A designed experiment as integer codes, one entry a plot.

    Attributes
    ----------
    treatment : (n,) int array
        Treatment of each plot, 0 to ``n_treatments - 1``.
    n_treatments : int
        How many treatments were meant, also those without a plot.
    blocking : tuple of (str, (n,) int array)
        What the plots were grouped by, in the order in which it is taken out: nothing
        (completely randomised), ``block``, or ``row`` and ``column``.
    """

    treatment: IntArray
    n_treatments: int
    blocking: tuple[tuple[str, IntArray], ...] = ()

    def __post_init__(self) -> None:
        if self.n_treatments < 1:
            raise ValueError("a layout needs at least one treatment")
        if self.treatment.ndim != 1:
            raise ValueError("treatment codes must be one-dimensional")
        if self.treatment.size and (
            self.treatment.min() < 0 or self.treatment.max() >= self.n_treatments
        ):
            raise ValueError("treatment codes must lie between 0 and n_treatments - 1")
        for source, codes in self.blocking:
            if codes.shape != self.treatment.shape:
                raise ValueError(f"there must be one {source} code for each plot")

    @property
    def n_plots(self) -> int:
        """How many plots the layout has, counted or not."""
        return int(self.treatment.size)


def _codes(values: Codes) -> IntArray:
    array = np.asarray(values)
    if array.size and not np.issubdtype(array.dtype, np.integer):
        raise TypeError("codes must be integers")
    return array.astype(np.intp)


def completely_randomised(treatment: Codes, n_treatments: int) -> Layout:
    """Lay out plots in no groups; treatments may have unequal numbers of plots."""
    return Layout(treatment=_codes(treatment), n_treatments=n_treatments)


def randomised_blocks(treatment: Codes, block: Codes, n_treatments: int) -> Layout:
    """Lay out plots in blocks, complete or not, with one or several plots of a treatment."""
    return Layout(
        treatment=_codes(treatment),
        n_treatments=n_treatments,
        blocking=(("block", _codes(block)),),
    )


def latin_square(treatment: Codes, row: Codes, column: Codes, n_treatments: int) -> Layout:
    """Lay out plots in rows and columns that both were restrictions of the randomisation."""
    return Layout(
        treatment=_codes(treatment),
        n_treatments=n_treatments,
        blocking=(("row", _codes(row)), ("column", _codes(column))),
    )
