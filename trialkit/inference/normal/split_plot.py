"""Split-plot trials: main plots in blocks, in rows and columns or in no groups, subplots inside.

Sources of the formulas: Cochran WG & Cox GM 1957, Experimental Designs, 2nd ed.; Gomez KA &
Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed. (references from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel, factor
from trialkit.inference.design.layout import Codes, FloatArray, IntArray, Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.linear import LinearFit, fit_layout
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

_INCOMPLETE = "subplots are missing: analysed by REML"


def split_plot(
    main: Codes,
    sub: Codes,
    responses: FloatArray,
    *,
    blocking: Sequence[tuple[str, Codes]] = (),
    main_plot: Codes | None = None,
    n_main: int | None = None,
    n_sub: int | None = None,
    method: DfMethod = "kenward-roger",
) -> StratifiedFit:
    """Analyse a split-plot trial with an error for main plots and one for subplots.

    A response whose main plots each have all subplots, or none, is analysed by strata: exact F,
    also when whole main plots are missing. Any other is analysed by REML with main plots random
    and blocks fixed; their variance may fall below zero there as it does in sums of squares, so
    that both ways agree and tests keep their level.

    Parameters
    ----------
    main, sub : (n,) codes
        Main-plot and subplot treatment of each subplot.
    responses : (n,) or (n, k) array
        NaN where a subplot is missing.
    blocking : sequence of (str, (n,) codes)
        What main plots were grouped by: ``("block", codes)``, or rows and columns, or nothing.
    main_plot : (n,) codes, optional
        Which main plot each subplot lies in. Needed without blocking; with it, the plots of one
        main treatment in one block are taken as one main plot.
    n_main, n_sub : int, optional
        Levels, where some have no plot.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom under REML.

    Returns
    -------
    StratifiedFit
        Terms: the blocking, ``main``, ``error_main``, ``sub``, ``main:sub``, ``error``.

    Raises
    ------
    ValueError
        A main plot with two main treatments, in two blocks, or with a sub treatment twice;
        no main plots given or to be inferred; lengths that differ.
    """
    y = np.asarray(responses, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    a, b = factor("main", main, n_main), factor("sub", sub, n_sub)
    groups = tuple((name, np.asarray(codes).astype(np.intp)) for name, codes in blocking)
    if y.ndim != 2 or {len(a.codes), len(b.codes), *(len(c) for _, c in groups)} != {len(y)}:
        raise ValueError("responses and codes must have one row for each subplot")
    if np.isinf(y).any():
        raise ValueError("responses must be finite, or NaN where a subplot is missing")
    plots = _main_plots(a.codes, groups, main_plot)
    layout, table = _main_layout(a.codes, b.codes, groups, plots, a.n_levels, b.n_levels)
    k = y.shape[1]
    sources: list[tuple[str, str | None]] = [(name, "error_main") for name, _ in groups]
    sources += [("main", "error_main"), ("error_main", None), ("sub", "error")]
    sources += [("main:sub", "error"), ("error", None)]
    lines = Table.empty(sources, k)
    components = {"main_plot": np.full(k, np.nan), "error": np.full(k, np.nan)}
    note = np.full(k, "", dtype=object)
    path = np.full(k, "strata", dtype=object)
    cells: list[StrataCells | RemlCells] = []

    values = np.full((layout.n_plots, b.n_levels, k), np.nan)
    inside = table >= 0
    values[inside] = y[table[inside]]
    counted = (~np.isnan(values)).sum(axis=1)
    whole = ((counted == b.n_levels) | (counted == 0)).all(axis=0) & (counted > 0).any(axis=0)
    balanced = np.flatnonzero(whole)
    for fit in fit_layout(layout, values[:, :, balanced].mean(axis=1)):
        columns = balanced[fit.columns]
        z = values[fit.plots][:, :, columns]
        found, exact = _strata(fit, layout.treatment[fit.plots], z, columns)
        lines.put_strata(columns, found)
        cells.append(exact)
        error_main, error = (stratum.mean_sq for stratum in exact.strata)
        components["error"][columns] = error
        components["main_plot"][columns] = np.maximum(error_main - error, 0.0) / b.n_levels
    model = FixedModel(
        factors={f.name: f for f in (a, b, *(factor(name, c) for name, c in groups))},
        terms=(*((name,) for name, _ in groups), ("main",), ("sub",), ("main", "sub")),
    )
    for column in np.flatnonzero(~whole):
        path[column], note[column] = "reml", _INCOMPLETE
        reml: MixedFit | None = None
        try:
            reml = mixed_fit(
                y[:, column], model, random={"main_plot": plots}, method=method, signed=True
            )
        except NotEstimable as problem:
            note[column] = f"subplots are missing and REML failed: {problem}"
        else:
            lines.put_reml(int(column), reml)
            for name, value in reml.variances.items():
                components[name][column] = max(value, 0.0)
        cells.append(RemlCells(columns=np.array([column]), fit=reml))
    n = np.zeros((a.n_levels, b.n_levels, k), dtype=np.intp)
    np.add.at(n, (a.codes, b.codes), ~np.isnan(y))
    return StratifiedFit(
        design="split-plot",
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


def _main_plots(
    main: IntArray, groups: Sequence[tuple[str, IntArray]], given: Codes | None
) -> IntArray:
    """Number the main plots, 0 upwards."""
    if given is not None:
        plots = np.unique(np.asarray(given), return_inverse=True)[1]
    elif groups:
        keys = np.column_stack([main, *(codes for _, codes in groups)])
        plots = np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1)
    else:
        raise ValueError("without blocks the main plot of each subplot must be given")
    return plots.astype(np.intp)


def _main_layout(
    main: IntArray,
    sub: IntArray,
    groups: Sequence[tuple[str, IntArray]],
    plots: IntArray,
    n_main: int,
    n_sub: int,
) -> tuple[Layout, IntArray]:
    """Lay out the main plots, and find the observation of each main plot and sub (-1: none)."""
    n_plots = int(plots.max()) + 1
    first = np.unique(plots, return_index=True)[1]
    for name, codes in (("main treatment", main), *groups):
        if np.any(codes != codes[first][plots]):
            raise ValueError(f"a main plot has more than one {name}")
    table = np.full((n_plots, n_sub), -1, dtype=np.intp)
    table[plots, sub] = np.arange(len(plots))
    if int((table >= 0).sum()) != len(plots):
        raise ValueError("a main plot has the same sub treatment twice: average samples first")
    layout = Layout(
        treatment=main[first],
        n_treatments=n_main,
        blocking=tuple((name, codes[first]) for name, codes in groups),
    )
    return layout, table


def _strata(
    fit: LinearFit, main: IntArray, z: FloatArray, columns: IntArray
) -> tuple[dict[str, tuple[int, FloatArray]], StrataCells]:
    """Sums of squares and combination means of whole main plots.

    ``fit`` is the fit of the main-plot means, ``main`` the treatments of the main plots used and
    ``z`` (P, b, k) their subplots.
    """
    n_plots, b, k = z.shape
    zero = rounding_zero(z.reshape(-1, k), n_plots * b)

    def settle(sum_sq: FloatArray) -> FloatArray:
        return np.where(sum_sq <= zero, 0.0, sum_sq)

    lines = {t.source: (t.df, settle(t.sum_sq * b)) for t in fit.terms[:-2]}
    lines["main"] = (fit.treatment.df, settle(fit.treatment.sum_sq * b))
    lines["error_main"] = (fit.df_error, settle(fit.error.sum_sq * b))
    # What is left inside main plots has covariance error * (I - J/b) in each of them.
    inside = z - z.mean(axis=1, keepdims=True)
    seen = fit.n > 0
    n = fit.n[seen].astype(float)
    cell = np.full((len(fit.n), b, k), np.nan)
    for level in np.flatnonzero(seen):
        cell[level] = inside[main == level].mean(axis=0)
    known = cell[seen]
    level = known.mean(axis=0)
    lines["sub"] = (b - 1, settle((level**2).sum(axis=0) * n.size**2 / (1.0 / n).sum()))
    weighted = np.tensordot(n, known, axes=1) / n.sum()
    crossed = np.tensordot(n, ((known - weighted) ** 2).sum(axis=1), axes=1)
    lines["main:sub"] = ((n.size - 1) * (b - 1), settle(crossed))
    df_error = (n_plots - n.size) * (b - 1)
    lines["error"] = (df_error, settle(((inside - cell[main]) ** 2).sum(axis=(0, 1))))
    equal = np.full((b, b), 1.0 / b)
    between = np.kron(fit.unit_cov, equal)
    shares = np.where(seen, 1.0 / np.where(seen, fit.n, 1), np.nan)
    within = np.kron(np.diag(shares), np.eye(b) - equal)
    strata = tuple(
        Stratum(source=s, df=lines[s][0], mean_sq=mean_square(*lines[s]), unit_cov=unit)
        for s, unit in (("error_main", between), ("error", within))
    )
    means = (fit.means[:, None, :] + cell).reshape(-1, k)
    return lines, StrataCells(columns=columns, means=means, strata=strata)
