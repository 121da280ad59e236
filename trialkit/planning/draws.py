"""Random layouts: which treatment stands where, each layout of an allowed set equally likely.

Everything here works on numbers of treatments, from 0, and takes its random generator from the
caller. Where a set is restricted, layouts are drawn from the whole set and those that the
restriction forbids are thrown away, which leaves those allowed equally likely.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import cache
from itertools import permutations
from math import factorial, gcd, prod

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]

#: Layouts thrown away before a restriction is called unreachable.
MOST_TRIES = 200_000
#: Largest Latin square of which all are drawn from; of larger ones there are too many to list.
LARGEST_LISTED = 6


class OutOfReach(ValueError):  # noqa: N818 - it is no fault of the program
    """No layout that a restriction allows was found."""


def draw_complete(rng: np.random.Generator, labels: Sequence[int]) -> IntArray:
    """Draw an order of labels, each different order equally likely.

    Parameters
    ----------
    rng : Generator
    labels : sequence of int
        One a plot; a label may stand several times.

    Returns
    -------
    ndarray, shape (n,)
    """
    return rng.permutation(np.asarray(labels, dtype=np.int64))


def count_complete(labels: Sequence[int]) -> int:
    """Count the different orders of labels."""
    return factorial(len(labels)) // prod(factorial(n) for n in Counter(labels).values())


def draw_blocks(
    rng: np.random.Generator,
    labels: Sequence[int],
    blocks: int,
    *,
    width: int | None = None,
    apart: bool = False,
) -> IntArray:
    """Draw complete blocks, each an order of the same labels.

    Parameters
    ----------
    rng : Generator
    labels : sequence of int
        Treatments of one block, a label as often as it has plots in it.
    blocks : int
    width : int, optional
        Plots of a block in one row of the field; all, when left out. Plot i of a block stands in
        column ``i % width``.
    apart : bool
        Whether a label may not stand in the same column of the field in two neighbouring blocks.

    Returns
    -------
    ndarray, shape (blocks, len(labels))

    Raises
    ------
    OutOfReach
        When no such layout was found.

    Notes
    -----
    Where every label is there once and a block is one row, as many orders may follow any order,
    so that blocks can be drawn one after the other and the whole is still uniform. In all other
    cases the whole layout is drawn and thrown away together.
    """
    plots = len(labels)
    across = width or plots
    if not apart:
        return np.array([draw_complete(rng, labels) for _ in range(blocks)])
    columns = np.arange(plots) % across
    if across == plots and len(set(labels)) == plots:
        return _one_after_the_other(rng, labels, blocks, columns)
    for _ in range(MOST_TRIES):
        layout = [draw_complete(rng, labels)]
        while len(layout) < blocks:
            layout.append(draw_complete(rng, labels))
            if _meet(layout[-2], layout[-1], columns):
                break
        else:
            return np.array(layout)
    raise OutOfReach("no layout keeps treatments apart in neighbouring blocks")


def _one_after_the_other(
    rng: np.random.Generator, labels: Sequence[int], blocks: int, columns: IntArray
) -> IntArray:
    layout = [draw_complete(rng, labels)]
    tries = 0
    while len(layout) < blocks:
        tries += 1
        if tries > MOST_TRIES:
            raise OutOfReach("no layout keeps treatments apart in neighbouring blocks")
        following = draw_complete(rng, labels)
        if not _meet(layout[-1], following, columns):
            layout.append(following)
    return np.array(layout)


def _meet(first: IntArray, second: IntArray, columns: IntArray) -> bool:
    """Whether a label stands in the same column in two blocks."""
    size = int(max(first.max(), second.max())) + 1
    return bool(np.isin(columns * size + second, columns * size + first).any())


def count_blocks(labels: Sequence[int], blocks: int, *, width: int, apart: bool) -> int | None:
    """Count the layouts that `draw_blocks` draws from; None where no formula is known here.

    Notes
    -----
    Every label once, one row a block, kept apart: ``t! D(t) ** (blocks - 1)`` with D the number
    of permutations that leave nothing in its place.
    """
    if not apart:
        return int(count_complete(labels) ** blocks)
    if width == len(labels) == len(set(labels)):
        return int(factorial(width) * _derangements(width) ** (blocks - 1))
    return None


def _derangements(n: int) -> int:
    before, now = 1, 0
    for i in range(2, n + 1):
        before, now = now, (i - 1) * (now + before)
    return now if n else 1


# --- Latin squares ------------------------------------------------------------------------


def draw_latin(rng: np.random.Generator, size: int) -> IntArray:
    """Draw a Latin square.

    Parameters
    ----------
    rng : Generator
    size : int
        Treatments, rows and columns; at least 2.

    Returns
    -------
    ndarray, shape (size, size)

    Notes
    -----
    To size 6 every Latin square is equally likely: a reduced square is drawn from the list of all,
    then its columns, and its rows but for the first, are put in random order (every square is
    reached in exactly one way). Above that rows, columns and treatments of the cyclic square are
    put in random order, and every square that can be made so is equally likely; of all squares
    there are too many to list. Method of Fisher RA & Yates F, Statistical Tables for Biological,
    Agricultural and Medical Research, introduction to the Latin squares [from memory].
    """
    if size <= LARGEST_LISTED:
        listed = _reduced(size)
        square: IntArray = listed[int(rng.integers(len(listed)))][:, rng.permutation(size)]
        below = 1 + rng.permutation(size - 1)
        mixed: IntArray = square[np.concatenate([[0], below])]
        return mixed
    cyclic = (np.arange(size)[:, None] + np.arange(size)) % size
    mixed = cyclic[rng.permutation(size)][:, rng.permutation(size)]
    names: IntArray = rng.permutation(size)
    return names[mixed].astype(np.int64)


def count_latin(size: int) -> int:
    """Count the squares that `draw_latin` draws from.

    Notes
    -----
    ``n! (n - 1)!`` times the reduced squares; above size 6 ``(n!)**3 / (n**2 phi(n))``, the size
    of the set that row, column and letter permutations make from the cyclic square.
    """
    if size <= LARGEST_LISTED:
        return factorial(size) * factorial(size - 1) * len(_reduced(size))
    phi = sum(gcd(i, size) == 1 for i in range(1, size + 1))
    return factorial(size) ** 3 // (size**2 * phi)


@cache
def _reduced(size: int) -> IntArray:
    """List all Latin squares whose first row and column are in order."""
    first = tuple(range(size))
    rows = {head: [row for row in permutations(first) if row[0] == head] for head in range(1, size)}
    found: list[list[tuple[int, ...]]] = []

    def extend(square: list[tuple[int, ...]], used: list[int]) -> None:
        if len(square) == size:
            found.append(square)
            return
        for row in rows[len(square)]:
            if all(not used[i] >> value & 1 for i, value in enumerate(row)):
                extend(
                    [*square, row],
                    [mask | 1 << value for mask, value in zip(used, row, strict=True)],
                )

    extend([first], [1 << value for value in first])
    return np.array(found, dtype=np.int64)


# --- main plots and strips ----------------------------------------------------------------


def draw_split(
    rng: np.random.Generator, mains: int, subs: int, blocks: int
) -> tuple[IntArray, IntArray]:
    """Draw a split-plot in blocks.

    Returns
    -------
    (ndarray, ndarray)
        Main level of each main plot, shape (blocks, mains), and sub level of each plot in it,
        shape (blocks, mains, subs).
    """
    main = np.array([rng.permutation(mains) for _ in range(blocks)])
    sub = np.array([[rng.permutation(subs) for _ in range(mains)] for _ in range(blocks)])
    return main, sub


def draw_strips(
    rng: np.random.Generator, mains: int, subs: int, blocks: int
) -> tuple[IntArray, IntArray]:
    """Draw a strip-plot: in each block an order of the main strips and one of the sub strips.

    Returns
    -------
    (ndarray, ndarray)
        Shapes (blocks, mains) and (blocks, subs).
    """
    main = np.array([rng.permutation(mains) for _ in range(blocks)])
    return main, np.array([rng.permutation(subs) for _ in range(blocks)])
