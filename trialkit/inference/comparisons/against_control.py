"""Comparisons with a control whose plots may vary otherwise than those of the treatments.

An untreated plot, where pests go on as they like, seldom varies as a treated one does, and it
stands in every comparison. Its variance is therefore estimated on its own: the treatments without
the control give theirs, and what the residual sum of squares gains when the control comes in
gives the other. In complete blocks that is the variance of control minus block mean, and both
parts are independent and exact. With few blocks that is little to go by: where plots were seen on
several days, how much more or less the control varies from day to day is borrowed as what is
expected of it over all days, and weighs as much as `BORROWED` degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from scipy import special

from trialkit.inference.comparisons.dunnett import largest_sf
from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout

#: What is smaller than this share of the largest is rounding.
_NOUGHT = 1e-10
#: Degrees of freedom that the days add at most to the variance of the control (chosen by
#: simulation, tests/benchmarks/claims.md).
BORROWED = 4.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
#: Below so many degrees of freedom the lower tail of the spread is far the longer one.
_FEW = 6.0


@dataclass(frozen=True, kw_only=True, eq=False)
class AgainstControl:
    """Every treatment against the control, in one response.

    All arrays are (t,), NaN for the control itself and for what cannot be compared.

    Attributes
    ----------
    difference : (t,) array
        Treatment minus control.
    se : (t,) array
    df : (t,) array
        Satterthwaite's, of the two variances behind each standard error.
    correlation : (k, k) array
        Of the k differences that can be compared, in their order.
    adjusted : bool
        Whether the covariate could be used.
    """

    difference: FloatArray
    se: FloatArray
    df: FloatArray
    correlation: FloatArray
    adjusted: bool = False

    @cached_property
    def p_adjusted(self) -> FloatArray:
        """Two-sided p-values (t,), adjusted over the treatments by the largest statistic.

        Step-down: the smallest is the p-value of the question whether any treatment differs from
        the control. Worked out where it is asked for.
        """
        found = np.full(self.difference.shape, np.nan)
        known = np.isfinite(self.se)
        if known.any():
            t = np.abs(self.difference[known]) / self.se[known]
            found[known] = _step_down(t, self.correlation, self.df[known])
        return found

    def limits(self, alpha: float) -> tuple[FloatArray, FloatArray]:
        """Limits of each difference on its own, (t,), (t,).

        They leave out 0 wherever the adjusted p-value is at or below ``alpha``.
        """
        half = special.stdtrit(self.df, 1.0 - alpha / 2.0) * self.se
        return self.difference - half, self.difference + half


def against_control(
    layout: Layout,
    values: FloatArray,
    control: int,
    *,
    covariate: FloatArray | None = None,
    days: FloatArray | None = None,
    logarithms: bool = False,
    compared: Sequence[int] | None = None,
) -> AgainstControl:
    """Compare every treatment with the control, with a variance of its own for the control.

    Parameters
    ----------
    layout : Layout
        One error: for larger units the analysis by strata has comparisons of its own.
    values : (n,) array
        One response of the plots; NaN where a plot is missing.
    control : int
        Code of the control.
    covariate : (n,) array, optional
        Values before treatment, on the scale of the response; left out where a plot lacks it,
        where it is constant, and where fewer than two degrees of freedom would be left.
    days : (n, d) array, optional
        The response on single days, on the same scale; days with gaps are left out.
    logarithms : bool
        Whether the response is a logarithm and means before it are to be compared: half the
        difference of the variances is taken out, as is exact where values are lognormal.
    compared : sequence of int, optional
        Which treatments are compared, and p-values adjusted over; all others where left out.
        The others still tell how much plots vary.

    Returns
    -------
    AgainstControl

    Notes
    -----
    Where too few plots are left to part the variances, one is taken for all.
    """
    nothing = np.full(layout.n_treatments, np.nan)
    none = AgainstControl(difference=nothing, se=nothing, df=nothing, correlation=np.zeros((0, 0)))
    still = _without_spread(layout.treatment, values, layout.n_treatments)
    if still[control]:
        still = np.zeros_like(still)
    used = np.flatnonzero(np.isfinite(values) & ~still[layout.treatment])
    if used.size < 2:
        return none
    treatment, y = layout.treatment[used], values[used]
    blocking = [codes[used] for _, codes in layout.blocking]
    own = treatment == control
    number = layout.n_treatments
    for extra in (_columns_of(covariate, used), None):
        weights, residual, others = _fit(treatment, blocking, extra, number, control)
        if extra is None or residual[1] >= 2:
            break
    asked = np.isin(range(number), range(number) if compared is None else compared)
    estimable: BoolArray = np.asarray(np.isfinite(weights).all(axis=1)) & asked
    if not estimable.any() or residual[1] < 1:
        return none
    parts = _variances(residual, others, y[:, None], own)
    if days is not None and parts.of_extra > 0.0:
        parts = _with_days(parts, days[used], (residual, others), own)
    weights = np.where(estimable[:, None], weights, 0.0)
    difference = np.where(estimable, weights @ y, np.nan)
    if logarithms:
        # At equal means the logarithms of what varies more lie lower, by half the variance.
        difference = difference + 0.5 * (parts.rest - parts.control)
    # Variance of each difference as a sum of independent mean squares.
    pieces = _factors(weights**2, own, parts) * np.array([[parts.extra], [parts.rest]])
    variance = pieces.sum(axis=0)
    known = estimable & (variance > _NOUGHT * max(float(np.var(y)), np.finfo(float).tiny))
    if not known.any():
        return none
    with np.errstate(divide="ignore", invalid="ignore"):
        df = variance**2 / (pieces**2 / np.array([[parts.extra_df], [parts.rest_df]])).sum(axis=0)
    alike, worst = np.flatnonzero(still & asked), int(np.argmax(np.where(known, variance, -1.0)))
    # Plots that are all alike, as where nothing is left, take the error of the others.
    for part in (variance, df, weights):
        part[alike] = part[worst]
    difference[alike] = _levels(layout.treatment, values, alike) - float(y[own].mean())
    known[alike] = True
    se = np.sqrt(np.where(known, variance, np.nan))
    return AgainstControl(
        difference=difference,
        se=se,
        df=np.where(known, df, np.nan),
        correlation=_correlation(weights[known], own, parts),
        adjusted=extra is not None,
    )


def _levels(treatment: IntArray, values: FloatArray, codes: IntArray) -> FloatArray:
    """First value of each treatment; for those of which all plots are alike it is all of them."""
    seen = np.isfinite(values)
    return np.array([values[(treatment == code) & seen][0] for code in codes])


def _without_spread(treatment: IntArray, values: FloatArray, number: int) -> BoolArray:
    """Which treatments have two plots or more, all with the same value."""
    found = np.zeros(number, dtype=bool)
    for code in range(number):
        own = values[(treatment == code) & np.isfinite(values)]
        found[code] = own.size > 1 and np.ptp(own) == 0.0
    return found


def _columns_of(covariate: FloatArray | None, used: IntArray) -> FloatArray | None:
    if covariate is None:
        return None
    own = covariate[used]
    if not np.isfinite(own).all() or np.ptp(own) <= 0.0:
        return None
    centred: FloatArray = (own - own.mean())[:, None]
    return centred


_Residual = tuple[FloatArray, int]


def _fit(
    treatment: IntArray,
    blocking: list[IntArray],
    extra: FloatArray | None,
    n_treatments: int,
    control: int,
) -> tuple[FloatArray, _Residual, _Residual]:
    """Weights (t, n) of the plots in each difference, and residual projectors with their df.

    The second projector is that of the treatments without the control; weights are NaN where a
    difference cannot be estimated.
    """
    codes = (treatment, *blocking)
    return _fit_of(
        tuple(np.asarray(part, dtype=np.intp).tobytes() for part in codes),
        b"" if extra is None else extra.tobytes(),
        n_treatments,
        control,
    )


@lru_cache(maxsize=4)
def _fit_of(
    codes: tuple[bytes, ...], extra: bytes, n_treatments: int, control: int
) -> tuple[FloatArray, _Residual, _Residual]:
    """The same of arrays as bytes: days without gaps have one fit, which nobody changes."""
    treatment, *blocking = (np.frombuffer(part, dtype=np.intp) for part in codes)
    n = treatment.size
    parts = [np.ones((n, 1))]
    for block in blocking:
        levels, index = np.unique(block, return_inverse=True)
        parts.append(indicator(index.astype(np.intp), levels.size))
    if extra:
        parts.append(np.frombuffer(extra, dtype=np.float64).reshape(n, -1))
    beside = np.hstack(parts)
    dummies = indicator(treatment, n_treatments)
    design = np.hstack([beside, dummies])
    left, singular, right = np.linalg.svd(design, full_matrices=False)
    rank = int((singular > singular[0] * 1e-9).sum())
    left, singular, right = left[:, :rank], singular[:rank], right[:rank]
    wanted = np.zeros((n_treatments, design.shape[1]))
    wanted[:, beside.shape[1] :] = np.eye(n_treatments)
    wanted[:, beside.shape[1] + control] -= 1.0
    estimable = np.abs(wanted - (wanted @ right.T) @ right).max(axis=1) < 1e-8
    estimable[control] = False
    weights = ((wanted @ right.T) / singular) @ left.T
    weights[~estimable] = np.nan
    own = treatment == control
    inner, inner_df = _projector(design[~own])
    outside = np.zeros((n, n))
    outside[np.ix_(~own, ~own)] = inner
    return weights, (np.eye(n) - left @ left.T, n - rank), (outside, inner_df)


def _projector(design: FloatArray) -> _Residual:
    if not design.size:
        return np.zeros((0, 0)), 0
    left, singular, _ = np.linalg.svd(design, full_matrices=False)
    left = left[:, singular > singular[0] * 1e-9]
    return np.eye(design.shape[0]) - left @ left.T, design.shape[0] - left.shape[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Variances:
    """Two independent mean squares, and what the control's variance takes of each.

    Variance of a control plot: ``of_extra * extra + of_rest * rest``; of any other: ``rest``.
    """

    extra: float
    extra_df: float
    rest: float
    rest_df: float
    of_extra: float
    of_rest: float

    @property
    def control(self) -> float:
        """Variance of a control plot."""
        return max(self.of_extra * self.extra + self.of_rest * self.rest, 0.0)


def _variances(residual: _Residual, others: _Residual, y: FloatArray, own: BoolArray) -> _Variances:
    """Mean squares of responses (n, k) together, their degrees of freedom those of one."""
    (full, df), (inner, inner_df) = residual, others
    centred = y - y.mean(axis=0)
    width = y.shape[1]
    whole = float((centred * (full @ centred)).sum()) / width
    rest = float((centred * (inner @ centred)).sum()) / width
    extra_df = df - inner_df
    diagonal = np.diagonal(full)
    control_share = float(diagonal[own].sum())
    if inner_df < 1 or extra_df < 1 or control_share <= _NOUGHT:
        pooled = max(whole, 0.0) / df
        return _Variances(
            extra=0.0, extra_df=1.0, rest=pooled, rest_df=df, of_extra=0.0, of_rest=1.0
        )
    other_share = float(diagonal[~own].sum()) - inner_df
    return _Variances(
        extra=max(whole - rest, 0.0) / extra_df,
        extra_df=extra_df,
        rest=max(rest, 0.0) / inner_df,
        rest_df=inner_df,
        of_extra=extra_df / control_share,
        of_rest=-other_share / control_share,
    )


def _with_days(
    parts: _Variances, days: FloatArray, projectors: tuple[_Residual, _Residual], own: BoolArray
) -> _Variances:
    """Mean squares with what contrasts between days tell of the control beside the others."""
    whole = np.isfinite(days).all(axis=0)
    number = int(whole.sum())
    if number < 2 or parts.rest <= 0.0:
        return parts
    contrasts = days[:, whole] @ _contrasts(number)
    between = _variances(*projectors, contrasts, own)
    if between.rest <= 0.0:
        return parts
    borrowed = min(BORROWED, (number - 1) * parts.extra_df / 2.0)
    expected = between.extra / between.rest * parts.rest
    df = parts.extra_df + borrowed
    return replace(
        parts,
        extra=(parts.extra_df * parts.extra + borrowed * expected) / df,
        extra_df=df,
    )


def _contrasts(number: int) -> FloatArray:
    """Orthonormal contrasts between days, (number, number - 1)."""
    left, _, _ = np.linalg.svd(np.eye(number) - 1.0 / number)
    contrasts: FloatArray = left[:, : number - 1]
    return contrasts


def _factors(squares: FloatArray, own: BoolArray, parts: _Variances) -> FloatArray:
    """What the variance of each difference takes of the two mean squares, (2, t)."""
    of_control, of_others = squares[:, own].sum(axis=1), squares[:, ~own].sum(axis=1)
    of_rest = of_others + of_control * parts.of_rest
    return np.vstack([of_control * parts.of_extra, np.maximum(of_rest, 0.0)])


def _correlation(weights: FloatArray, own: BoolArray, parts: _Variances) -> FloatArray:
    control, others = weights[:, own], weights[:, ~own]
    covariance = parts.control * control @ control.T + parts.rest * others @ others.T
    spread = np.sqrt(np.maximum(np.diagonal(covariance), np.finfo(float).tiny))
    correlation: FloatArray = np.clip(covariance / np.outer(spread, spread), -1.0, 1.0)
    return correlation


def _step_down(t: FloatArray, correlation: FloatArray, df: FloatArray) -> FloatArray:
    """Adjusted p-values: of each the largest statistic among it and those below it.

    The smallest correlation among them is taken for all, which errs to the safe side.
    """
    left = np.argsort(-t, kind="stable")
    among = correlation[np.ix_(left, left)]
    among[np.diag_indices_from(among)] = 1.0
    # Smallest of every square from a place on to the end.
    row = np.minimum.accumulate(among[:, ::-1], axis=1)[:, ::-1]
    smallest = np.array([row[place:, place].min() for place in range(left.size)])
    shared = np.clip(smallest, 0.0, 0.95)
    shared[-1] = 0.0
    p = np.empty(t.size)
    p[left] = np.maximum.accumulate(
        _tails(t[left], shared, np.arange(left.size, 0, -1), np.maximum(df[left], 1.0))
    )
    return p


def _tails(t: FloatArray, shared: FloatArray, number: IntArray, df: FloatArray) -> FloatArray:
    """Chance that the largest of so many equally correlated t statistics exceeds each t (k,)."""
    spread, weight = _chi_nodes(df)
    tail = largest_sf(t[:, None] * spread, np.sqrt(shared), number)
    return np.asarray(np.minimum((weight * tail).sum(axis=1), 1.0))


def _chi_nodes(df: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights (k, m) of sqrt(chi square / df), by Gauss and Legendre over its log."""
    half = 0.5 * df[:, None]
    middle, reach = -0.25 / half, 4.5 / np.sqrt(half)
    log_s = middle + reach * (_NODES - np.where(half < 0.5 * _FEW, 0.35, 0.0))
    log_density = half * (np.log(half) + 2.0 * log_s - np.exp(2.0 * log_s)) - special.gammaln(half)
    weight = reach * _WEIGHTS * np.exp(log_density)
    return np.exp(log_s), weight / weight.sum(axis=1, keepdims=True)
