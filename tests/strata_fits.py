"""Split-plots and strip-plots from codes, as the tests write them down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from trialkit.inference.comparisons.procedures import Comparisons, compare_pairs
from trialkit.inference.design import layout as layouts
from trialkit.inference.design.layout import Codes, FloatArray, Layout, factor
from trialkit.inference.normal.mixed import Estimates, MixedFit
from trialkit.inference.normal.mixed_variances import DfMethod
from trialkit.inference.normal.strata_fit import StratifiedFit
from trialkit.inference.normal.stratified import fit_strata
from trialkit.inference.permutation.strata_randomisation import (
    StrataRandomisation,
    strata_randomisation,
)


def split_plot_layout(
    main: Codes,
    sub: Codes,
    *,
    blocking: Sequence[tuple[str, Codes]] = (),
    main_plot: Codes | None = None,
    n_main: int | None = None,
    n_sub: int | None = None,
) -> Layout:
    """Lay out a split-plot."""
    factors = factor("main", main, n_main), factor("sub", sub, n_sub)
    return layouts.split_plot(*factors, blocking=blocking, main_plot=main_plot)


def strip_plot_layout(
    main: Codes, sub: Codes, block: Codes, *, n_main: int | None = None, n_sub: int | None = None
) -> Layout:
    """Lay out a strip-plot."""
    return layouts.strip_plot(factor("main", main, n_main), factor("sub", sub, n_sub), block)


def split_plot(
    main: Codes,
    sub: Codes,
    responses: FloatArray,
    *,
    method: DfMethod = "kenward-roger",
    blocking: Sequence[tuple[str, Codes]] = (),
    main_plot: Codes | None = None,
    n_main: int | None = None,
    n_sub: int | None = None,
) -> StratifiedFit:
    """Analyse a split-plot."""
    layout = split_plot_layout(
        main, sub, blocking=blocking, main_plot=main_plot, n_main=n_main, n_sub=n_sub
    )
    return fit_strata(layout, responses, method=method)


def strip_plot(
    main: Codes,
    sub: Codes,
    block: Codes,
    responses: FloatArray,
    *,
    method: DfMethod = "kenward-roger",
    n_main: int | None = None,
    n_sub: int | None = None,
) -> StratifiedFit:
    """Analyse a strip-plot."""
    layout = strip_plot_layout(main, sub, block, n_main=n_main, n_sub=n_sub)
    return fit_strata(layout, responses, method=method)


def compare_mixed(
    fit: MixedFit,
    means: Estimates,
    method: str,
    *,
    control: int | None = None,
    overall_p: float | None = None,
) -> Comparisons:
    """Compare least-squares means of a mixed model."""
    a, b = np.triu_indices(len(means.estimate), 1)
    apart = fit.contrasts(means.coefficients[a] - means.coefficients[b])
    return compare_pairs(
        means.estimate[:, None],
        (apart.se[:, None], apart.df[:, None]),
        method,
        control=control,
        overall_p=None if overall_p is None else np.array([overall_p]),
    )


def two_factor_layout(
    main: Codes,
    sub: Codes,
    *,
    blocking: Sequence[tuple[str, Codes]] = (),
    units: Mapping[str, Codes],
) -> Layout:
    """Lay out main plots, or strips both ways, whatever their numbers."""
    factors = factor("main", main), factor("sub", sub)
    return Layout(
        treatment=factors[0].codes * factors[1].n_levels + factors[1].codes,
        n_treatments=factors[0].n_levels * factors[1].n_levels,
        blocking=tuple((name, np.asarray(codes).astype(np.intp)) for name, codes in blocking),
        units=tuple(
            (name, np.unique(codes, return_inverse=True)[1].astype(np.intp))
            for name, codes in units.items()
        ),
        factors=factors,
    )


def split_plot_randomisation(
    main: Codes,
    sub: Codes,
    main_plot: Codes,
    responses: FloatArray,
    *,
    blocking: Sequence[tuple[str, Codes]] = (),
    draws: int = 999,
) -> StrataRandomisation:
    """Deal the factors of a split-plot anew."""
    layout = split_plot_layout(main, sub, blocking=blocking, main_plot=main_plot)
    return strata_randomisation(layout, responses, draws=draws)


def strip_plot_randomisation(
    main: Codes, sub: Codes, block: Codes, responses: FloatArray, *, draws: int = 999
) -> StrataRandomisation:
    """Deal the factors of a strip-plot anew."""
    return strata_randomisation(strip_plot_layout(main, sub, block), responses, draws=draws)
