"""Plots that err together because they share a main plot or a strip.

In a split-plot the treatments of one main plot stand high or low together. Their ratio is known
better than that of treatments in different main plots, and the residuals about blocks and
treatments show less of the main plots than is in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import FloatArray, IntArray, Layout

#: Least part of the variance of residuals that is laid to plots.
_LEAST_PART = 0.2
#: Least that is left of the variance of plots.
LEAST_LEFT = 1e-3
#: Points for each chi-square where there is one kind of unit, and where there are more.
_POINTS, _POINTS_OF_TWO = 12, 5
_CLASSES = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedUnits:
    """Larger units that hold plots of several treatments: main plots, or both kinds of strips.

    Attributes
    ----------
    levels : tuple of (t,) int array
        For each kind of unit: treatments with the same number share units.
    between : (kinds,) float array
        Mean squares between units of a kind, about blocks and treatments, over the mean square
        of all residuals.
    within : float
        Mean square within units over that of all residuals.
    df_between : (kinds,) float array
    df_within : float
    sizes : (kinds,) float array
        Plots of a unit, as far as they tell of its variance.
    part : float
        Share of plot effects in the variance of residuals; the rest is chance of individuals.
    """

    levels: tuple[IntArray, ...]
    between: FloatArray
    within: float
    df_between: FloatArray
    df_within: float
    sizes: FloatArray
    part: float

    def typical(self) -> tuple[float, FloatArray]:
        """How much plots vary of their own, and (kinds,) with their units.

        Both over the variance of plot effects that the residuals show when they are taken for
        independent.
        """
        plots, shared = self.split(self.df_between[:, None], np.array([self.df_within]))
        return float(plots[0]), shared[:, 0]

    def nodes(self) -> list[tuple[float, float, FloatArray]]:
        """What is known of both, as points with weights.

        The ratio of two mean squares over that of their expectations is distributed as F; given
        that of the expectations, which is never below 1, all sums of squares together tell the
        level, with all degrees of freedom.

        Returns
        -------
        list of (float, float, (kinds,) float array)
            Weight; factor on the variance of plots, at least `LEAST_LEFT`; share of units of
            each kind in it.
        """
        place, weights = _gauss(_POINTS if len(self.levels) == 1 else _POINTS_OF_TWO)
        axes = [special.chdtri(df, 1.0 - place) for df in (*self.df_between, self.df_within)]
        grids = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])
        each = np.meshgrid(*[weights] * len(axes), indexing="ij")
        own, of_units = self.split(grids[:-1], grids[-1])
        varied = np.maximum(own + of_units.sum(axis=0), LEAST_LEFT)
        return _merged(np.prod(each, axis=0).ravel(), varied, of_units / varied)

    def split(self, above: FloatArray, below: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Own and shared variance of plots, from chi-squares."""
        squares = (self.between * self.df_between)[:, None]
        inner = self.within * self.df_within
        ratio = np.maximum(squares / above / (inner / below), 1.0)
        own = (inner + (squares / ratio).sum(axis=0)) / (inner + squares.sum())
        shared: FloatArray = own * (ratio - 1.0) / self.sizes[:, None] / self.part
        plots: FloatArray = np.maximum((own - (1.0 - self.part)) / self.part, 0.0)
        return plots, shared


def shared_units(
    layout: Layout,
    units: Sequence[IntArray],
    residuals: FloatArray,
    plot_part: FloatArray,
    *,
    temper: float = 1.0,
) -> SharedUnits | None:
    """Find how far plots of the same unit err together.

    Parameters
    ----------
    layout : Layout
        Treatments, and the blocks that are taken out.
    units : sequence of (n,) int array
        Main plots, or both kinds of strips.
    residuals : (n, d) float array
        Pearson residuals, 0 where a plot says nothing.
    plot_part : (d,) float array
        Share of plot effects in their variance.
    temper : float
        Share of a day's knowledge that each of several days adds.

    Returns
    -------
    SharedUnits or None
        Kinds without degrees of freedom, or which hold all treatments, are left out; None where
        no kind is left, or nothing varies within.
    """
    if not units:
        return None
    about = _projector(layout)
    freedom = float(np.trace(about))
    days = max(1.0, temper * residuals.shape[1])
    cleaned = about @ residuals
    indicators = [_each(codes) for codes in units]
    spaces = [_space(about @ each) for each in indicators]
    levels = [_levels(layout, each) for each in indicators]
    used = np.hstack(spaces)
    left = cleaned - used @ np.linalg.lstsq(used, cleaned, rcond=None)[0]
    within = freedom - (float(np.linalg.matrix_rank(used)) if used.size else 0.0)
    whole = _mean_square(cleaned, freedom)
    kept = [
        kind
        for kind, (level, space) in enumerate(zip(levels, spaces, strict=True))
        if level.max() > 0 and space.shape[1] > 0
    ]
    if not kept or within < 1.0 or not _mean_square(left, within) > 0.0:
        return None
    inside = [(indicators[kind], spaces[kind], float(spaces[kind].shape[1])) for kind in kept]
    return SharedUnits(
        levels=tuple(levels[kind] for kind in kept),
        between=np.array([_mean_square(space.T @ cleaned, df) / whole for _, space, df in inside]),
        within=_mean_square(left, within) / whole,
        df_between=np.array([df * days for _, _, df in inside]),
        df_within=within * days,
        sizes=np.array([float(((space.T @ each) ** 2).sum()) / df for each, space, df in inside]),
        part=float(np.clip(np.mean(plot_part), _LEAST_PART, 1.0)),
    )


def _gauss(size: int) -> tuple[FloatArray, FloatArray]:
    """Points and weights of Gauss and Legendre between 0 and 1."""
    at, weights = np.polynomial.legendre.leggauss(size)
    return 0.5 * (at + 1.0), 0.5 * weights


def _merged(
    weights: FloatArray, varied: FloatArray, shares: FloatArray
) -> list[tuple[float, float, FloatArray]]:
    """At most `_CLASSES` points in place of many: those that hardly differ are averaged."""
    order = np.lexsort((varied, *np.round(8.0 * shares)))
    reach = np.cumsum(weights[order]) - 0.5 * weights[order]
    group = np.minimum((reach * _CLASSES).astype(np.intp), _CLASSES - 1)
    # States in which units add nothing are one.
    group[shares[:, order].sum(axis=0) == 0.0] = -1
    found = []
    for code in np.unique(group):
        own = order[group == code]
        weight = weights[own] / weights[own].sum()
        found.append(
            (
                float(weights[own].sum()),
                float(np.exp(weight @ np.log(varied[own]))),
                shares[:, own] @ weight,
            )
        )
    return found


def _mean_square(values: FloatArray, df: float) -> float:
    square: float = (values**2).sum() / max(df * values.shape[1], 1.0)
    return square


def _each(codes: IntArray) -> FloatArray:
    return indicator(codes, int(codes.max()) + 1)


def _projector(layout: Layout) -> FloatArray:
    """Projector onto what is left beside treatments and blocks, (n, n)."""
    parts = [_each(layout.treatment), *(_each(codes) for _, codes in layout.blocking)]
    design = _space(np.hstack(parts))
    return np.eye(layout.n_plots) - design @ design.T


def _space(columns: FloatArray) -> FloatArray:
    """Orthonormal columns of the same space."""
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    kept: FloatArray = left[:, size > 1e-8 * max(1.0, float(size.max(initial=0.0)))]
    return kept


def _levels(layout: Layout, units: FloatArray) -> IntArray:
    """Number treatments so that those which meet in a unit have the same, (t,)."""
    held = indicator(layout.treatment, layout.n_treatments).T @ units > 0.0
    meet = (held.astype(float) @ held.T.astype(float)) > 0.0
    # Loaded here: only designs with larger units need it.
    from scipy.sparse.csgraph import connected_components

    level: IntArray = connected_components(meet, directed=False)[1].astype(np.intp)
    return level
