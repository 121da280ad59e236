"""Do treatments act alike in all blocks? Tukey's one degree of freedom for non-additivity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.checks.residual_space import residual
from trialkit.inference.design.layout import FloatArray

# A product of effects smaller than this share of its parts is rounding.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class AdditivityTest:
    """Tukey's test of each response.

    Attributes
    ----------
    sum_sq : ndarray, shape (k,)
        Sum of squares for non-additivity, one degree of freedom.
    remainder : ndarray, shape (k,)
        Rest of the error sum of squares, on ``df`` degrees of freedom.
    df : int
        Error degrees of freedom less one; 0 where there is nothing to test with.
    F : ndarray, shape (k,)
    p : ndarray, shape (k,)
    coefficient : ndarray, shape (k,)
        Tukey's B: the residual grows by B times the product of the plot's block and treatment
        effects. In units of one over the response.
    power : ndarray, shape (k,)
        ``1 - B * mean``: the power of the response in which effects would add up; near 1 leave
        as it is, near 0.5 square root, near 0 logarithm.
    power_se : ndarray, shape (k,)
        Standard error of that power.
    """

    sum_sq: FloatArray
    remainder: FloatArray
    df: int
    F: FloatArray
    p: FloatArray
    coefficient: FloatArray
    power: FloatArray
    power_se: FloatArray


def tukey_additivity(
    fitted: FloatArray, residuals: FloatArray, space: FloatArray
) -> AdditivityTest:
    """Test whether the effects of blocks and treatments multiply instead of adding up.

    Parameters
    ----------
    fitted, residuals : ndarray, shape (n, k)
        Of the additive model, on the plots that were used.
    space : ndarray, shape (n, r)
        Orthonormal basis of that model.

    Returns
    -------
    AdditivityTest
        All NaN where the layout has one factor only (nothing can be non-additive), no error
        degree of freedom to spare, or no effects of blocks and treatments to multiply.

    Notes
    -----
    Tukey JW 1949, Biometrics 5:232-242, in the form of a regression of the residuals on the
    squared fitted values, which serves with missing plots, unequal numbers and Latin squares
    too. In a complete block design the squared fitted value, freed of the model, is twice the
    product of block and treatment effects. The power follows from the second-order expansion
    of ``y ** power`` about the mean.
    """
    n, rank = space.shape
    df = n - rank - 1
    centre = fitted.sum(axis=0) / max(n, 1)
    about = fitted - centre
    square = about**2
    curve = residual(space, residual(space, square))
    size = np.einsum("ij,ij->j", curve, curve)
    floor = _ROUNDING**2 * np.einsum("ij,ij->j", square, square)
    scale = np.maximum(
        np.abs(fitted).max(axis=0, initial=0.0), np.abs(residuals).max(axis=0, initial=0.0)
    )
    floor = np.maximum(floor, n * (_ROUNDING * scale) ** 4)
    usable = (size > floor) & (df > 0)
    size = np.where(usable, size, np.nan)
    slope = np.einsum("ij,ij->j", curve, residuals) / size
    sum_sq = slope**2 * size
    error = np.einsum("ij,ij->j", residuals, residuals)
    remainder = np.where(usable, np.maximum(error - sum_sq, 0.0), np.nan)
    mean_sq = remainder / max(df, 1)
    # Where the one degree of freedom takes all, as with a single plot that holds some, the rest
    # is rounding.
    some = (mean_sq > (_ROUNDING * scale) ** 2) & (remainder > _ROUNDING * error)
    mean_sq = np.where(some, mean_sq, np.nan)
    F = sum_sq / mean_sq
    return AdditivityTest(
        sum_sq=sum_sq,
        remainder=remainder,
        df=max(df, 0),
        F=F,
        p=special.fdtrc(1, max(df, 1), F),
        coefficient=2 * slope,
        power=1 - 2 * slope * centre,
        power_se=2 * np.abs(centre) * np.sqrt(mean_sq / size),
    )
