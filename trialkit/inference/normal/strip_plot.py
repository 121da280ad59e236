"""Strip-plot (split-block) trials: two factors in strips that cross each other in every block.

Source of the formulas: Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research,
2nd ed. (reference from memory).
"""

from __future__ import annotations

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel, factor
from trialkit.inference.design.layout import Codes, FloatArray, IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.mixed import DfMethod, MixedFit, mixed_fit
from trialkit.inference.normal.stratified import (
    RemlCells,
    StrataCells,
    StratifiedFit,
    Stratum,
    Table,
    mean_counted,
    mean_square,
    rounding_zero,
)

_SOURCES: tuple[tuple[str, str | None], ...] = (
    ("block", None),
    ("main", "error_main"),
    ("error_main", None),
    ("sub", "error_sub"),
    ("error_sub", None),
    ("main:sub", "error"),
    ("error", None),
)


def strip_plot(
    main: Codes,
    sub: Codes,
    block: Codes,
    responses: FloatArray,
    *,
    n_main: int | None = None,
    n_sub: int | None = None,
    method: DfMethod = "kenward-roger",
) -> StratifiedFit:
    """Analyse a strip-plot trial: each factor has its own error, their interaction a third.

    A response counted on every plot of every block it is in is analysed by strata, any other by
    REML with strips random and blocks fixed; their variances may fall below zero there as they do
    in sums of squares, so that both ways agree and tests keep their level.

    Parameters
    ----------
    main, sub : (n,) codes
        Treatment of the strip in one direction and in the other.
    block : (n,) codes
    responses : (n,) or (n, k) array
        NaN where a plot is missing.
    n_main, n_sub : int, optional
        Levels, where some have no plot.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom under REML.

    Returns
    -------
    StratifiedFit
        Terms: ``block`` (not tested), ``main``, ``error_main``, ``sub``, ``error_sub``,
        ``main:sub``, ``error``.

    Raises
    ------
    ValueError
        A block with the same combination twice; lengths that differ.
    """
    y = np.asarray(responses, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    a, b = factor("main", main, n_main), factor("sub", sub, n_sub)
    blocks = np.unique(np.asarray(block), return_inverse=True)[1].astype(np.intp)
    if y.ndim != 2 or {len(a.codes), len(b.codes), len(blocks)} != {len(y)}:
        raise ValueError("responses and codes must have one row for each plot")
    if np.isinf(y).any():
        raise ValueError("responses must be finite, or NaN where a plot is missing")
    k, n_blocks = y.shape[1], int(blocks.max()) + 1
    values = np.full((n_blocks, a.n_levels, b.n_levels, k), np.nan)
    values[blocks, a.codes, b.codes] = y
    filled = np.zeros(values.shape[:3], dtype=bool)
    filled[blocks, a.codes, b.codes] = True
    if int(filled.sum()) != len(y):
        raise ValueError("a block has the same combination twice: average samples first")
    lines = Table.empty(_SOURCES, k)
    components = {s: np.full(k, np.nan) for s in ("main_strip", "sub_strip", "error")}
    note = np.full(k, "", dtype=object)
    path = np.full(k, "strata", dtype=object)
    cells: list[StrataCells | RemlCells] = []
    counted = (~np.isnan(values)).sum(axis=(1, 2))
    used = counted == a.n_levels * b.n_levels
    whole = (used | (counted == 0)).all(axis=0) & used.any(axis=0)
    for pattern in np.unique(used[:, whole], axis=1).T:
        columns = np.flatnonzero(whole & (used == pattern[:, None]).all(axis=0))
        found, exact = _strata(values[pattern][..., columns], columns)
        lines.put_strata(columns, found)
        cells.append(exact)
        error_main, error_sub, error = (stratum.mean_sq for stratum in exact.strata[:3])
        components["error"][columns] = error
        components["main_strip"][columns] = np.maximum(error_main - error, 0.0) / b.n_levels
        components["sub_strip"][columns] = np.maximum(error_sub - error, 0.0) / a.n_levels
    model = FixedModel(
        factors={"main": a, "sub": b, "block": factor("block", blocks)},
        terms=(("block",), ("main",), ("sub",), ("main", "sub")),
    )
    strips = {
        "main_strip": blocks * a.n_levels + a.codes,
        "sub_strip": blocks * b.n_levels + b.codes,
    }
    for column in np.flatnonzero(~whole):
        path[column], note[column] = "reml", "plots are missing: analysed by REML"
        reml: MixedFit | None = None
        try:
            reml = mixed_fit(y[:, column], model, random=strips, method=method, signed=True)
        except NotEstimable as problem:
            note[column] = f"plots are missing and REML failed: {problem}"
        else:
            lines.put_reml(int(column), reml)
            for name, value in reml.variances.items():
                components[name][column] = max(value, 0.0)
        cells.append(RemlCells(columns=np.array([column]), fit=reml))
    n = np.zeros((a.n_levels, b.n_levels, k), dtype=np.intp)
    np.add.at(n, (a.codes, b.codes), ~np.isnan(y))
    return StratifiedFit(
        design="strip-plot",
        terms=lines.terms(),
        path=path,
        note=note,
        components=components,
        n_main=a.n_levels,
        n_sub=b.n_levels,
        n=n,
        grand_mean=mean_counted(y),
        _cells=tuple(cells),
    )


def _strata(
    z: FloatArray, columns: IntArray
) -> tuple[dict[str, tuple[int, FloatArray]], StrataCells]:
    """Sums of squares and combination means of complete blocks ``z`` (r, a, b, k)."""
    r, a, b, k = z.shape
    zero = rounding_zero(z.reshape(-1, k), r * a * b)
    grand = z.mean(axis=(0, 1, 2))
    rest = z - grand
    lines: dict[str, tuple[int, FloatArray]] = {}

    def take_out(source: str, df: int, axes: tuple[int, ...], times: int) -> FloatArray:
        """Remove the means over ``axes`` from what is left and keep their sum of squares."""
        nonlocal rest
        effect = rest.mean(axis=axes, keepdims=True)
        rest = rest - effect
        sum_sq = times * (effect**2).reshape(-1, k).sum(axis=0)
        lines[source] = (df, np.where(sum_sq <= zero, 0.0, sum_sq))
        return np.asarray(effect)

    take_out("block", r - 1, (1, 2), a * b)
    main = take_out("main", a - 1, (0, 2), r * b)
    take_out("error_main", (r - 1) * (a - 1), (2,), b)
    sub = take_out("sub", b - 1, (0, 1), r * a)
    take_out("error_sub", (r - 1) * (b - 1), (1,), a)
    crossed = take_out("main:sub", (a - 1) * (b - 1), (0,), r)
    take_out("error", (r - 1) * (a - 1) * (b - 1), (), 1)
    ja, jb = np.full((a, a), 1.0 / a), np.full((b, b), 1.0 / b)
    # The mean of all plots has main + sub - error: one unit of each, error taken off again.
    level = np.kron(ja, jb)
    main_part = np.kron(np.eye(a) - ja, jb) + level
    sub_part = np.kron(ja, np.eye(b) - jb) + level
    error_part = np.kron(np.eye(a) - ja, np.eye(b) - jb) - level
    strata = tuple(
        Stratum(source=s, df=lines[s][0], mean_sq=mean_square(*lines[s]), unit_cov=unit / r)
        for s, unit in (("error_main", main_part), ("error_sub", sub_part), ("error", error_part))
    )
    means = (grand + main + sub + crossed)[0].reshape(-1, k)
    return lines, StrataCells(columns=columns, means=means, strata=strata)
