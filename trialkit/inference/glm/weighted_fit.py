"""Weighted fits of main-effect models, many responses at once.

The model of a plot is additive on the link scale: its treatment plus its blocks (or rows and
columns). Responses stand side by side in the columns of one array; each has its own missing
plots, its own groups of zeros and its own dispersion, and all are iterated together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout

_ETA_LIMIT = 30.0
_STEP_LIMIT = 2.0
# Eigenvalues of cross products of indicators are 0 but for rounding, or far above this.
_NULL = 1e-8
#: Numbers in the outer products of rows up to which these are kept.
_FEW_PRODUCTS = 2**22
# What keeps a diagonal from rounding to zero, in units of its mean.
_TRACE = 1e-11

# From the linear predictor (n, m): weights and working residuals (n, m).
Working = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """Indicator columns of the factors of a model, one block of columns a factor.

    The columns are redundant on purpose (no level is left out): which level a response lacks
    differs from response to response, and the redundancy is removed inside the fit.

    Attributes
    ----------
    columns : (n, p) float array of 0 and 1
    sources : tuple of (str, int, int)
        Name of each factor with its first column and the one after its last.
    products : (n, p * p) float array or None
        Outer product of each row with itself, so that one matrix product gives the
        information of all responses; None where it would be large.
    """

    columns: FloatArray
    sources: tuple[tuple[str, int, int], ...]
    products: FloatArray | None

    @property
    def n_columns(self) -> int:
        """Number of columns, redundant ones included."""
        return int(self.columns.shape[1])


def effects(layout: Layout, *, treatment: bool = True, n_blocking: int | None = None) -> Effects:
    """Make the columns of a main-effect model of a layout.

    Parameters
    ----------
    layout : Layout
    treatment : bool
        Whether treatments are in the model. They come first.
    n_blocking : int, optional
        How many of the blocking factors are in the model; all by default. A model with
        neither has one column of ones, the overall mean.
    """
    factors: list[tuple[str, IntArray, int]] = []
    if treatment:
        factors.append(("treatment", layout.treatment, layout.n_treatments))
    for source, codes in layout.blocking[:n_blocking]:
        levels, inverse = np.unique(codes, return_inverse=True)
        factors.append((source, inverse.astype(np.intp), levels.size))
    if not factors:
        factors.append(("mean", np.zeros(layout.n_plots, dtype=np.intp), 1))
    sources: list[tuple[str, int, int]] = []
    blocks: list[FloatArray] = []
    first = 0
    for source, codes, size in factors:
        blocks.append(indicator(codes, size))
        sources.append((source, first, first + size))
        first += size
    columns = np.hstack(blocks)
    products = None
    if columns.shape[0] * first**2 <= _FEW_PRODUCTS:
        products = (columns[:, :, None] * columns[:, None, :]).reshape(columns.shape[0], -1)
    return Effects(columns=columns, sources=tuple(sources), products=products)


def live_plots(model: Effects, values: FloatArray, ceiling: FloatArray | None = None) -> BoolArray:
    """Mark the plots that bear on a fit with finite parameters.

    A level whose plots are all zero is fitted by zero exactly and says nothing of the other
    levels; the same holds for levels whose plots are all at the ceiling.

    Parameters
    ----------
    model : Effects
    values : (n, m) float array
        Counts or shares; NaN where missing.
    ceiling : (n, m) or (n, 1) float array, optional
        Largest possible value of each plot.

    Returns
    -------
    (n, m) bool array
    """
    live: BoolArray = ~np.isnan(values)
    filled = np.where(live, values, 0.0)
    for _ in range(model.n_columns):
        empty = model.columns.T @ np.where(live, filled, 0.0) <= 0.0
        dead = (model.columns @ empty.astype(float)) > 0.0
        if ceiling is not None:
            full = model.columns.T @ np.where(live, ceiling - filled, 0.0) <= 0.0
            dead |= (model.columns @ full.astype(float)) > 0.0
        smaller: BoolArray = live & ~dead
        if np.array_equal(smaller, live):
            break
        live = smaller
    return live


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scaffold:
    """What a response adds to the information matrix to make it regular.

    Attributes
    ----------
    live_columns : (m, p) bool array
        Columns with at least one live plot.
    null : (m, p, p) float array
        Orthonormal directions in the live columns that change no plot, as rows; zeros for the
        other rows.
    filling : (m, p, p) float array
        What makes the matrix regular, in units of the mean of its diagonal: the projection on
        these directions, and a trace on the diagonal where a column is live.
    number : (m,) int array
        Live columns, at least 1.
    dead : (m, p, p) float array, or None
        1 on the diagonal where a column is not live; None where all are.
    rank : (m,) int array
        Rank of the live columns.
    """

    live_columns: BoolArray
    null: FloatArray
    filling: FloatArray
    number: IntArray
    dead: FloatArray | None
    rank: IntArray

    def repeated(self, times: int) -> Scaffold:
        """The same for responses that stand several times over, side by side."""
        return Scaffold(
            live_columns=np.tile(self.live_columns, (times, 1)),
            null=np.tile(self.null, (times, 1, 1)),
            filling=np.tile(self.filling, (times, 1, 1)),
            number=np.tile(self.number, times),
            dead=None if self.dead is None else np.tile(self.dead, (times, 1, 1)),
            rank=np.tile(self.rank, times),
        )


def scaffold(model: Effects, live: BoolArray) -> Scaffold:
    """Find the redundant directions of each response.

    One factor up and another down is the usual one; missing plots that cut the layout in parts
    make more.
    """
    patterns, pattern = _patterns(live)
    live_columns: BoolArray = (model.columns.T @ patterns > 0.0).T
    matrix = information(model, patterns)
    index = np.arange(model.n_columns)
    matrix[:, index, index] += ~live_columns
    value, vector = np.linalg.eigh(matrix)
    redundant = value < _NULL
    null = np.where(redundant[:, :, None], vector.transpose(0, 2, 1), 0.0)
    filling = null.transpose(0, 2, 1) @ null
    filling[:, index, index] += np.where(live_columns, _TRACE, 0.0)
    dead = None
    if not live_columns.all():
        dead = np.where(live_columns, 0.0, 1.0)[pattern, :, None] * np.eye(model.n_columns)
    number = live_columns.sum(axis=1)
    return Scaffold(
        live_columns=live_columns[pattern],
        null=null[pattern],
        filling=filling[pattern],
        number=np.maximum(number, 1)[pattern],
        dead=dead,
        rank=(number - redundant.sum(axis=1)).astype(np.intp)[pattern],
    )


def _patterns(live: BoolArray) -> tuple[FloatArray, IntArray]:
    """Different columns (n, k) of indicators, and which of them each column (m,) is."""
    places: dict[bytes, int] = {}
    pattern = [places.setdefault(bytes(key), len(places)) for key in np.packbits(live, axis=0).T]
    first = np.unique(pattern, return_index=True)[1] if pattern else np.zeros(0, dtype=np.intp)
    return live[:, first].astype(float), np.asarray(pattern, dtype=np.intp)


def information(model: Effects, weights: FloatArray) -> FloatArray:
    """Cross products of the columns under the weights of each response, (m, p, p)."""
    p = model.n_columns
    if model.products is not None:
        product: FloatArray = (weights.T @ model.products).reshape(-1, p, p)
        return product
    made = np.empty((weights.shape[1], p, p))
    for place, weight in enumerate(weights.T):
        made[place] = model.columns.T @ (weight[:, None] * model.columns)
    return made


def quadratics(model: Effects, matrices: FloatArray) -> FloatArray:
    """Each row of the columns times the matrix of each response times the row, (n, m)."""
    if model.products is not None:
        return np.asarray(model.products @ matrices.reshape(matrices.shape[0], -1).T)
    made = np.empty((model.columns.shape[0], matrices.shape[0]))
    for place, matrix in enumerate(matrices):
        made[:, place] = ((model.columns @ matrix) * model.columns).sum(axis=1)
    return made


def regular(frame: Scaffold, matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Make an information matrix regular without moving its solution.

    Returns the matrix with the redundant directions filled, and the factor (m,) with which
    they were filled. The logarithm of the determinant, less that of the factor for each
    redundant direction, is that of the estimable part up to a constant.
    """
    p = matrix.shape[1]
    diagonal = matrix.reshape(-1, p * p)[:, :: p + 1]  # a view
    factor = np.maximum(diagonal.sum(axis=1) / frame.number, 1e-12)
    filled = frame.filling * factor[:, None, None]
    filled += matrix
    if frame.dead is not None:
        filled += frame.dead
    return filled, factor


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorkingFit:
    """A fit of additive effects on the link scale.

    Attributes
    ----------
    predictor : (n, m) float array
        Linear predictor; 0 where the plot is not live.
    coefficients : (m, p) float array
        One solution; only estimable combinations have a meaning.
    weights : (n, m) float array
        Weights at the solution, 0 where the plot is not live.
    converged : (m,) bool array
    """

    predictor: FloatArray
    coefficients: FloatArray
    weights: FloatArray
    converged: BoolArray


def iterate(
    model: Effects,
    frame: Scaffold,
    live: BoolArray,
    start: FloatArray,
    working: Working,
    *,
    iterations: int = 60,
    tolerance: float = 1e-10,
) -> WorkingFit:
    """Iterate weighted least squares on the link scale.

    Parameters
    ----------
    model, frame, live
        The columns, their redundancies, and the live plots.
    start : (n, m) float array
        Linear predictor to start from.
    working : callable
        Weights and working residuals at a linear predictor.
    iterations : int
        Largest number of steps.
    tolerance : float
        Largest last step of a linear predictor that counts as converged.
    """
    predictor, coefficients, converged = steps(
        model, frame, live, start, working, iterations=iterations, tolerance=tolerance
    )
    weights, _ = working(predictor)
    return WorkingFit(
        predictor=predictor,
        coefficients=coefficients,
        weights=np.where(live, weights, 0.0),
        converged=converged,
    )


def steps(
    model: Effects,
    frame: Scaffold,
    live: BoolArray,
    start: FloatArray,
    working: Working,
    *,
    iterations: int,
    tolerance: float = 1e-10,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Predictor, coefficients and convergence of `iterate`, without the weights there."""
    predictor = np.where(live, start, 0.0)
    coefficients: FloatArray = np.zeros((live.shape[1], model.n_columns))
    change = np.full(live.shape[1], np.inf)
    for _ in range(iterations):
        weights, residual = working(predictor)
        weights = np.where(live, weights, 0.0)
        matrix, _ = regular(frame, information(model, weights))
        # Weights are 0 where the plot is not live, and so is the predictor.
        right = (weights * (predictor + residual)).T @ model.columns
        coefficients = np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0])
        step = np.where(live, model.columns @ coefficients.T, 0.0) - predictor
        # np.clip does the same, with more ado
        step = np.minimum(np.maximum(step, -_STEP_LIMIT), _STEP_LIMIT)
        predictor = np.minimum(np.maximum(predictor + step, -_ETA_LIMIT), _ETA_LIMIT)
        change = np.abs(step).max(axis=0, initial=0.0)
        if change.size == 0 or change.max() < tolerance:
            break
    return predictor, coefficients, change < max(tolerance, 1e-6)


def log_working(counts: FloatArray, dispersion: FloatArray) -> Working:
    """Weights for a log link and the variance ``mean + dispersion * mean**2``.

    Parameters
    ----------
    counts : (n, m) float array
    dispersion : (m,) float array
        0 gives the Poisson variance; the reciprocal is the aggregation parameter ``k``.
    """

    def working(predictor: FloatArray) -> tuple[FloatArray, FloatArray]:
        mean = np.exp(predictor)
        return mean / (1.0 + dispersion * mean), (counts - mean) / mean

    return working


def log_newton(counts: FloatArray, dispersion: FloatArray) -> Working:
    """Working values as in ``log_working``, with the curvature observed in place of expected.

    Leads to the same fit in far fewer steps where counts are very uneven, but only from a start
    that is near.
    """

    def working(predictor: FloatArray) -> tuple[FloatArray, FloatArray]:
        mean = np.exp(predictor)
        crowding, weight = 1.0 + dispersion * mean, 1.0 + dispersion * counts
        return mean * weight / crowding**2, (counts - mean) * crowding / (mean * weight)

    return working


def logit_working(shares: FloatArray, variance_factor: FloatArray) -> Working:
    """Weights for a logit link and the variance ``factor * mean * (1 - mean)``.

    Parameters
    ----------
    shares : (n, m) float array, 0 to 1
    variance_factor : (n, m) float array
        Its reciprocal is the number of independent items that a plot is worth.
    """

    def working(predictor: FloatArray) -> tuple[FloatArray, FloatArray]:
        mean = 1.0 / (1.0 + np.exp(-predictor))
        spread = np.maximum(mean * (1.0 - mean), 1e-12)
        return spread / variance_factor, (shares - mean) / spread

    return working


def log_start(model: Effects, counts: FloatArray, live: BoolArray) -> FloatArray:
    """Start of a log-linear fit: level means of each factor, multiplied."""
    filled = np.where(live, counts, 0.0)
    number = np.maximum(live.sum(axis=0), 1)
    grand = np.maximum(filled.sum(axis=0) / number, 1e-12)
    start = np.zeros(counts.shape)
    start += np.log(grand)
    for _, first, after in model.sources:
        columns = model.columns[:, first:after]
        plots = columns.T @ live.astype(float)
        mean = (columns.T @ filled) / np.maximum(plots, 1.0)
        effect = np.log(np.maximum(mean, 1e-12) / grand)
        start += columns @ np.where(mean > 0.0, effect, 0.0)
    return np.where(live, start, 0.0)


def leverage(model: Effects, frame: Scaffold, weights: FloatArray) -> FloatArray:
    """Diagonal of the weighted projection, (n, m); 0 where a plot is not live."""
    matrix, _ = regular(frame, information(model, weights))
    inverse = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    return np.asarray(weights * quadratics(model, inverse))
