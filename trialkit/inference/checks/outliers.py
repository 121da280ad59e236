"""Which plot stands out? Studentized residuals with a Bonferroni limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray

# A plot that alone determines a parameter has leverage 1 to rounding, and no residual.
_FULL_LEVERAGE: Final = 1 - 1e-9
_ROUNDING: Final = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class Outliers:
    """Externally studentized residuals of each response.

    Attributes
    ----------
    studentized : ndarray, shape (n, k)
        Residual over its standard error as estimated without that plot; follows Student's t on
        ``df`` degrees of freedom. NaN where the plot alone determines a mean, or nothing is
        left over.
    df : int
        Error degrees of freedom less one.
    limit : float
        What the largest absolute value exceeds by chance in ``alpha`` of trials.
    p : ndarray, shape (k,)
        Of the largest one, times the number of plots (Bonferroni), at most 1.
    worst : ndarray of int, shape (k,)
        Row of the largest absolute value; -1 where there is none.
    flagged : ndarray of bool, shape (n, k)
        Beyond the limit.
    """

    studentized: FloatArray
    df: int
    limit: float
    p: FloatArray
    worst: IntArray
    flagged: BoolArray


def studentized_residuals(
    residuals: FloatArray, leverage: FloatArray, df_error: int, *, alpha: float = 0.05
) -> Outliers:
    """Find plots whose residual is too large to be chance.

    Parameters
    ----------
    residuals : ndarray, shape (n, k)
    leverage : ndarray, shape (n,)
        Diagonal of the projection on the model.
    df_error : int
    alpha : float
        Level over all plots of one response.

    Returns
    -------
    Outliers

    Notes
    -----
    The mean-shift outlier test: Cook RD and Weisberg S 1982, Residuals and Influence in
    Regression, Chapman and Hall [from memory]. It looks for one plot; two wrong plots can hide
    each other. Where treatments differ in variance, plots of the most variable one stand out
    without any of them being wrong.
    """
    n, k = residuals.shape
    df = df_error - 1
    free = leverage < _FULL_LEVERAGE
    tested = int(free.sum())
    if df < 1 or tested == 0:
        return Outliers(
            studentized=np.full((n, k), np.nan),
            df=max(df, 0),
            limit=np.nan,
            p=np.full(k, np.nan),
            worst=np.full(k, -1, dtype=np.intp),
            flagged=np.zeros((n, k), dtype=bool),
        )
    room = np.where(free, 1 - leverage, np.nan)[:, None]
    total = np.einsum("ij,ij->j", residuals, residuals)
    share = residuals**2 / room
    rest = np.maximum(total - share, 0.0)
    # With one plot left out nothing may remain: an exact fit has no scale to judge by.
    rest = np.where(rest > _ROUNDING * total, rest, np.nan)
    studentized = residuals / np.sqrt(rest / df * room)
    size = np.where(np.isnan(studentized), -1.0, np.abs(studentized))
    worst = np.argmax(size, axis=0)
    largest = np.take_along_axis(size, worst[None, :], axis=0)[0]
    none = largest < 0
    p = np.minimum(1.0, 2 * tested * special.stdtr(df, -largest))
    limit = float(special.stdtrit(df, 1 - alpha / (2 * tested)))
    return Outliers(
        studentized=studentized,
        df=df,
        limit=limit,
        p=np.where(none, np.nan, p),
        worst=np.where(none, -1, worst).astype(np.intp),
        flagged=size > limit,
    )
