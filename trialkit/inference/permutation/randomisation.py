"""Randomisation tests: treatments given anew to the plots, as the design could have done.

The test asks how often the design, had it dealt the treatments otherwise, would have shown
differences as large as those found, the plots being what they were. It needs no distribution of
the errors (Fisher RA 1935, The Design of Experiments, reference from memory).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.inference.design.bases import RANK_TOLERANCE, indicator, orthogonal_addition
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.linear import fit_layout

# Arrangements that equal the one found, but for rounding, count as reaching it.
_TIE: Final = 1e-9
# Entries of the largest array of indicators made at once.
_CHUNK: Final = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomisationTest:
    """Randomisation test of treatments for m responses.

    Attributes
    ----------
    F : (m,) float array
        The statistic found: treatments against error of the linear layout.
    p : (m,) float array
        Share of arrangements that reach it; NaN where there is nothing to test.
    arrangements : (m,) int array
        Arrangements looked at, the one found not among those that were drawn.
    exact : (m,) bool array
        Whether these are all there are.
    smallest_p : (m,) float array
        The smallest p that these arrangements could have given: some only exchange names of
        treatments. In small squares it is large (1/18 for the cyclic square of 4).
    """

    F: FloatArray
    p: FloatArray
    arrangements: IntArray
    exact: BoolArray
    smallest_p: FloatArray


def randomisation_test(
    layout: Layout, responses: FloatArray, *, draws: int = 999, seed: int = 1
) -> RandomisationTest:
    """Test treatments by dealing them anew inside the restrictions of the design.

    Parameters
    ----------
    layout : Layout
        Completely randomised: treatments change places over all plots. Blocks: within blocks.
        Rows and columns: whole rows, and whole columns, of the plan change places.
    responses : (n,) or (n, m) float array
        NaN where a plot is missing. Without rows and columns, treatments are dealt among the
        plots present, each block keeping its treatments.
    draws : int
        Arrangements drawn; where the design has no more than these, all are taken instead.
    seed : int

    Returns
    -------
    RandomisationTest

    Raises
    ------
    ValueError
        When rows are not the plots of the layout, or ``draws`` is below 1.
    NotEstimable
        When rows and columns do not cross in exactly one plot each.

    Notes
    -----
    A Latin square drawn by permuting the rows, the columns and the letters of any square is
    uniform among all that such permutations make of it, whatever the square was; they are a
    group. So the arrangement found is one of equally likely ones, and the test has its level.
    Permuting letters changes no F and is left out. Squares with much symmetry make few different
    arrangements, which ``smallest_p`` shows.

    With drawn arrangements ``p = (1 + b) / (1 + B)``, where b of B reach what was found: valid
    for every B (Phipson B and Smyth GK 2010, reference from memory).

    Within blocks the counts of treatments by blocks stay, and with them all projections: only
    totals of treatments are formed anew.
    """
    y = np.asarray(responses, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    if draws < 1:
        raise ValueError("at least one arrangement must be drawn")
    if len(layout.blocking) > 1:
        _check_crossing(layout)
    m = y.shape[1]
    F, p, smallest = np.full(m, np.nan), np.full(m, np.nan), np.full(m, np.nan)
    number, exact = np.zeros(m, dtype=np.intp), np.zeros(m, dtype=bool)
    for fit in fit_layout(layout, y):
        columns, plots = fit.columns, fit.plots
        F[columns] = fit.treatment.F
        if plots.size == 0 or fit.df_treatment == 0 or fit.df_error == 0:
            continue
        # Each pattern of missing plots draws anew from the seed, so that responses tested
        # together or alone get the same p.
        rng = np.random.default_rng(seed)
        labels, all_of_them = arrangements(layout, plots, draws, rng)
        found, drawn = _shares(layout, plots, y[np.ix_(plots, columns)], labels)
        reached = (drawn >= found * (1.0 - _TIE)).sum(axis=0)
        one = 0 if all_of_them else 1
        p[columns] = np.where(np.isnan(found), np.nan, (one + reached) / (one + len(labels)))
        smallest[columns] = (one + _renamed(layout.treatment[plots], labels)) / (one + len(labels))
        number[columns], exact[columns] = len(labels), all_of_them
    return RandomisationTest(F=F, p=p, arrangements=number, exact=exact, smallest_p=smallest)


def arrangements(
    layout: Layout, plots: IntArray, draws: int, rng: np.random.Generator
) -> tuple[IntArray, bool]:
    """Treatments (B, n) of some plots dealt anew inside the design, and whether these are all.

    Raises
    ------
    NotEstimable
        When rows and columns do not cross in exactly one plot each.
    """
    if len(layout.blocking) > 1:
        _check_crossing(layout)
        labels, everything = _squares(layout, draws, rng)
        return labels[:, plots], everything
    return _within(layout, plots, draws, rng)


def _renamed(treatment: IntArray, labels: IntArray) -> int:
    """How many arrangements keep together what was together."""
    _, first, inverse = np.unique(treatment, return_index=True, return_inverse=True)
    return int((labels == labels[:, first[inverse]]).all(axis=1).sum())


def _check_crossing(layout: Layout) -> None:
    (_, row), (_, column) = layout.blocking[:2]
    cells = set(zip(row.tolist(), column.tolist(), strict=True))
    full = len(np.unique(row)) * len(np.unique(column))
    if len(layout.blocking) > 2 or len(cells) != layout.n_plots or full != layout.n_plots:
        raise NotEstimable("each row must meet each column in exactly one plot")


def _within(
    layout: Layout, plots: IntArray, draws: int, rng: np.random.Generator
) -> tuple[IntArray, bool]:
    """Treatments (B, n) dealt anew within blocks, and whether these are all ways."""
    treatment = layout.treatment[plots]
    block = layout.blocking[0][1][plots] if layout.blocking else np.zeros_like(treatment)
    members = [np.flatnonzero(block == code) for code in np.unique(block)]
    ways = 1
    for rows in members:
        ways *= math.factorial(rows.size)
        for count in np.bincount(treatment[rows]):
            ways //= math.factorial(int(count))
    if ways <= draws:
        labels = np.empty((ways, plots.size), dtype=np.intp)
        each = [list(_orders(np.bincount(treatment[rows]).tolist())) for rows in members]
        for i, chosen in enumerate(itertools.product(*each)):
            for rows, dealt in zip(members, chosen, strict=True):
                labels[i, rows] = dealt
        return labels, True
    # Sorting by block and then by a random number shuffles each block in its own places.
    home = np.argsort(block, kind="stable")
    rank = np.unique(block, return_inverse=True)[1]
    order = np.argsort(rank + rng.random((draws, plots.size)), axis=1)
    labels = np.empty((draws, plots.size), dtype=np.intp)
    labels[:, home] = treatment[order]
    return labels, False


def _orders(counts: list[int]) -> Iterator[tuple[int, ...]]:
    """All different orders of treatments that occur so many times."""
    if not any(counts):
        yield ()
        return
    for code, count in enumerate(counts):
        if count:
            rest = [*counts[:code], count - 1, *counts[code + 1 :]]
            for tail in _orders(rest):
                yield (code, *tail)


def _squares(layout: Layout, draws: int, rng: np.random.Generator) -> tuple[IntArray, bool]:
    """Treatments (B, n) after rows and columns of the plan changed places."""
    row, column = (np.unique(codes, return_inverse=True)[1] for _, codes in layout.blocking)
    n_rows, n_columns = int(row.max()) + 1, int(column.max()) + 1
    plan = np.empty((n_rows, n_columns), dtype=np.intp)
    plan[row, column] = layout.treatment
    everything = math.factorial(n_rows) * math.factorial(n_columns) <= draws
    if everything:
        by_row = np.array(list(itertools.permutations(range(n_rows))))
        by_column = np.array(list(itertools.permutations(range(n_columns))))
        rows = np.repeat(by_row, len(by_column), axis=0)
        columns = np.tile(by_column, (len(by_row), 1))
    else:
        rows = np.argsort(rng.random((draws, n_rows)), axis=1)
        columns = np.argsort(rng.random((draws, n_columns)), axis=1)
    return plan[rows[:, row], columns[:, column]], everything


def _shares(
    layout: Layout, plots: IntArray, y: FloatArray, labels: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Treatments as found (k,) and as dealt anew (B, k): a statistic that rises with F.

    It is F itself where missing plots change the degrees of freedom from one arrangement to the
    other, else the share of treatments in what blocks leave. NaN where nothing is left.
    """
    n, t = plots.size, layout.n_treatments
    basis = np.full((n, 1), 1.0 / np.sqrt(n))
    rest = y - y.mean(axis=0)
    scale = np.abs(y).max(axis=0)
    for _, codes in layout.blocking:
        inverse = np.unique(codes[plots], return_inverse=True)[1]
        addition = orthogonal_addition(basis, indicator(inverse, int(inverse.max()) + 1))
        basis = np.hstack([basis, addition])
    rest = rest - basis @ (basis.T @ rest)
    total = np.einsum("ij,ij->j", rest, rest)
    total = np.where(total > n * (1e-13 * scale) ** 2, total, np.nan)
    projector = np.eye(n) - basis @ basis.T
    df = n - basis.shape[1]
    fixed = len(layout.blocking) < 2
    treatment = layout.treatment[plots]
    found = _statistic(treatment[None, :], t, rest, total, projector, df, fixed=fixed)[0]
    step = max(1, _CHUNK // max(n * t, 1))
    drawn = [
        _statistic(labels[i : i + step], t, rest, total, projector, df, fixed=fixed)
        for i in range(0, len(labels), step)
    ]
    return found, np.concatenate(drawn)


def _statistic(
    labels: IntArray,
    t: int,
    rest: FloatArray,
    total: FloatArray,
    projector: FloatArray,
    df: int,
    *,
    fixed: bool,
) -> FloatArray:
    """Statistic (B, k) of each arrangement; ``fixed`` where one inverse serves all."""
    codes = np.arange(t)
    if fixed:
        dummies = (labels == codes[:, None, None]).astype(np.float64)
        root, _ = _root(dummies[:, 0], projector)
        # Totals of treatments (t, B * k), and what of them is at right angles to blocks.
        sums = (dummies.reshape(-1, rest.shape[0]) @ rest).reshape(t, -1)
        between = ((root.T @ sums) ** 2).sum(axis=0).reshape(len(labels), -1)
        return np.asarray(between / total)
    dummies = (labels[:, None, :] == codes[None, :, None]).astype(np.float64)
    root, kept = _root(dummies, projector)
    between = ((root.transpose(0, 2, 1) @ (dummies @ rest)) ** 2).sum(axis=1)
    share = between / total
    rank = kept.sum(axis=1)[:, None].astype(np.float64)
    left = np.maximum(1.0 - share, 1e-15) / np.maximum(df - rank, 1e-9)
    return np.asarray(share / np.maximum(rank, 1.0) / left)


def _root(dummies: FloatArray, projector: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Root of the inverse information (..., t, t) of treatments, and which parts it has."""
    value, vector = np.linalg.eigh(dummies @ projector @ np.swapaxes(dummies, -1, -2))
    # Squared singular values; what is lost of them is rounding.
    kept: BoolArray = value > RANK_TOLERANCE
    scale = np.where(kept, 1.0 / np.sqrt(np.where(kept, value, 1.0)), 0.0)
    return vector * scale[..., None, :], kept
