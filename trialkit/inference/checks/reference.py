"""What chance alone does to the tests of residuals in this very layout.

The tabulated p-values of tests of residuals hold for many independent values. In a trial of
three to six plots a treatment they can be far off. Under normal errors of equal variance every
statistic here depends on the layout alone, not on means, block effects or the error variance,
so drawing from the layout gives p-values that hold exactly, up to the number of draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.inference.checks.equal_variances import levene
from trialkit.inference.checks.normality import shapiro_wilk
from trialkit.inference.checks.residual_space import residual
from trialkit.inference.design.layout import FloatArray, IntArray

# Statistics of a draw and of the trial that differ by less are the same one.
_TIE: Final = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Statistics of draws from normal errors in one layout.

    Attributes
    ----------
    draws : int
    brown_forsythe : (d,) array
        Sorted; d is ``draws``, or 0 where the statistic is undefined for the layout.
    lack_of_normality : (d,) array
        ``1 - W`` of Shapiro and Wilk, sorted.
    spread : (n, draws) array
        Absolute residuals of the draws about their mean, each of length 1.
    """

    draws: int
    brown_forsythe: FloatArray
    lack_of_normality: FloatArray
    spread: FloatArray


def layout_reference(
    space: FloatArray, treatment: IntArray, draws: int, rng: np.random.Generator
) -> Reference:
    """Draw normal errors and compute the statistics of their residuals.

    Parameters
    ----------
    space : (n, r) array
        Orthonormal basis of the model.
    treatment : (n,) int array
    draws : int
        At least 1; 1999 makes steps of 0.0005 in the p-values.
    rng : Generator

    Returns
    -------
    Reference
    """
    errors = residual(space, rng.standard_normal((space.shape[0], draws)))
    return Reference(
        draws=draws,
        brown_forsythe=_sorted(levene(errors, treatment).statistic),
        lack_of_normality=_sorted(1 - shapiro_wilk(errors).statistic),
        spread=unit_spread(errors),
    )


def _sorted(statistic: FloatArray) -> FloatArray:
    return np.sort(statistic[~np.isnan(statistic)])


def unit_spread(residuals: FloatArray) -> FloatArray:
    """Bring absolute residuals to mean 0 and length 1, column by column.

    Parameters
    ----------
    residuals : (n, k) array

    Returns
    -------
    (n, k) array
        NaN in columns whose absolute residuals are all alike.
    """
    return _unit(np.abs(residuals))


def spread_trend(fitted: FloatArray, residuals: FloatArray) -> FloatArray:
    """Correlate the size of the residuals with the fitted values.

    Parameters
    ----------
    fitted, residuals : (n, k) array

    Returns
    -------
    (k,) array
        Above 0 where the scatter rises with the mean, as in counts; NaN where all fitted values
        or all absolute residuals are alike.

    Notes
    -----
    The idea is that of Glejser H 1969, Journal of the American Statistical Association 64:316-323
    [reference from memory]. Where scatter follows the mean it finds that far more often than a
    comparison of each treatment's variance with the others, which has few values to go by.
    """
    trend: FloatArray = np.einsum("ij,ij->j", _unit(fitted), unit_spread(residuals))
    return trend


def spread_trend_p(fitted: FloatArray, observed: FloatArray, reference: Reference) -> FloatArray:
    """Compute the two-sided p-value of `spread_trend` from the draws.

    Parameters
    ----------
    fitted : (n, k) array
    observed : (k,) array
        The correlations found.
    reference : Reference

    Returns
    -------
    (k,) array

    Notes
    -----
    Under normal errors fitted values and residuals are independent, so residuals of the draws
    against the fitted values of the trial show what chance does.
    """
    drawn = np.abs(reference.spread.T @ _unit(fitted))
    as_large = (drawn >= np.abs(observed) - _TIE).sum(axis=0)
    p = (1 + as_large) / (1 + reference.draws)
    return np.where(np.isnan(observed), np.nan, p)


def drawn_p(observed: FloatArray, reference: FloatArray) -> FloatArray:
    """Count how often the draws reach a statistic, with the trial itself counted once.

    Parameters
    ----------
    observed : (k,) array
        Statistics whose large values speak against the assumption.
    reference : (d,) array
        Sorted.

    Returns
    -------
    (k,) array
        Between ``1 / (d + 1)`` and 1; NaN where the statistic is, or there are no draws.
    """
    if reference.size == 0:
        return np.full(observed.shape, np.nan)
    slack = _TIE * np.maximum(np.abs(observed), 1e-300)
    below = np.searchsorted(reference, observed - slack, side="left")
    p = (1 + reference.size - below) / (1 + reference.size)
    return np.where(np.isnan(observed), np.nan, p)


def _unit(table: FloatArray) -> FloatArray:
    """Bring columns to mean 0 and length 1; NaN where all values of a column are alike."""
    n = max(table.shape[0], 1)
    centred = table - table.sum(axis=0) / n
    length = np.sqrt(np.einsum("ij,ij->j", centred, centred))
    floor = _TIE * np.abs(table).max(axis=0, initial=0.0) * np.sqrt(n)
    unit: FloatArray = centred / np.where(length > floor, length, np.nan)
    return unit
