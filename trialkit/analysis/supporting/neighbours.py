"""Did late counts follow the plots next door? Tests on the field map."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Assessed, FloatArray, IntArray
from trialkit.analysis.result import empty_table, make_table
from trialkit.inference.permutation.spatial import SpatialTest, edge_test, neighbour_test
from trialkit.inference.permutation.spatial_map import adjacency, edge_plots, neighbour_means
from trialkit.trial import VariableRole

#: Permutations of each test.
DRAWS = 999
#: The two questions that the field map can answer, as the table names them.
NEIGHBOURS, EDGE = "neighbouring plots", "edge of the trial"
_COLUMNS = ("variable", "days_after", "question", "before", "slope", "p", "n", "note")

_Row = tuple[str, float, str, float, float, float, float, str | None]


def neighbour_table(basis: Basis) -> pd.DataFrame:
    """Neighbour and edge tests of every pest on every day after treatment.

    Only where every plot has a place of its own on the map. Blocks are taken out wherever there
    are any: plots of a block share a level, which would pass for an effect of neighbours.
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
    rows: list[_Row] = []
    for item in basis.assessed:
        if item.variable.role is not VariableRole.PEST:
            continue
        for j in np.flatnonzero(item.days > 0):
            rows += _of_day(basis, item, int(j), adjacent, edge, block)
    if not rows:
        return empty_table("neighbours")
    return make_table("neighbours", dict(zip(_COLUMNS, zip(*rows, strict=True), strict=True)))


def _of_day(
    basis: Basis,
    item: Assessed,
    j: int,
    adjacent: np.ndarray,
    edge: np.ndarray,
    block: IntArray | None,
) -> list[_Row]:
    late: FloatArray = item.values[:, j]
    treatment, seed = basis.plan.treatment, basis.settings.seed
    rows = []
    if j > 0 and item.days[j - 1] > 0:
        before: FloatArray = item.values[:, j - 1]
        found = neighbour_test(
            late,
            neighbour_means(adjacent, before),
            treatment,
            own_before=before,
            block=block,
            draws=DRAWS,
            seed=seed,
        )
        rows.append(_row(item, j, NEIGHBOURS, float(item.days[j - 1]), found))
    found = edge_test(np.log10(late + 1.0), edge, treatment, block=block, draws=DRAWS, seed=seed)
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
