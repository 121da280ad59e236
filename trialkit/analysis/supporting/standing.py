"""Where differences in pest-days and yield fall: on another scale, without a block, or a plot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray, IntArray, Response
from trialkit.analysis.result import empty_table, make_table
from trialkit.analysis.supporting.warnings import OUTLIER_LEVEL
from trialkit.inference.checks.outliers import studentized_residuals
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.layout import BoolArray
from trialkit.inference.design.scales import TransformName, forward
from trialkit.inference.normal.linear import fit_layout
from trialkit.trial import Comparison, Settings

#: What is compared over the whole trial.
MEASURES = ("pest_days", "yield")
_SCALES: tuple[TransformName, ...] = ("none", "sqrt", "log")
#: Pairs on all paths beyond which none is told: the time of each block left out is that of a trial.
_MOST_PAIRS = 500_000
#: Blocks that must remain when one is left out.
FEWEST_BLOCKS = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class _Path:
    """One response on one path: its scale, and the plots that are left out."""

    name: str
    response: int
    scale: TransformName
    left_out: BoolArray | None = None


def standing_table(basis: Basis) -> pd.DataFrame:
    """Tabulate every difference in pest-days and yield that was shown, and where it falls.

    Each treatment against the untreated (Dunnett), or every pair by the procedure of the settings
    where there is no untreated. All paths are fitted at once. Trials with larger units have none:
    there whole main plots would have to go. Nor have trials with very many pairs, of which nobody
    asks for one.
    """
    whole = [j for j, item in enumerate(basis.responses) if item.measure in MEASURES]
    settings = _settings(basis)
    if basis.tested is None or basis.plan.layout.units or settings is None or not whole:
        return empty_table("standing")
    paths = list(_paths(basis, whole))
    number = len(basis.plan.treatments)
    pairs = number if basis.plan.untreated is not None else number * (number - 1) // 2
    if pairs * len(paths) > _MOST_PAIRS:
        return empty_table("standing")
    values = [_values(basis.responses[path.response], path) for path in paths]
    made = _compared(basis, np.column_stack(values), settings)
    return _tabulated(basis, paths, made)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Compared:
    """Pairs of treatments as codes, and arrays (pairs, paths) of what was found."""

    a: IntArray
    b: IntArray
    p: FloatArray
    difference: FloatArray
    different: BoolArray


def _settings(basis: Basis) -> Settings | None:
    if basis.plan.untreated is not None:
        return replace(basis.settings, comparison=Comparison.DUNNETT)
    chosen = basis.settings.comparison
    return None if chosen in {Comparison.NONE, Comparison.DUNNETT} else basis.settings


def _values(response: Response, path: _Path) -> FloatArray:
    analysed = forward(path.scale, response.values)
    return analysed if path.left_out is None else np.where(path.left_out, np.nan, analysed)


def _compared(basis: Basis, analysed: FloatArray, settings: Settings) -> _Compared:
    layout, method = basis.plan.layout, Method(settings.comparison.value)
    control = basis.plan.untreated if method is Method.DUNNETT else None
    parts = []
    for fit in fit_layout(layout, analysed):
        overall = fit.overall(layout.weights).p
        found = compare(fit, method, rows=layout.weights, alpha=settings.alpha, control=control,
                        overall_p=overall)  # fmt: skip
        parts.append((fit.columns, found))
    first = parts[0][1]
    shape = (first.a.size, analysed.shape[1])
    made = _Compared(
        a=first.a,
        b=first.b,
        p=np.full(shape, np.nan),
        difference=np.full(shape, np.nan),
        different=np.zeros(shape, dtype=bool),
    )
    for columns, found in parts:
        made.p[:, columns] = found.p_adjusted
        made.difference[:, columns] = found.difference
        made.different[:, columns] = found.different
    return made


def _paths(basis: Basis, whole: Sequence[int]) -> Iterator[_Path]:
    """The path of the settings first for each response, then the others of that response."""
    flagged = _flagged(basis)
    blocks = [codes for name, codes in basis.plan.layout.blocking if name == "block"]
    only = len(basis.plan.layout.blocking) == 1 and len(blocks) == 1
    for j in whole:
        own = basis.scales[j]
        yield _Path(name="", response=j, scale=own)
        lowest = np.nanmin(basis.responses[j].values, initial=np.inf)
        for scale in _SCALES:
            if scale != own and (scale == "none" or lowest >= 0):
                yield _Path(name=f"scale {scale}", response=j, scale=scale)
        if only and len(np.unique(blocks[0])) > FEWEST_BLOCKS:
            names = dict(zip(blocks[0], (p.block for p in basis.trial.plots), strict=True))
            for code, name in names.items():
                yield _Path(
                    name=f"without block {name}", response=j, scale=own, left_out=blocks[0] == code
                )
        for row in flagged.get(j, ()):
            gone = np.arange(len(basis.plan.plots)) == row
            yield _Path(
                name=f"without plot {basis.plan.plots[row]}", response=j, scale=own, left_out=gone
            )


def _flagged(basis: Basis) -> dict[int, list[int]]:
    """Plots that stand apart, by response."""
    found: dict[int, list[int]] = {}
    for fit in basis.tested.checked if basis.tested is not None else ():
        residuals = np.where(fit.ms_error > 0.0, fit.residuals, 0.0)
        marks = studentized_residuals(residuals, fit.leverage, fit.df_error, alpha=OUTLIER_LEVEL)
        for column, flags in zip(fit.columns, marks.flagged.T, strict=True):
            found[int(column)] = [int(fit.plots[row]) for row in np.flatnonzero(flags)]
    return found


def _tabulated(basis: Basis, paths: Sequence[_Path], made: _Compared) -> pd.DataFrame:
    names = basis.plan.treatments
    columns: dict[str, list[object]] = {
        name: []
        for name in ("variable", "measure", "days_after", "a", "b", "direction", "p_adjusted",
                     "paths", "stands", "falls", "p_largest")
    }  # fmt: skip
    starts = [place for place, path in enumerate(paths) if not path.name]
    for start, end in zip(starts, [*starts[1:], len(paths)], strict=True):
        response = basis.responses[paths[start].response]
        for pair in np.flatnonzero(made.different[:, start]):
            p, difference = made.p[pair], made.difference[pair]
            gone = [place for place in range(start + 1, end) if np.isfinite(p[place])]
            falls = [
                paths[place].name
                for place in gone
                if not made.different[pair, place] or difference[place] * difference[start] < 0
            ]
            values: tuple[object, ...] = (
                response.variable.name, response.measure, response.day,
                names[made.a[pair]], names[made.b[pair]],
                "lower" if difference[start] < 0 else "higher", p[start],
                float(len(gone)), float(len(gone) - len(falls)), "; ".join(falls) or None,
                max(p[[start, *gone]]),
            )  # fmt: skip
            for name, value in zip(columns, values, strict=True):
                columns[name].append(value)
    return make_table("standing", columns)
