"""Invented fields for trials whose truth is known: plots, draws and the Trial in memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.trial import (
    Design,
    Kind,
    Plot,
    Settings,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
    empty_yields,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Seed = int | np.random.Generator

PEST = Variable(name="larvae", label="Larvae per plot", kind=Kind.COUNT, role=VariableRole.PEST)
YIELD = Variable(
    name="tubers", label="Yield", kind=Kind.MEASUREMENT, role=VariableRole.YIELD, unit="t/ha"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """Randomised blocks, a block a row of the map.

    ``treatment`` and ``block`` are codes from 0, ``row`` and ``column`` numbers from 1; all (n,).
    """

    treatment: IntArray
    block: IntArray
    row: IntArray
    column: IntArray

    @property
    def plots(self) -> int:
        """Number of plots."""
        return len(self.treatment)


def randomised_blocks(rng: np.random.Generator, treatments: int, blocks: int) -> Field:
    """Lay out complete blocks, the treatments of each in a random order."""
    block, column = np.divmod(np.arange(treatments * blocks), treatments)
    order = np.concatenate([rng.permutation(treatments) for _ in range(blocks)])
    return Field(treatment=order, block=block, row=block + 1, column=column + 1)


def mean_one_effects(rng: np.random.Generator, size: int, spread: float) -> FloatArray:
    """Draw lognormal factors whose mean is exactly 1; ``spread`` is the sd of their logs."""
    return np.exp(rng.normal(-(spread**2) / 2, spread, size=size))


def draw(rng: np.random.Generator, mean: FloatArray, k: float | None) -> FloatArray:
    """Draw negative binomial counts with variance ``mean + mean**2 / k``; Poisson for None."""
    level = mean if k is None else mean * rng.gamma(k, 1.0 / k, size=mean.shape)
    return rng.poisson(level).astype(np.float64)


def neighbour_means(field: Field, values: FloatArray) -> FloatArray:
    """Mean of ``values`` (n,) over the plots next to each plot, in its row or column, (n,)."""
    sums = np.zeros((field.row.max() + 2, field.column.max() + 2))
    beside = np.zeros_like(sums)
    for down, across in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        sums[field.row + down, field.column + across] += values
        beside[field.row + down, field.column + across] += 1.0
    means: FloatArray = sums[field.row, field.column] / beside[field.row, field.column]
    return means


def pest_days(days: Sequence[float] | FloatArray, counts: FloatArray) -> FloatArray:
    """Area under the counts (n, days) of each plot from the last day on or before 0, (n,)."""
    when = np.asarray(days, dtype=np.float64)
    start = max(int(np.searchsorted(when, 0.0, side="right")) - 1, 0)
    when, seen = when[start:], counts[:, start:]
    area: FloatArray = (np.diff(when) * (seen[:, 1:] + seen[:, :-1]) / 2).sum(axis=1)
    return area


def treatment_list(
    names: Sequence[str], parts: Mapping[int, tuple[str, ...]] | None = None
) -> tuple[Treatment, ...]:
    """Make treatments with ids from "1"; the first is the untreated."""
    return tuple(
        Treatment(
            id=str(code + 1),
            name=name,
            role=TreatmentRole.UNTREATED if code == 0 else TreatmentRole.TEST,
            parts=(parts or {}).get(code, ()),
        )
        for code, name in enumerate(names)
    )


def trial_of(
    field: Field,
    treatments: tuple[Treatment, ...],
    days: Sequence[float],
    counts: FloatArray,
    *,
    title: str,
    yields: FloatArray | None = None,
    settings: Settings | None = None,
) -> Trial:
    """Make the Trial of counts (n, days) and perhaps yields (n,)."""
    ids = [str(100 * row + column) for row, column in zip(field.row, field.column, strict=True)]
    plots = tuple(
        Plot(
            id=plot,
            treatment=treatments[field.treatment[i]].id,
            block=str(field.block[i] + 1),
            row=int(field.row[i]),
            column=int(field.column[i]),
        )
        for i, plot in enumerate(ids)
    )
    return Trial(
        title=title,
        design=Design.RCBD,
        treatments=treatments,
        plots=plots,
        variables=(PEST,) if yields is None else (PEST, YIELD),
        counts=_count_table(ids, days, counts),
        settings=settings or Settings(),
        untreated=treatments[0].id,
        notes="Invented data with a known truth.",
        yields=empty_yields() if yields is None else _yield_table(ids, yields),
    )


def _text(values: Sequence[str]) -> pd.Series[str]:
    return pd.Series(list(values), dtype=object)


def _count_table(ids: Sequence[str], days: Sequence[float], counts: FloatArray) -> pd.DataFrame:
    rows = len(ids) * len(days)
    return pd.DataFrame(
        {
            "plot": _text([plot for plot in ids for _ in days]),
            "variable": _text([PEST.name] * rows),
            "day": np.tile(np.asarray(days, dtype=np.float64), len(ids)),
            "sample": pd.Series([None] * rows, dtype=object),
            "value": counts.ravel(),
        }
    )


def _yield_table(ids: Sequence[str], yields: FloatArray) -> pd.DataFrame:
    return pd.DataFrame(
        {"plot": _text(ids), "variable": _text([YIELD.name] * len(ids)), "value": yields}
    )
