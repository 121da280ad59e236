"""Least squares for the simple layouts: one decomposition serves all responses at once.

Sums of squares are sequential: blocking first, treatment last and so adjusted for it. Data
are centred before anything is squared, and what is left of them is passed from term to term
(modified Gram-Schmidt by blocks), so that large offsets of the whole trial or of one block
cost no digits. Means are least-squares means with equal weight to blocks, rows and columns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.bases import LayoutDesign, design_of
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout
from trialkit.inference.fit import Contrasts, Covariance, JointTest, Term, mean_square, tested

# A root mean square below this many units in the last place of the data is zero.
ZERO_ULPS = 32.0


_NO_ERROR = "too few plots are left to estimate the error"
_NO_COMPARISON = "the plots that are left allow no comparison of treatments"
_NO_VARIATION = "the plots do not vary within treatments, so there is nothing to test against"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearFit:
    """The fit of all responses that have the same plots missing.

    ``t`` treatments, ``k`` responses, ``n_used`` plots.

    Attributes
    ----------
    columns : (k,) int array
        Which columns of the responses this fit serves.
    plots : (n_used,) int array
        Which rows of the layout were used.
    terms : tuple of Term
        Blocking sources in sequence, treatment adjusted for them, error.
    df_error : int
    ms_error : (k,) array
        NaN where ``df_error`` is 0, exactly 0 where it is nothing but rounding.
    n : (t,) int array
        Plots of each treatment that were used.
    raw_means : (t, k) array
        Arithmetic means; NaN without plots.
    means : (t, k) array
        Least-squares means, equal weight to every block, row and column; NaN where they cannot
        be estimated.
    unit_cov : (t, t) array
        Covariance of ``means`` is ``ms_error * unit_cov``; NaN where means are.
    fitted, residuals : (n_used, k) array
    leverage : (n_used,) array
        Diagonal of the projection on the model, 0 to 1.
    grand_mean : (k,) array
        Arithmetic mean of the plots used.
    """

    columns: IntArray
    plots: IntArray
    terms: tuple[Term, ...]
    df_error: int
    ms_error: FloatArray
    n: IntArray
    raw_means: FloatArray
    means: FloatArray
    unit_cov: FloatArray
    fitted: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    grand_mean: FloatArray

    @property
    def n_means(self) -> int:
        """How many treatments were meant."""
        return len(self.unit_cov)

    @property
    def df_treatment(self) -> int:
        """Degrees of freedom between treatments."""
        return int(self.treatment.df)

    @property
    def treatment(self) -> Term:
        """The line of the treatments."""
        return self.terms[-2]

    @property
    def error(self) -> Term:
        """The line of the error."""
        return self.terms[-1]

    @property
    def se(self) -> FloatArray:
        """Standard errors (t, k) of the least-squares means."""
        se: FloatArray = np.sqrt(np.outer(np.diagonal(self.unit_cov), self.ms_error))
        return se

    @property
    def cv_percent(self) -> FloatArray:
        """Coefficient of variation (k,) in percent, NaN where the grand mean is not above 0."""
        with np.errstate(divide="ignore", invalid="ignore"):
            cv = 100.0 * np.sqrt(self.ms_error) / self.grand_mean
        return np.where(self.grand_mean > 0, cv, np.nan)

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, t) of the least-squares means."""
        shared = self.covariance(rows)
        known = ~np.isnan(np.diagonal(self.unit_cov))
        usable = ~((rows != 0) & ~known).any(axis=1) & rows.any(axis=1)
        estimate = rows @ np.where(known[:, None], self.means, 0.0)
        estimate[~usable] = np.nan
        variance = np.where(usable, np.diagonal(shared.unit), np.nan)
        df = np.full(estimate.shape, shared.df if shared.df > 0 else np.nan)
        return Contrasts(
            estimate=estimate,
            se=np.sqrt(np.outer(variance, self.ms_error)),
            df=np.where(usable[:, None], df, np.nan),
        )

    def covariance(self, rows: FloatArray) -> Covariance:
        """Covariance of linear combinations (q, t): all share the one error."""
        known = ~np.isnan(np.diagonal(self.unit_cov))
        unit = np.where(known[:, None] & known[None, :], self.unit_cov, 0.0)
        out = rows @ unit @ rows.T
        lost = ((rows != 0) & ~known).any(axis=1) | ~rows.any(axis=1)
        out[lost], out[:, lost] = np.nan, np.nan
        return Covariance(unit=out, ms_error=self.ms_error, df=self.df_error)

    def overall(self, _: FloatArray | None = None) -> JointTest:
        """Test that all treatments are alike: the line of the treatments."""
        term, notes = self.treatment, np.full(self.columns.size, "", dtype=object)
        notes[~np.isfinite(term.F)] = _NO_VARIATION
        if self.df_error <= 0:
            notes[:] = _NO_ERROR
        elif self.df_treatment <= 0:
            notes[:] = _NO_COMPARISON
        df_error = np.full(self.columns.size, float(self.df_error))
        return JointTest(df=self.df_treatment, df_error=df_error, F=term.F, p=term.p, note=notes)


def fit_layout(layout: Layout, responses: FloatArray) -> tuple[LinearFit, ...]:
    """Fit the linear model of a layout to many responses.

    Parameters
    ----------
    layout : Layout
    responses : (n, m) or (n,) array
        One column a response, NaN where a plot is missing.

    Returns
    -------
    tuple of LinearFit
        One for each set of missing plots, in the order in which the sets first occur.

    Raises
    ------
    ValueError
        When rows are not the plots of the layout, or a value is infinite.
    """
    y = checked_responses(layout, responses)
    return tuple(
        _fit_pattern(layout, plots, columns, y[np.ix_(plots, columns)])
        for plots, columns in patterns(~np.isnan(y))
    )


def checked_responses(layout: Layout, responses: FloatArray) -> FloatArray:
    """Responses as a table (n, m), each row a plot of the layout.

    Raises
    ------
    ValueError
        When rows are not the plots of the layout, or a value is infinite.
    """
    y = np.asarray(responses, dtype=np.float64)
    if y.ndim == 1:
        y = y[:, None]
    if y.ndim != 2 or y.shape[0] != layout.n_plots:
        raise ValueError("responses must have one row for each plot of the layout")
    if np.isinf(y).any():
        raise ValueError("responses must be finite, or NaN where a plot is missing")
    return y


def rounding_zero(y: FloatArray, n: int) -> FloatArray:
    """Sums of squares (k,) at or below which a response (n, k) varies by rounding only."""
    largest = np.abs(np.where(np.isnan(y), 0.0, y)).max(axis=0, initial=0.0)
    return np.asarray((ZERO_ULPS * np.finfo(float).eps * largest) ** 2 * n)


def patterns(present: BoolArray) -> list[tuple[IntArray, IntArray]]:
    """Group columns by the rows they have: pairs of (rows, columns)."""
    n, m = present.shape
    if m == 0:
        return []
    if n == 0 or present.all():
        return [(np.arange(n), np.arange(m))]
    packed = np.packbits(present, axis=0).T
    groups: dict[bytes, list[int]] = {}
    for column, key in enumerate(map(bytes, packed)):
        groups.setdefault(key, []).append(column)
    return [
        (np.flatnonzero(present[:, columns[0]]), np.asarray(columns, dtype=np.intp))
        for columns in groups.values()
    ]


def _fit_pattern(layout: Layout, plots: IntArray, columns: IntArray, y: FloatArray) -> LinearFit:
    """Fit responses (n_used, k) without missing values on the plots given."""
    treatment = layout.treatment[plots]
    n_plots = plots.size
    n = np.bincount(treatment, minlength=layout.n_treatments).astype(np.intp)
    if n_plots == 0:
        return _empty_fit(layout, columns)
    # The first mean is subtracted without rounding where the data lie close together, whatever
    # their size; the second takes what the first one missed.
    first_mean = y.mean(axis=0)
    centred = y - first_mean
    second_mean = centred.mean(axis=0)
    centred -= second_mean
    zero = rounding_zero(y, n_plots)

    design = design_of(layout, plots)
    lines, rest, within_blocks = _sequential(centred, design)
    lines = [(source, df, np.where(ss <= zero, 0.0, ss)) for source, df, ss in lines]
    with np.errstate(invalid="ignore"):
        raw = (design.dummies.T @ centred) / np.where(n > 0, n, np.nan)[:, None]
    means = raw
    if design.weights is not None:
        means = _blocked_means(design.weights, centred, within_blocks)
    terms, ms_error = _terms(lines)
    return LinearFit(
        columns=columns,
        plots=plots,
        terms=terms,
        df_error=int(terms[-1].df),
        ms_error=ms_error,
        n=n,
        raw_means=(raw + second_mean) + first_mean,
        means=(means + second_mean) + first_mean,
        unit_cov=design.unit_cov.copy(),
        fitted=((centred - rest) + second_mean) + first_mean,
        residuals=rest,
        leverage=np.einsum("ij,ij->i", design.basis, design.basis),
        grand_mean=first_mean + second_mean,
    )


def _sequential(
    centred: FloatArray, design: LayoutDesign
) -> tuple[list[tuple[str, int, FloatArray]], FloatArray, FloatArray]:
    """Take out one source after the other.

    Returns the lines (source, df, sum of squares (k,)) with error last, the residuals, and what
    was left before treatments were taken out.
    """
    rest = within_blocks = centred
    lines: list[tuple[str, int, FloatArray]] = []
    for source, addition in design.additions:
        within_blocks = rest
        coordinates = addition.T @ rest
        rest = rest - addition @ coordinates
        lines.append((source, addition.shape[1], np.einsum("ij,ij->j", coordinates, coordinates)))
    basis = design.basis
    rest = rest - basis @ (basis.T @ rest)
    df = centred.shape[0] - basis.shape[1]
    lines.append(("error", df, np.einsum("ij,ij->j", rest, rest)))
    return lines, rest, within_blocks


def _terms(lines: list[tuple[str, int, FloatArray]]) -> tuple[tuple[Term, ...], FloatArray]:
    """Mean squares, F and p of all lines; the last one is error."""
    _, df_error, ss_error = lines[-1]
    ms_error = mean_square(df_error, ss_error)
    error = ("error", float(df_error), ms_error)
    terms = [
        tested(source, df, sum_sq, None if source == "error" else error)
        for source, df, sum_sq in lines
    ]
    return tuple(terms), ms_error


def _empty_fit(layout: Layout, columns: IntArray) -> LinearFit:
    """Fit of responses without a single plot: nothing is known."""
    t, k = layout.n_treatments, columns.size
    names = [source for source, _ in layout.blocking]
    lines = [(name, 0, np.zeros(k)) for name in [*names, "treatment", "error"]]
    terms, ms_error = _terms(lines)
    nothing = np.full((t, k), np.nan)
    return LinearFit(
        columns=columns,
        plots=np.zeros(0, dtype=np.intp),
        terms=terms,
        df_error=0,
        ms_error=ms_error,
        n=np.zeros(t, dtype=np.intp),
        raw_means=nothing,
        means=nothing.copy(),
        unit_cov=np.full((t, t), np.nan),
        fitted=np.zeros((0, k)),
        residuals=np.zeros((0, k)),
        leverage=np.zeros(0),
        grand_mean=np.full(k, np.nan),
    )


def _blocked_means(
    weights: FloatArray, centred: FloatArray, within_blocks: FloatArray
) -> FloatArray:
    """Least-squares means (t, k) of centred data.

    What blocks explain adds the same to every mean, so it is added as one number: large block
    differences then cost the comparisons no digits.
    """
    level = weights @ (centred - within_blocks)
    known = ~np.isnan(weights[:, 0])
    if known.any():
        level = np.broadcast_to(level[known].mean(axis=0), level.shape)
    means: FloatArray = weights @ within_blocks + level
    return means
