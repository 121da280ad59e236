"""Randomisation tests of split-plots and strip-plots: each factor dealt anew over its own units.

Main treatments change places among the main plots of a block (over the rows and columns of a
square of main plots), sub treatments among the subplots of a main plot; in a strip-plot each
factor changes places among its own strips of a block. What is permuted for which test:

- ``main``: main treatments over main plots (strips). The statistic is F between main plots,
  freed of the sub treatments; the test holds whatever the sub treatments do.
- ``sub``: sub treatments within main plots, or over the strips of a block. In a split-plot the
  null hypothesis is that they do nothing in any main treatment; in a strip-plot the test holds
  whatever the main treatments do.
- ``main:sub``: main treatments over main plots (in strip-plots both over their strips), while
  what is permuted is what each main plot departs from its own mean and from that of the sub
  treatments. Without interaction no label bears on that, so the test holds whatever both
  factors do by themselves.
- ``overall``: both at once; no treatment does anything. The statistic is the mean of the F of
  main, sub and main:sub, each against its own error, weighted by their degrees of freedom.

Fisher RA 1935, The Design of Experiments (reference from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import FloatArray, IntArray, Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.permutation.randomisation import arrangements, randomisation_test

_TIE: Final = 1e-9
# Entries of the largest array of indicators made at once.
_CHUNK: Final = 4_000_000
# Share of the variation of the plots below which a sum of squares is rounding.
_ROUNDING: Final = 1e-22

Statistic = Callable[[IntArray, IntArray], FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrataRandomisation:
    """Randomisation p-values of k responses; NaN where there is nothing to test.

    Attributes
    ----------
    overall, main, sub, interaction : (k,) float array
    """

    overall: FloatArray
    main: FloatArray
    sub: FloatArray
    interaction: FloatArray


def strata_randomisation(
    layout: Layout, responses: FloatArray, *, draws: int = 999, seed: int = 1
) -> StrataRandomisation:
    """Test the factors of a split-plot or strip-plot by dealing them anew.

    Main treatments are dealt over main plots and sub treatments inside them, or each factor over
    its strips of every block.

    Parameters
    ----------
    layout : Layout
    responses : (n,) or (n, k) array
        NaN where a plot is missing: treatments are dealt among the plots present.
    draws, seed : int
        As for `randomisation_test`.

    Returns
    -------
    StrataRandomisation
        NaN for main treatments in rows and columns that do not cross fully.
    """
    y = _matrix(responses)
    a, b = (item.codes for item in layout.factors)
    if len(layout.units) > 1:
        return _strips(a, b, layout.blocking[0][1], y, draws=draws, seed=seed)
    return _main_plots(layout, y, draws=draws, seed=seed)


def _main_plots(whole: Layout, y: FloatArray, *, draws: int, seed: int) -> StrataRandomisation:
    unit, (a, b) = whole.units[0][1], (item.codes for item in whole.factors)
    groups = whole.blocking
    out = np.full((4, y.shape[1]), np.nan)
    for columns, rows in _patterns(y):
        values = y[np.ix_(rows, columns)]
        present, first, where = np.unique(unit[rows], return_index=True, return_inverse=True)
        heads = rows[first]
        larger = Layout(
            treatment=a[heads],
            n_treatments=int(a.max()) + 1,
            blocking=tuple((name, codes[heads]) for name, codes in groups),
        )
        smaller = Layout(
            treatment=b[rows], n_treatments=int(b.max()) + 1, blocking=(("main plot", where),)
        )
        level, left = _additive(where, b[rows], values)
        inside = values - _means(where, present.size, values)[where]
        try:
            labels = _both(larger, smaller, draws, seed)
        except NotEstimable:
            labels = None
        else:
            out[1, columns] = randomisation_test(larger, level, draws=draws, seed=seed).p
        out[2, columns] = randomisation_test(smaller, values, draws=draws, seed=seed).p
        if labels is None:
            continue
        sizes = larger.n_treatments, smaller.n_treatments
        between = _between(larger, _means(where, present.size, values))
        data = inside, values
        within = _cells(where, sizes, data, rows.size - present.size, _nested_df(larger, b[rows]))
        out[0, columns] = _p(labels, _mean_of(between, within))
        crossed = _cells(where, sizes, (left, values), 0, 0)
        mains, everything = _deal(larger, draws, seed)
        fixed = np.broadcast_to(smaller.treatment, (len(mains), rows.size))
        original = larger.treatment[None], smaller.treatment[None]
        only = _Labels(mains, fixed, everything, original)
        out[3, columns] = _p(only, _first_of(crossed))
    return StrataRandomisation(overall=out[0], main=out[1], sub=out[2], interaction=out[3])


def _strips(
    a: IntArray, b: IntArray, blocks: IntArray, y: FloatArray, *, draws: int, seed: int
) -> StrataRandomisation:
    n_main, n_sub = int(a.max()) + 1, int(b.max()) + 1
    out = np.full((4, y.shape[1]), np.nan)
    for columns, rows in _patterns(y):
        values = y[np.ix_(rows, columns)]
        strips = []
        for codes, size in ((a, n_main), (b, n_sub)):
            key = blocks[rows] * size + codes[rows]
            _, first, where = np.unique(key, return_index=True, return_inverse=True)
            heads = rows[first]
            layout = Layout(
                treatment=codes[heads], n_treatments=size, blocking=(("block", blocks[heads]),)
            )
            strips.append((layout, where.astype(np.intp)))
        (mains, in_main), (subs, in_sub) = strips
        by_main, left = _additive(in_main, in_sub, values)
        by_sub, _ = _additive(in_sub, in_main, values)
        out[1, columns] = randomisation_test(mains, by_main, draws=draws, seed=seed).p
        out[2, columns] = randomisation_test(subs, by_sub, draws=draws, seed=seed).p
        df_left = rows.size - len(mains.treatment) - len(subs.treatment)
        df_left += len(np.unique(blocks[rows]))
        df = (len(np.unique(mains.treatment)) - 1) * (len(np.unique(subs.treatment)) - 1)
        one, other = _between(mains, by_main), _between(subs, by_sub)
        crossed = _cells(in_main, (n_main, n_sub), (left, values), df_left, df)

        parts = _in_strips(one, other, crossed, in_sub)
        labels = _both(mains, subs, draws, seed)
        out[0, columns] = _p(labels, _mean_of(*parts))
        out[3, columns] = _p(labels, _first_of(parts[2]))
    return StrataRandomisation(overall=out[0], main=out[1], sub=out[2], interaction=out[3])


def _in_strips(
    one: Callable[..., _Part],
    other: Callable[..., _Part],
    crossed: Callable[..., _Part],
    in_sub: IntArray,
) -> tuple[Callable[..., _Part], Callable[..., _Part], Callable[..., _Part]]:
    """Parts of a strip-plot as functions of the labels of both kinds of strip."""
    return (
        one,
        lambda main, sub: other(sub, main),
        lambda main, sub: crossed(main, sub[:, in_sub]),
    )


# --- dealing ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Labels:
    """Arrangements (B, units) of both factors, whether they are all, and the ones found."""

    main: IntArray
    sub: IntArray
    everything: bool
    found: tuple[IntArray, IntArray]


def _deal(layout: Layout, draws: int, seed: int) -> tuple[IntArray, bool]:
    plots = np.arange(layout.n_plots)
    return arrangements(layout, plots, draws, np.random.default_rng(seed))


def _both(larger: Layout, smaller: Layout, draws: int, seed: int) -> _Labels:
    """Deal two factors anew, independently of each other."""
    rng = np.random.default_rng(seed)
    one, all_of_one = arrangements(larger, np.arange(larger.n_plots), draws, rng)
    two, all_of_two = arrangements(smaller, np.arange(smaller.n_plots), draws, rng)
    found = larger.treatment[None], smaller.treatment[None]
    if all_of_one and all_of_two and len(one) * len(two) <= draws:
        pairs = np.repeat(one, len(two), axis=0), np.tile(two, (len(one), 1))
        return _Labels(*pairs, True, found)
    # Where all arrangements of one factor are known, one of them is drawn each time.
    if all_of_one:
        one = one[rng.integers(len(one), size=draws)]
    if all_of_two:
        two = two[rng.integers(len(two), size=draws)]
    return _Labels(one, two, False, found)


def _p(labels: _Labels, statistic: Statistic) -> FloatArray:
    found = statistic(*labels.found)[0]
    drawn = statistic(labels.main, labels.sub)
    one = 0 if labels.everything else 1
    reached = (drawn >= found * (1.0 - _TIE)).sum(axis=0)
    return np.where(np.isnan(found), np.nan, (one + reached) / (one + len(drawn)))


# --- statistics -------------------------------------------------------------------------

#: Sum of squares (B, k), its degrees of freedom, and sum and df of what is left.
_Part = tuple[FloatArray, int, FloatArray, int]


def _sum(*parts: _Part) -> FloatArray:
    """Mean of several F, weighted by their degrees of freedom; NaN where one has no error."""
    total, number = np.zeros_like(parts[0][0]), 0
    for sum_sq, df, rest, df_rest in parts:
        if df <= 0:
            continue
        if df_rest <= 0:
            return np.full_like(total, np.nan)
        total += sum_sq / (np.maximum(rest, _ROUNDING * (sum_sq + rest)) / df_rest)
        number += df
    return total / number if number else np.full_like(total, np.nan)


def _mean_of(*parts: Callable[..., _Part]) -> Statistic:
    def statistic(main: IntArray, sub: IntArray) -> FloatArray:
        return _sum(*(part(main, sub) for part in parts))

    return statistic


def _first_of(part: Callable[..., _Part]) -> Statistic:
    """The sum of squares alone, where what it leaves is the same in every arrangement."""

    def statistic(main: IntArray, sub: IntArray) -> FloatArray:
        sum_sq: FloatArray = part(main, sub)[0]
        return sum_sq

    return statistic


def _between(layout: Layout, means: FloatArray) -> Callable[..., _Part]:
    """Sums of squares of labels over units, once their groups are taken out."""
    parts = [np.ones((layout.n_plots, 1))]
    parts += [indicator(*_levels(codes)) for _, codes in layout.blocking]
    x = np.hstack(parts)
    rest = means - x @ np.linalg.lstsq(x, means, rcond=None)[0]
    total = _settled(rest, means)
    df = len(np.unique(layout.treatment)) - 1
    df_rest = layout.n_plots - int(np.linalg.matrix_rank(x)) - df

    def part(labels: IntArray, _: IntArray) -> _Part:
        between = _sums_of_squares(labels, layout.n_treatments, rest)
        return between, df, np.maximum(total - between, 0.0), df_rest

    return part


def _cells(
    unit: IntArray,
    sizes: tuple[int, int],
    data: tuple[FloatArray, FloatArray],
    df_total: int,
    df: int,
) -> Callable[..., _Part]:
    """Sums of squares of the combinations among what is left of the plots' values."""
    rest = data[0]
    total = _settled(*data)

    def part(labels: IntArray, small: IntArray) -> _Part:
        between = _sums_of_squares(labels[:, unit] * sizes[1] + small, sizes[0] * sizes[1], rest)
        between = np.where(np.isnan(total), np.nan, between)
        return between, df, np.maximum(total - between, 0.0), df_total - df

    return part


def _settled(rest: FloatArray, values: FloatArray) -> FloatArray:
    """Sums of squares (k,); NaN where they are rounding only."""
    total = (rest**2).sum(axis=0)
    scale = (np.abs(values).max(axis=0, initial=0.0) ** 2) * len(rest)
    return np.asarray(np.where(total > 1e-26 * scale, total, np.nan))


def _nested_df(larger: Layout, sub: IntArray) -> int:
    """Degrees of freedom of sub and main:sub together."""
    return len(np.unique(larger.treatment)) * (len(np.unique(sub)) - 1)


def _sums_of_squares(codes: IntArray, size: int, values: FloatArray) -> FloatArray:
    """Sums of squares (B, k) of the means of the levels of ``codes`` (B, n)."""
    n, k = values.shape
    out = np.empty((len(codes), k))
    step = max(1, _CHUNK // max(n * size, 1))
    levels = np.arange(size)[None, :, None]
    for start in range(0, len(codes), step):
        dummies = (codes[start : start + step, None, :] == levels).astype(np.float64)
        number = np.maximum(dummies.sum(axis=2), 1.0)
        sums = (dummies.reshape(-1, n) @ values).reshape(len(dummies), size, k)
        out[start : start + step] = (sums**2 / number[:, :, None]).sum(axis=1)
    return out


def _additive(one: IntArray, other: IntArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Effects (units, k) of one factor freed of the other, and what both leave of the plots."""
    (first, m), (second, s) = _levels(one), _levels(other)
    x = np.hstack([indicator(first, m), indicator(second, s)])
    found = np.linalg.lstsq(x, y, rcond=None)[0]
    rest: FloatArray = np.asarray(y - x @ found, dtype=np.float64)
    return np.asarray(found[:m], dtype=np.float64), rest


def _levels(codes: IntArray) -> tuple[IntArray, int]:
    inverse = np.unique(codes, return_inverse=True)[1].astype(np.intp)
    return inverse, int(inverse.max()) + 1


def _means(unit: IntArray, size: int, y: FloatArray) -> FloatArray:
    member = indicator(unit, size)
    return np.asarray((member.T @ y) / member.sum(axis=0)[:, None])


def _matrix(responses: FloatArray) -> FloatArray:
    y = np.asarray(responses, dtype=np.float64)
    return y[:, None] if y.ndim == 1 else y


def _patterns(y: FloatArray) -> list[tuple[IntArray, IntArray]]:
    """Columns with the same plots present, and these plots; none where all are missing."""
    present = ~np.isnan(y)
    patterns, place = np.unique(present, axis=1, return_inverse=True)
    return [
        (np.flatnonzero(place.reshape(-1) == j), np.flatnonzero(patterns[:, j]))
        for j in range(patterns.shape[1])
        if patterns[:, j].any()
    ]
