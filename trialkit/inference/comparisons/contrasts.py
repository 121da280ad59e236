"""Planned contrasts: questions put to the means before the trial, each with its own test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from trialkit.inference.comparisons.family import f_critical, f_sf, t_critical, two_sided_t
from trialkit.inference.design.layout import FloatArray
from trialkit.inference.normal.linear import LinearFit

_SUM_TOLERANCE = 1e-9


class Adjustment(StrEnum):
    """How the tests of several contrasts are adjusted for their number."""

    NONE = "none"
    BONFERRONI = "bonferroni"
    SCHEFFE = "scheffe"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ContrastTests:
    """Tests of ``c`` contrasts in ``k`` responses.

    Attributes
    ----------
    names : tuple of str
    adjustment : Adjustment
    coefficients : (c, t) array
    estimate, se, t : (c, k) array
        NaN where a mean with a coefficient is not known; ``t`` also where error is nought or has
        no degrees of freedom.
    sum_sq : (c, k) array
        With 1 df, on the scale of the analysis of variance.
    p : (c, k) array
        Two-sided, adjusted as ``adjustment`` says.
    lower, upper : (c, k) array
        Limits at 1 - alpha, adjusted likewise.
    """

    names: tuple[str, ...]
    adjustment: Adjustment
    coefficients: FloatArray
    estimate: FloatArray
    se: FloatArray
    t: FloatArray
    sum_sq: FloatArray
    p: FloatArray
    lower: FloatArray
    upper: FloatArray


def group_contrast(first: Sequence[int], second: Sequence[int], n_treatments: int) -> FloatArray:
    """Mean of one group of treatments minus the mean of another, as coefficients (t,).

    Raises
    ------
    ValueError
        When a group is empty, holds an unknown code, or the groups overlap.
    """
    if not first or not second:
        raise ValueError("a group of treatments is empty")
    if set(first) & set(second) or len(set(first)) + len(set(second)) < len(first) + len(second):
        raise ValueError("a treatment stands in the groups twice")
    if not all(0 <= code < n_treatments for code in (*first, *second)):
        raise ValueError("a group holds an unknown treatment")
    coefficients = np.zeros(n_treatments)
    coefficients[list(first)] = 1.0 / len(first)
    coefficients[list(second)] = -1.0 / len(second)
    return coefficients


def rate_trend(
    rates: npt.ArrayLike, treatments: Sequence[int], n_treatments: int
) -> dict[str, FloatArray]:
    """Orthogonal polynomials on the real spacing of the rates.

    Parameters
    ----------
    rates : (r,) array_like
        Rate of each of ``treatments``, in any one unit.
    treatments : sequence of int
        Their codes.
    n_treatments : int

    Returns
    -------
    dict
        ``linear``: slope of response on rate, per unit of rate. ``curvature``, with three
        different rates or more: coefficient of rate squared, by which a parabola departs from
        the line.

    Raises
    ------
    ValueError
        With fewer than two different rates, or rates that are not finite.
    """
    x = np.asarray(rates, dtype=np.float64)
    if x.shape != (len(treatments),) or not np.isfinite(x).all():
        raise ValueError("each treatment of the trend needs one rate")
    if len(set(treatments)) < len(treatments):
        raise ValueError("a treatment stands in the trend twice")
    levels = np.unique(x).size
    if levels < 2:
        raise ValueError("a trend needs two different rates or more")
    centred = x - x.mean()
    powers = {"linear": centred}
    if levels > 2:
        square = centred**2
        square = square - square.mean()
        square = square - centred * (centred @ square) / (centred @ centred)
        powers["curvature"] = square
    result = {}
    for name, values in powers.items():
        coefficients = np.zeros(n_treatments)
        coefficients[list(treatments)] = values / (values @ values)
        result[name] = coefficients
    return result


def contrast_tests(
    fit: LinearFit,
    contrasts: Mapping[str, npt.ArrayLike],
    *,
    alpha: float = 0.05,
    adjustment: Adjustment | str = Adjustment.NONE,
) -> ContrastTests:
    """Test named contrasts among the least-squares means of a fit.

    Parameters
    ----------
    fit : LinearFit
    contrasts : mapping of str to (t,) array_like
        Coefficients, which sum to 0.
    alpha : float
        Level of the intervals.
    adjustment : Adjustment
        ``bonferroni`` for the contrasts given; ``scheffe`` for any contrast whatever, also one
        found by looking at the means.

    Raises
    ------
    ValueError
        When coefficients do not fit the treatments, are all 0, or do not sum to 0.
    """
    adjustment = Adjustment(adjustment)
    if not 0.0 < alpha < 1.0:
        raise ValueError("alpha must lie between 0 and 1")
    t = fit.means.shape[0]
    rows = [_coefficients(name, row, t) for name, row in contrasts.items()]
    coefficients = np.vstack(rows) if rows else np.zeros((0, t))
    known = ~np.isnan(np.diagonal(fit.unit_cov))
    usable = ~((coefficients != 0) & ~known).any(axis=1)
    means = np.where(known[:, None], fit.means, 0.0)
    cov = np.where(known[:, None] & known[None, :], fit.unit_cov, 0.0)
    unit_variance = np.einsum("ci,ij,cj->c", coefficients, cov, coefficients)
    unit_variance = np.where(usable, unit_variance, np.nan)
    estimate = np.where(usable[:, None], coefficients @ means, np.nan)
    se = np.sqrt(np.outer(unit_variance, fit.ms_error))
    statistic = estimate / np.where(se > 0, se, np.nan)
    p, critical = _adjusted(statistic, float(fit.df_error), int(known.sum()), alpha, adjustment)
    half = np.where(np.isnan(statistic), np.nan, critical * se)
    return ContrastTests(
        names=tuple(contrasts),
        adjustment=adjustment,
        coefficients=coefficients,
        estimate=estimate,
        se=se,
        t=statistic,
        sum_sq=estimate**2 / unit_variance[:, None],
        p=p,
        lower=estimate - half,
        upper=estimate + half,
    )


def _coefficients(name: str, row: npt.ArrayLike, t: int) -> FloatArray:
    values = np.asarray(row, dtype=np.float64)
    if values.shape != (t,) or not np.isfinite(values).all():
        raise ValueError(f"contrast {name!r} needs one coefficient for each treatment")
    size = np.abs(values).sum()
    if size == 0 or abs(values.sum()) > _SUM_TOLERANCE * size:
        raise ValueError(f"coefficients of contrast {name!r} must sum to 0 and not all be 0")
    return values


def _adjusted(
    statistic: FloatArray, df: float, n_means: int, alpha: float, adjustment: Adjustment
) -> tuple[FloatArray, FloatArray]:
    """P-values and the critical value of the intervals."""
    if df < 1 or n_means < 2:
        return np.full(statistic.shape, np.nan), np.array(np.nan)
    if adjustment is Adjustment.SCHEFFE:
        between = n_means - 1
        critical = np.sqrt(between * f_critical(alpha, between, df))
        return f_sf(between, df, statistic**2 / between), critical
    p = two_sided_t(statistic, df)
    if adjustment is Adjustment.BONFERRONI:
        count = max(len(statistic), 1)
        return np.minimum(p * count, 1.0), t_critical(alpha / count, df)
    return p, t_critical(alpha, df)
