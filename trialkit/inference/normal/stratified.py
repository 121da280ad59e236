"""Layouts with units larger than a plot: split-plots, strip-plots, main plots in Latin squares.

One analysis serves them all. Blocking is taken out first; each kind of larger units then is a
stratum, that which its units add, and plots inside the units are the last one. A term is tested in
the stratum in which its contrasts lie, against what is left of that stratum.

Sources of the formulas: Cochran WG & Cox GM 1957, Experimental Designs, 2nd ed.; Gomez KA & Gomez
AA 1984, Statistical Procedures for Agricultural Research, 2nd ed. (references from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from scipy import special

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import Codes, Factor, FloatArray, IntArray, Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.fit import Term, mean_square
from trialkit.inference.normal.linear import checked_responses, fit_layout, patterns, rounding_zero
from trialkit.inference.normal.mixed import MixedFit, mixed_fit
from trialkit.inference.normal.mixed_means import MixedMeans
from trialkit.inference.normal.mixed_variances import DfMethod
from trialkit.inference.normal.strata_design import StrataDesign, errors_of, strata_of
from trialkit.inference.normal.strata_fit import RemlCells, StrataCells, StratifiedFit, Stratum


def fit_strata(
    layout: Layout, responses: FloatArray, *, method: DfMethod = "kenward-roger"
) -> StratifiedFit:
    """Analyse a layout with larger units, with an error for each size of plot.

    A response is analysed by strata, with exact F, where each term lies whole in one stratum: where
    nothing is missing, also where whole main plots, or whole blocks of strips, are. Any other is
    analysed by REML with larger units random and blocking fixed; their variance may fall below zero
    there as it does in sums of squares, so that both ways agree and tests keep their level.

    Parameters
    ----------
    layout : Layout
        With ``units`` and ``factors``.
    responses : (n,) or (n, k) array
        NaN where a plot is missing.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom under REML.

    Returns
    -------
    StratifiedFit
        Terms: the blocking, then the factors and their interactions, each above the error that it
        is tested against: ``error_main`` of main plots or strips, ``error_sub`` of strips the
        other way, ``error``.

    Raises
    ------
    ValueError
        Lengths that differ; infinite responses.
    """
    y = checked_responses(layout, responses)
    k = y.shape[1]
    lines = _Lines(layout, k)
    components = {name: np.full(k, np.nan) for name in (*dict(layout.units), "error")}
    note, path = np.full(k, "", dtype=object), np.full(k, "strata", dtype=object)
    cells: list[StrataCells | RemlCells] = []
    for plots, columns in patterns(~np.isnan(y)):
        design = strata_of(layout, plots)
        if design is not None:
            exact = _exact(layout, design, plots, y[np.ix_(plots, columns)], columns)
            lines.put_strata(columns, exact[0])
            cells.append(exact[1])
            for name, values in _components(layout, plots, exact[1]).items():
                components[name][columns] = values
            continue
        for column in columns:
            path[column] = "reml"
            fit, note[column] = _reml(layout, y[:, column], method)
            names = tuple(item.name for item in layout.factors)
            means = None if fit is None else MixedMeans.of(fit, names)
            cells.append(RemlCells(columns=np.array([column]), means=means))
            if fit is not None:
                lines.put_reml(int(column), fit)
                for name, value in fit.variances.items():
                    components[name][column] = max(value, 0.0)
    number = np.zeros((layout.n_cells, k), dtype=np.intp)
    np.add.at(number, layout.cells, ~np.isnan(y))
    return StratifiedFit(
        layout=layout,
        terms=lines.terms(),
        path=path,
        note=note,
        components=components,
        n=number.reshape(*(item.n_levels for item in layout.factors), k),
        grand_mean=mean_counted(y),
        _cells=tuple(cells),
    )


def mean_counted(y: FloatArray) -> FloatArray:
    """Arithmetic means (k,) of what was counted (n, k); NaN where nothing was."""
    counted = ~np.isnan(y)
    n = counted.sum(axis=0)
    return np.asarray(np.where(counted, y, 0.0).sum(axis=0) / np.where(n > 0, n, np.nan))


def _exact(
    layout: Layout, design: StrataDesign, plots: IntArray, y: FloatArray, columns: IntArray
) -> tuple[dict[str, tuple[int, FloatArray]], StrataCells]:
    """Sums of squares by source, and means of combinations, of responses (n_used, k')."""
    zero = rounding_zero(y, len(y))
    rest = y - y.mean(axis=0)
    rest = rest - rest.mean(axis=0)
    lines: dict[str, tuple[int, FloatArray]] = {}

    def settle(sum_sq: FloatArray) -> FloatArray:
        return np.where(sum_sq <= zero, 0.0, sum_sq)

    def sum_of_squares(basis: FloatArray) -> FloatArray:
        coordinates = basis.T @ rest
        return settle(np.einsum("ij,ij->j", coordinates, coordinates))

    for source, basis in design.blocking:
        lines[source] = (basis.shape[1], sum_of_squares(basis))
        rest = rest - basis @ (basis.T @ rest)
    found = []
    for stratum in design.strata:
        for source, basis in stratum.terms:
            lines[source] = (basis.shape[1], sum_of_squares(basis))
        rest = rest - stratum.model @ (stratum.model.T @ rest)
        left = rest if stratum.whole is None else stratum.whole.T @ rest
        lines[stratum.error] = (stratum.df, settle(np.einsum("ij,ij->j", left, left)))
        if stratum.whole is not None:
            rest = rest - stratum.whole @ left
        found.append(
            Stratum(
                source=stratum.error,
                df=stratum.df,
                mean_sq=mean_square(*lines[stratum.error]),
                unit_cov=stratum.unit_cov,
            )
        )
    names = [item.name for item in layout.factors]
    for size in range(1, len(names) + 1):
        for term in combinations(names, size):
            lines.setdefault(":".join(term), (0, np.zeros(y.shape[1])))
    cells = fit_layout(_taken(layout.combinations, plots), y)[0].means
    return lines, StrataCells(columns=columns, means=cells, strata=tuple(found))


def _taken(layout: Layout, plots: IntArray) -> Layout:
    """Lay out some plots alone, without their larger units."""
    return Layout(
        treatment=layout.treatment[plots],
        n_treatments=layout.n_treatments,
        blocking=tuple((name, codes[plots]) for name, codes in layout.blocking),
    )


def _components(layout: Layout, plots: IntArray, cells: StrataCells) -> dict[str, FloatArray]:
    """Variances of plots and of larger units; what sums of squares put below zero is zero."""
    *outer, inner = (stratum.mean_sq for stratum in cells.strata)
    found = {"error": inner}
    for (name, codes), mean_sq in zip(layout.units, outer, strict=True):
        size = plots.size / np.unique(codes[plots]).size
        found[name] = np.maximum(mean_sq - inner, 0.0) / size
    return found


def _reml(layout: Layout, y: FloatArray, method: DfMethod) -> tuple[MixedFit | None, str]:
    """Mixed model of one response with larger units random, and what is to be said of it."""
    what = "subplots" if len(layout.units) == 1 else "plots"
    names = tuple(item.name for item in layout.factors)
    groups = [Factor(name, codes, int(codes.max()) + 1) for name, codes in layout.blocking]
    model = FixedModel(
        factors={item.name: item for item in (*layout.factors, *groups)},
        terms=(
            *((group.name,) for group in groups),
            *(term for size in range(1, len(names) + 1) for term in combinations(names, size)),
        ),
    )
    random: dict[str, Codes] = dict(layout.units)
    try:
        fit = mixed_fit(y, model, random=random, method=method, signed=True)
    except NotEstimable as problem:
        return None, f"{what} are missing and REML failed: {problem}"
    return fit, f"{what} are missing: analysed by REML{_below_zero(layout, fit)}"


def _below_zero(layout: Layout, fit: MixedFit) -> str:
    """Say which larger units vary less than plots inside them would make them by chance."""
    negative = [
        f"{name.replace('_', ' ')}s ({fit.variances[name]:.3g})"
        for name, _ in layout.units
        if fit.variances[name] < 0
    ]
    if not negative:
        return ""
    return (
        f"; the variance of {' and of '.join(negative)} came out below zero, as mean squares allow "
        "too, and is kept so that tests hold their level: those means differ less than the plots "
        "inside them would make them differ"
    )


class _Lines:
    """Lines of an analysis of variance while responses are filled in, group by group."""

    def __init__(self, layout: Layout, k: int) -> None:
        self.sources = tuple(_sources(layout))
        self.values = {name: np.full((5, k), np.nan) for name, _ in self.sources}

    def put_strata(self, columns: IntArray, lines: dict[str, tuple[int, FloatArray]]) -> None:
        """Fill in degrees of freedom and sums of squares (k',) and test them."""
        for source, error in self.sources:
            df, sum_sq = lines[source]
            out = self.values[source]
            out[0, columns], out[1, columns] = df, sum_sq
            if error is None or df == 0:
                continue
            df_error, within = lines[error][0], mean_square(*lines[error])
            F = sum_sq / df / np.where(within > 0, within, np.nan)
            out[2, columns], out[3, columns] = df_error, F
            out[4, columns] = special.fdtrc(df, max(df_error, 1), F)

    def put_reml(self, column: int, fit: MixedFit) -> None:
        """Fill in the tests of one response."""
        for test in fit.anova():
            out = self.values[test.source]
            out[:, column] = test.df, np.nan, test.df_error, test.F, test.p

    def terms(self) -> tuple[Term, ...]:
        """Finish the lines."""
        out = []
        for source, error in self.sources:
            df, sum_sq, df_error, F, p = self.values[source]
            mean_sq = sum_sq / np.where(df > 0, df, np.nan)
            out.append(
                Term(
                    source=source,
                    error=error,
                    df=df,
                    df_error=df_error,
                    sum_sq=sum_sq,
                    mean_sq=mean_sq,
                    F=F,
                    p=p,
                )
            )
        return tuple(out)


def _sources(layout: Layout) -> Iterator[tuple[str, str | None]]:
    """Sources in the order of the table, each with the error it is tested against."""
    errors = errors_of(layout.units)
    # Groups of units that cross are tested against none of them.
    of_groups = errors[0] if len(layout.units) == 1 else None
    yield from ((name, of_groups) for name, _ in layout.blocking)
    names = [item.name for item in layout.factors]
    carried, inner = names[: len(layout.units)], names[len(layout.units) :]
    for name, error in zip(carried, errors, strict=False):
        yield name, error
        yield error, None
    for size in range(1, len(names) + 1):
        for term in combinations(names, size):
            if size > 1 or term[0] in inner:
                yield ":".join(term), "error"
    yield "error", None
