"""Layouts: which treatment each plot got, what plots were grouped by, in what units they lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
Codes = Sequence[int] | npt.NDArray[np.integer]


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Level codes (n,), 0 to ``n_levels - 1``, of one factor."""

    name: str
    codes: IntArray
    n_levels: int

    @property
    def coding(self) -> FloatArray:
        """Orthonormal columns (n_levels, n_levels - 1) that sum to zero."""
        n = self.n_levels
        out = np.zeros((n, n - 1))
        for j in range(1, n):
            out[:j, j - 1] = 1.0
            out[j, j - 1] = -j
            out[:, j - 1] /= np.sqrt(j * (j + 1.0))
        return out


def factor(name: str, codes: Codes, n_levels: int | None = None) -> Factor:
    """Make a factor from integer codes; the number of levels defaults to the largest code + 1.

    Raises
    ------
    ValueError
        A code outside 0 to ``n_levels - 1``.
    """
    array = np.asarray(codes).astype(np.intp)
    top = int(array.max()) + 1 if array.size else 0
    n_levels = top if n_levels is None else n_levels
    if array.size and (int(array.min()) < 0 or top > n_levels):
        raise ValueError(f"codes of {name} must lie between 0 and n_levels - 1")
    return Factor(name, array, n_levels)


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
        (completely randomised), ``block``, or ``row`` and ``column``. Larger units, where there
        are any, lie whole in these groups.
    units : tuple of (str, (n,) int array)
        Units larger than a plot to which levels of a factor were randomised, and whose plots err
        together: ``main_plot``, or ``main_strip`` and ``sub_strip``; codes from 0 without gaps.
    factors : tuple of Factor
        What treatments are made of where larger units carry a factor; else nothing.
    """

    treatment: IntArray
    n_treatments: int
    blocking: tuple[tuple[str, IntArray], ...] = ()
    units: tuple[tuple[str, IntArray], ...] = ()
    factors: tuple[Factor, ...] = ()

    def __post_init__(self) -> None:
        if self.n_treatments < 1:
            raise ValueError("a layout needs at least one treatment")
        if self.treatment.ndim != 1:
            raise ValueError("treatment codes must be one-dimensional")
        if self.treatment.size and (
            self.treatment.min() < 0 or self.treatment.max() >= self.n_treatments
        ):
            raise ValueError("treatment codes must lie between 0 and n_treatments - 1")
        named = [(item.name, item.codes) for item in self.factors]
        for source, codes in (*self.blocking, *self.units, *named):
            if codes.shape != self.treatment.shape:
                raise ValueError(f"there must be one {source} code for each plot")

    @property
    def n_plots(self) -> int:
        """How many plots the layout has, counted or not."""
        return int(self.treatment.size)

    @property
    def cells(self) -> IntArray:
        """Combination of the factors on each plot (n,), the last factor running fastest.

        The treatments themselves where there are no factors.
        """
        if not self.factors:
            return self.treatment
        codes = tuple(item.codes for item in self.factors)
        levels = [item.n_levels for item in self.factors]
        return np.ravel_multi_index(codes, levels).astype(np.intp)

    @property
    def n_cells(self) -> int:
        """How many combinations of the factors there are."""
        if not self.factors:
            return self.n_treatments
        return int(np.prod([item.n_levels for item in self.factors]))

    @property
    def weights(self) -> FloatArray:
        """Weight (t, c) of each combination in the mean of each treatment: as a rule one of 1."""
        weights = np.zeros((self.n_treatments, self.n_cells))
        if not self.factors:
            np.fill_diagonal(weights, 1.0)
            return weights
        weights[self.treatment, self.cells] = 1.0
        return np.asarray(weights / np.maximum(weights.sum(axis=1, keepdims=True), 1.0))

    @property
    def combinations(self) -> Layout:
        """The same plots with the combinations of the factors for treatments."""
        return replace(self, treatment=self.cells, n_treatments=self.n_cells)

    @property
    def inside_units(self) -> Layout:
        """Treatments with larger units taken out like blocks: what is left errs as plots do."""
        if not self.units:
            return self
        return replace(self, blocking=self.units, units=(), factors=())

    def of_units(self, place: int) -> Layout:
        """The larger units of one kind as plots, with the factor that they carry.

        Raises
        ------
        ValueError
            A unit with more than one level of its factor, or in more than one group.
        """
        unit, codes = self.units[place]
        carried, first = self.factors[place], np.unique(codes, return_index=True)[1]
        for name, own in ((f"{carried.name} treatment", carried.codes), *self.blocking):
            if np.any(own != own[first][codes]):
                raise ValueError(f"a {unit.replace('_', ' ')} has more than one {name}")
        return Layout(
            treatment=carried.codes[first],
            n_treatments=carried.n_levels,
            blocking=tuple((name, own[first]) for name, own in self.blocking),
        )


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


def split_plot(
    main: Factor,
    sub: Factor,
    *,
    blocking: Sequence[tuple[str, Codes]] = (),
    main_plot: Codes | None = None,
) -> Layout:
    """Lay out main plots, in blocks, in rows and columns or in no groups, with subplots inside.

    Parameters
    ----------
    main, sub : Factor
        ``main`` and ``sub`` of each subplot; their combinations are the treatments.
    blocking : sequence of (str, (n,) codes)
        What main plots were grouped by.
    main_plot : (n,) codes, optional
        Which main plot each subplot lies in. Needed without blocking; with it, the plots of one
        main treatment in one block are taken as one main plot.

    Raises
    ------
    ValueError
        A main plot with two main treatments, in two blocks, or with a sub treatment twice; no
        main plots given or to be inferred; lengths that differ.
    """
    groups = tuple((name, np.asarray(codes).astype(np.intp)) for name, codes in blocking)
    _same_length(main, sub, groups, "subplot")
    if main_plot is None and not groups:
        raise ValueError("without blocks the main plot of each subplot must be given")
    keys = [main.codes, *(codes for _, codes in groups)]
    plots = _numbered(*keys) if main_plot is None else _numbered(np.asarray(main_plot))
    layout = _two_factors(main, sub, groups, (("main_plot", plots),))
    layout.of_units(0)
    if np.unique(plots * sub.n_levels + sub.codes).size != plots.size:
        raise ValueError("a main plot has the same sub treatment twice: average samples first")
    return layout


def strip_plot(main: Factor, sub: Factor, block: Codes) -> Layout:
    """Lay out strips of a main factor across strips of a sub factor, in blocks.

    Raises
    ------
    ValueError
        A block with the same combination twice; lengths that differ.
    """
    blocks = _numbered(np.asarray(block))
    groups = (("block", blocks),)
    _same_length(main, sub, groups, "plot")
    strips = tuple(
        (f"{item.name}_strip", _numbered(blocks * item.n_levels + item.codes))
        for item in (main, sub)
    )
    if _numbered(blocks, main.codes, sub.codes).max(initial=-1) + 1 != blocks.size:
        raise ValueError("a block has the same combination twice: average samples first")
    return _two_factors(main, sub, groups, strips)


def _same_length(
    main: Factor, sub: Factor, groups: tuple[tuple[str, IntArray], ...], what: str
) -> None:
    if {len(sub.codes), *(len(codes) for _, codes in groups)} - {len(main.codes)}:
        raise ValueError(f"codes must have one row for each {what}")


def _two_factors(
    main: Factor,
    sub: Factor,
    groups: tuple[tuple[str, IntArray], ...],
    units: tuple[tuple[str, IntArray], ...],
) -> Layout:
    return Layout(
        treatment=main.codes * sub.n_levels + sub.codes,
        n_treatments=main.n_levels * sub.n_levels,
        blocking=groups,
        units=units,
        factors=(main, sub),
    )


def _numbered(*keys: IntArray) -> IntArray:
    """Number what differs in any of the keys, from 0, in the order in which it first occurs."""
    _, first, place = np.unique(
        np.column_stack(keys), axis=0, return_index=True, return_inverse=True
    )
    return np.argsort(np.argsort(first))[place.reshape(-1)].astype(np.intp)
