"""Plots that err together because they share a main plot or a strip.

In a split-plot the treatments of one main plot stand high or low together. Their ratio is known
better than that of treatments in different main plots, and the residuals about blocks and
treatments show less of the main plots than is in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.inference.layouts import FloatArray, IntArray, Layout
from trialkit.inference.linear import indicator

_MOST = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedUnits:
    """One kind of larger unit that holds plots of several treatments.

    Attributes
    ----------
    level : (t,) int array
        Treatments with the same number share units.
    ratio : float
        Mean square between units over that within them, about blocks and treatments.
    df_between, df_within : float
    size : float
        Plots of a unit, as far as they tell of its variance.
    shown : float
        Share of the variance of units that residuals about blocks and treatments show.
    part : float
        Share of plot effects in the variance of residuals; the rest is chance of individuals.
    """

    level: IntArray
    ratio: float
    df_between: float
    df_within: float
    size: float
    shown: float
    part: float

    def draw_share(self, draws: int, generator: np.random.Generator) -> FloatArray:
        """Draw the share of the variance of plot effects that is of units, (draws,).

        The ratio of the mean squares over that of their expectations is distributed as F.
        """
        above = generator.chisquare(self.df_between, draws) / self.df_between
        below = generator.chisquare(self.df_within, draws) / self.df_within
        excess = np.maximum(self.ratio * below / above - 1.0, 0.0) / self.size
        share: FloatArray = np.minimum(excess / (1.0 + excess) / self.part, _MOST)
        return share

    def inflation(self, share: FloatArray) -> FloatArray:
        """How much more plots vary than their residuals show, for shares drawn."""
        found: FloatArray = 1.0 / (1.0 - share * (1.0 - self.shown))
        return found


def shared_units(
    layout: Layout,
    units: Sequence[IntArray],
    residuals: FloatArray,
    plot_part: FloatArray,
    *,
    temper: float = 1.0,
) -> tuple[SharedUnits, ...]:
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
    tuple of SharedUnits
        Kinds without degrees of freedom, or which hold all treatments, are left out.
    """
    if not units:
        return ()
    about = _projector(layout)
    freedom = float(np.trace(about))
    days = max(1.0, temper * residuals.shape[1])
    cleaned = about @ residuals
    indicators = [_each(codes) for codes in units]
    spaces = [_space(about @ each) for each in indicators]
    used = np.hstack(spaces)
    within = freedom - float(np.linalg.matrix_rank(used)) if used.size else freedom
    if within < 1.0:
        return ()
    left = cleaned - used @ np.linalg.lstsq(used, cleaned, rcond=None)[0]
    inner = float((left**2).sum()) / (within * residuals.shape[1])
    found = []
    for each, space in zip(indicators, spaces, strict=True):
        level = _levels(layout, each)
        df = space.shape[1]
        if df == 0 or level.max() == 0 or inner <= 0.0:
            continue
        between = float(((space.T @ cleaned) ** 2).sum()) / (df * residuals.shape[1])
        spread = each @ each.T
        size = float(np.trace(space.T @ spread @ space)) / df
        shown = float(np.trace(about @ spread)) / freedom
        found.append(
            SharedUnits(
                level=level,
                ratio=between / inner,
                df_between=df * days,
                df_within=within * days,
                size=size,
                shown=min(shown, 1.0),
                part=float(np.clip(np.mean(plot_part), 0.2, 1.0)),
            )
        )
    return tuple(found)


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
    held = np.eye(layout.n_treatments)[layout.treatment].T @ units > 0.0
    meet = (held.astype(float) @ held.T.astype(float)) > 0.0
    # Loaded here: only designs with larger units need it.
    from scipy.sparse.csgraph import connected_components

    level: IntArray = connected_components(meet, directed=False)[1].astype(np.intp)
    return level
