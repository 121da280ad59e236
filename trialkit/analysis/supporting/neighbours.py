"""Did late counts follow the plots next door? Tests on the field map."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Assessed, FloatArray, IntArray
from trialkit.analysis.result import empty_table, make_table
from trialkit.inference.design.layout import BoolArray
from trialkit.inference.permutation.spatial import (
    SpatialTest,
    TakenOut,
    edge_test,
    neighbour_test,
)
from trialkit.inference.permutation.spatial_map import adjacency, edge_plots, neighbour_means
from trialkit.trial import VariableRole

#: Permutations of each test.
DRAWS = 999
#: The two questions that the field map can answer, as the table names them.
NEIGHBOURS, EDGE = "neighbouring plots", "edge of the trial"
_COLUMNS = ("variable", "days_after", "question", "before", "slope", "p", "n", "note")

_Row = tuple[str, float, str, float, float, float, float, str | None]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Ground:
    """Which plots touch (n, n) and lie at the edge (n,), and what the field was like (n, c)."""

    adjacent: BoolArray
    edge: BoolArray
    field: FloatArray


def neighbour_table(basis: Basis) -> pd.DataFrame:
    """Neighbour and edge tests of every pest on every day after treatment.

    Only where every plot has a place of its own on the map. Blocks are taken out wherever there
    are any: plots of a block share a level, which would pass for an effect of neighbours. From the
    question of neighbours a trend along rows and columns is taken out as well, and the counts of
    the plot and its neighbours before treatment: a field with a rich side has neighbours alike
    without any movement. Values below zero, which no logarithm takes, are not asked.
    """
    plots = basis.trial.plots
    places = {(p.row, p.column) for p in plots if p.row is not None and p.column is not None}
    if len(places) < len(plots):
        return empty_table("neighbours")
    row = np.array([plot.row for plot in plots], dtype=np.intp)
    column = np.array([plot.column for plot in plots], dtype=np.intp)
    adjacent = adjacency(row, column)
    edge = edge_plots(row, column)
    block = next((codes for name, codes in basis.plan.layout.blocking if name == "block"), None)
    trend = np.column_stack([row - row.mean(), column - column.mean()])
    rows: list[_Row] = []
    for item in basis.assessed:
        if item.variable.role is not VariableRole.PEST or (item.values < 0.0).any():
            continue
        ground = _Ground(adjacent=adjacent, edge=edge, field=_field(item, adjacent, trend))
        for j in np.flatnonzero(item.days > 0):
            rows += _of_day(basis, item, int(j), ground, block)
    if not rows:
        return empty_table("neighbours")
    return make_table("neighbours", dict(zip(_COLUMNS, zip(*rows, strict=True), strict=True)))


def _field(item: Assessed, adjacent: BoolArray, trend: FloatArray) -> FloatArray:
    """What the field was like without any movement, (plots, columns)."""
    if item.baseline is None:
        return trend
    start = item.values[:, item.baseline]
    around = neighbour_means(adjacent, start)
    logs = np.log10(np.column_stack([start, around]) + 1.0)
    # One plot without a count before treatment is no reason to leave out the others.
    logs = np.where(np.isfinite(logs), logs, np.nanmean(logs, axis=0, keepdims=True))
    return np.hstack([trend, logs]) if np.isfinite(logs).all() else trend


def _of_day(
    basis: Basis, item: Assessed, j: int, ground: _Ground, block: IntArray | None
) -> list[_Row]:
    late: FloatArray = item.values[:, j]
    treatment, seed = basis.plan.treatment, basis.settings.seed
    rows = []
    if j > 0 and item.days[j - 1] > 0:
        before: FloatArray = item.values[:, j - 1]
        found = neighbour_test(
            late,
            neighbour_means(ground.adjacent, before),
            treatment,
            apart_from=TakenOut(own_before=before, block=block, beside=ground.field),
            draws=DRAWS,
            seed=seed,
        )
        rows.append(_row(item, j, NEIGHBOURS, float(item.days[j - 1]), found))
    found = edge_test(
        np.log10(late + 1.0), ground.edge, treatment, block=block, draws=DRAWS, seed=seed
    )
    rows.append(_row(item, j, EDGE, math.nan, found))
    return rows


def _row(item: Assessed, j: int, question: str, before: float, found: SpatialTest) -> _Row:
    note = found.reason
    if not note and math.isfinite(found.detectable):
        note = (
            f"a correlation of {found.detectable:.2f} or more would have been found in four "
            "trials out of five"
        )
    return (
        item.variable.name,
        float(item.days[j]),
        question,
        before,
        found.slope,
        found.p,
        float(found.n),
        note or None,
    )
