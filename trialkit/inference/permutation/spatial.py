"""Do plots take after their neighbours? Permutation tests that keep to the treatments.

Small plots exchange insects and spores with the plots beside them, and lie in a field with rich
and poor patches. Both make neighbours alike; one trial can show the likeness, not which of the two
made it. The tests here say whether there is any.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.inference.checks.residual_space import basis, residual
from trialkit.inference.comparisons.power import Alternative
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray
from trialkit.inference.permutation.spatial_permutation import (
    detectable_correlation,
    permutation_p,
    permutations_of,
    tail_size,
)

DRAWS: Final = 1999
# Fewer residual degrees of freedom than these leave next to nothing to permute.
MINIMUM_DF: Final = 3
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class SpatialTest:
    """Result of one permutation test.

    Attributes
    ----------
    slope : float
        Change of the log10(count + 1) for one unit of the neighbours' log10(count + 1); for
        edges the mean of edge plots less that of inner plots, on the scale that came in.
    correlation : float
        Partial correlation, -1 to 1, after treatments and whatever else was taken out.
    p : float
        Share of permutations that reach what was found, the trial itself counted once.
    n : int
        Plots that told something.
    df : int
        Residual degrees of freedom.
    draws : int
        Permutations; 0 where none was made.
    detectable : float
        Smallest correlation, in size, that a test of this many degrees of freedom finds with 80 %
        power (normal theory). A test that could only find 0.7 says little when it finds nothing.
    reason : str
        Why there is no result; empty where there is one.
    """

    slope: float
    correlation: float
    p: float
    n: int
    df: int
    draws: int
    detectable: float
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakenOut:
    """What is taken out of the counts before neighbours are asked for.

    Attributes
    ----------
    own_before : (n,) array, optional
        The plot's own count at the assessment before. With it the question is what the neighbours
        add to the plot's own past.
    block : (n,) int array, optional
        Takes differences between blocks out as well.
    beside : (n, c) array, optional
        What else is taken out, as it is: places along rows and columns, and what the neighbours
        and the plot itself held before anything moved. A field with a rich side passes for
        movement without it.
    """

    own_before: FloatArray | None = None
    block: IntArray | None = None
    beside: FloatArray | None = None


_NOTHING = TakenOut()


def neighbour_test(
    late: FloatArray,
    neighbour_mean: FloatArray,
    treatment: IntArray,
    *,
    apart_from: TakenOut = _NOTHING,
    draws: int = DRAWS,
    seed: int | np.random.Generator = 1,
    alternative: Alternative | str = Alternative.GREATER,
) -> SpatialTest:
    """Test whether a plot's late count follows its neighbours' counts at the assessment before.

    Parameters
    ----------
    late : (n,) array
        Counts of the plots, 0 or more; NaN is left out.
    neighbour_mean : (n,) array
        Mean count of the adjacent plots at the assessment before (`spatial_map.neighbour_means`).
    treatment : (n,) int array
    apart_from : TakenOut, optional
        What is taken out before the question is asked.
    draws : int
        Permutations.
    seed : int or Generator
    alternative : Alternative
        ``greater``: more pests beside, more pests later, which is what movement would do.

    Returns
    -------
    SpatialTest
        With NaN and a reason where fewer than three degrees of freedom are left, or nothing
        varies within treatments.

    Raises
    ------
    ValueError
        When arrays differ in length, or a count is negative.

    Notes
    -----
    Counts become log10(count + 1). Residuals of the late counts, after treatments and what else is
    asked for, are exchanged between plots of the same treatment only, and fitted anew
    (Freedman D and Lane D 1983, Journal of Business and Economic Statistics 1:292-298 [reference
    from memory]). Without ``own_before`` and ``block`` this permutes the late counts within
    treatments, and the p-value is exact where plots of a treatment are exchangeable. In
    randomised blocks they are not: hand in ``block``. Without it a 5 % test rejected 5 to 7 %
    of 600 simulated null trials with blocks that differ by 30 %, with it 3 to 5 %.

    A small p-value is what movement between plots gives. It is also what a field with patches
    gives, where a plot and its neighbours were rich from the start; ``own_before`` takes out
    only what one count could measure of that, and ``block`` only what differs between blocks. With
    ``beside`` as above fields of a 3.3-fold gradient, hump or step were taken for movement in 4 to
    6 % of trials at 5 %, without it in 6 to 26 % (tests/benchmarks/neighbours.md).

    A large p-value does not show that nothing moved: see ``detectable``. Either way the test
    speaks of plots of this size beside each other. In a whole field treated alike there are no
    such neighbours, so control there may last longer than small plots show.
    """
    own_before, block, beside = apart_from.own_before, apart_from.block, apart_from.beside
    parts = [late, neighbour_mean] if own_before is None else [late, neighbour_mean, own_before]
    table = np.column_stack([np.asarray(part, dtype=float) for part in parts])
    more = np.empty((table.shape[0], 0)) if beside is None else np.asarray(beside, dtype=float)
    _check_lengths(table.shape[0], treatment, block)
    if (table < 0).any():
        raise ValueError("counts can't be negative")
    keep = ~np.isnan(table).any(axis=1) & ~np.isnan(more).any(axis=1)
    logs, kept = np.log1p(table[keep]) / np.log(10.0), treatment[keep]
    factors = [kept] if block is None else [kept, block[keep]]
    covariates = [] if own_before is None else [logs[:, 2]]
    covariates += list(more[keep].T)
    space = basis(kept.size, factors, covariates)
    return _partial_test(logs[:, 0], logs[:, 1], space, kept, draws, seed, alternative)


def edge_test(
    values: FloatArray,
    edge: BoolArray,
    treatment: IntArray,
    *,
    block: IntArray | None = None,
    draws: int = DRAWS,
    seed: int | np.random.Generator = 1,
    alternative: Alternative | str = Alternative.TWO_SIDED,
) -> SpatialTest:
    """Test whether plots at the edge of the trial differ from inner plots of the same treatment.

    Parameters
    ----------
    values : (n,) array
        On the analysis scale; NaN is left out.
    edge : (n,) bool array
        Plots at the edge (`spatial_map.edge_plots`).
    treatment : (n,) int array
    block : (n,) int array, optional
        Takes differences between blocks out as well.
    draws : int
    seed : int or Generator
    alternative : Alternative
        ``greater``: more at the edge.

    Returns
    -------
    SpatialTest
        ``slope`` is edge less inner; ``n`` counts plots of treatments that have both. With NaN
        and a reason where no treatment has both, or too little is left.

    Notes
    -----
    Permutation within treatments as in `neighbour_test`, and ``block`` belongs in where there are
    blocks. Where a whole block lies at the edge, only the blocks that have both kinds of plots
    tell something.
    """
    data = np.asarray(values, dtype=float)
    _check_lengths(data.size, treatment, block)
    keep = ~np.isnan(data)
    y, kept = data[keep], treatment[keep]
    at_edge = np.asarray(edge, dtype=bool)[keep]
    number = np.bincount(kept)
    of_edge = np.bincount(kept[at_edge], minlength=number.size)
    both = ((of_edge > 0) & (of_edge < number))[kept]
    if not both.any():
        return _nothing(0, 0, "no treatment has plots both at the edge and inside")
    factors = [kept] if block is None else [kept, block[keep]]
    space = basis(kept.size, factors)
    found = _partial_test(y, at_edge.astype(float), space, kept, draws, seed, alternative)
    return SpatialTest(
        slope=found.slope,
        correlation=found.correlation,
        p=found.p,
        n=int(both.sum()),
        df=found.df,
        draws=found.draws,
        detectable=found.detectable,
        reason=found.reason,
    )


def _partial_test(
    y: FloatArray,
    x: FloatArray,
    space: FloatArray,
    treatment: IntArray,
    draws: int,
    seed: int | np.random.Generator,
    alternative: Alternative | str,
) -> SpatialTest:
    """Permutation test of the partial slope of y on x, exchanging residuals within treatments.

    The first columns of ``space`` are those of the treatments (`diagnostics_space.basis`).
    """
    n = y.size
    df = n - space.shape[1] - 1
    if df < MINIMUM_DF:
        return _nothing(n, max(df, 0), "too few plots are left after treatments and blocks")
    rest_x = residual(space, residual(space, x))
    sxx = float(rest_x @ rest_x)
    if sxx <= n * (_ROUNDING * max(float(np.abs(x).max()), 1e-300)) ** 2:
        return _nothing(n, df, "nothing differs within treatments")
    rest_y = residual(space, residual(space, y))
    syy = float(rest_y @ rest_y)
    if syy <= n * (_ROUNDING * max(float(np.abs(y).max()), 1e-300)) ** 2:
        return _nothing(n, df, "plots of a treatment are all alike")
    kind = Alternative(alternative)
    drawn = rest_y.take(permutations_of(treatment, draws, seed))
    # Sums over treatments stay 0 in every permutation: only what follows them is fitted anew, and
    # as x is at right angles to all of it, the fit changes no more than the length.
    fitted = space[:, np.unique(treatment).size :].T @ drawn
    squares = syy - np.einsum("ij,ij->j", fitted, fitted)
    # Permuted residuals can fall into the model as a whole; they then agree with nothing.
    safe = np.where(squares > _ROUNDING * syy, squares, np.inf)
    correlations = (rest_x @ drawn) / np.sqrt(safe * sxx)
    correlation = float(rest_x @ rest_y) / np.sqrt(sxx * syy)
    p = permutation_p(
        tail_size(np.asarray([correlation]), kind), tail_size(correlations[:, None], kind), axis=0
    )
    return SpatialTest(
        slope=float(rest_x @ rest_y) / sxx,
        correlation=float(correlation),
        p=float(p[0]),
        n=n,
        df=df,
        draws=draws,
        detectable=detectable_correlation(df, kind),
    )


def _nothing(n: int, df: int, reason: str) -> SpatialTest:
    nan = float("nan")
    return SpatialTest(
        slope=nan, correlation=nan, p=nan, n=n, df=df, draws=0, detectable=nan, reason=reason
    )


def _check_lengths(n: int, treatment: IntArray, block: IntArray | None) -> None:
    if treatment.shape != (n,) or (block is not None and block.shape != (n,)):
        raise ValueError("every array needs one entry for each plot")
