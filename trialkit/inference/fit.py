"""What every analysis gives, whatever the layout: terms, means, contrasts, one test of them all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray

#: One number that all responses of a fit share, or one for each (k,).
PerResponse = float | FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term:
    """One line of an analysis of variance for ``k`` responses.

    Attributes
    ----------
    source : str
    error : str or None
        Source of the error it is tested against; None for an error, and for a line that has no
        test.
    df, df_error : float, or (k,) array
        Numerator and denominator: numbers where all responses of a fit share them; fractional
        under REML; NaN where there are none.
    sum_sq, mean_sq : (k,) array
        In squared units of the response; NaN under REML, ``mean_sq`` also where ``df`` is 0.
    F, p : (k,) array
        NaN for errors, and where the error is nought or has no degrees of freedom.
    """

    source: str
    error: str | None
    df: PerResponse
    df_error: PerResponse
    sum_sq: FloatArray
    mean_sq: FloatArray
    F: FloatArray
    p: FloatArray


def mean_square(df: float, sum_sq: FloatArray) -> FloatArray:
    """Mean squares (k,); NaN without degrees of freedom."""
    return sum_sq / df if df > 0 else np.full(sum_sq.shape, np.nan)


def tested(
    source: str, df: float, sum_sq: FloatArray, error: tuple[str, float, FloatArray] | None = None
) -> Term:
    """One line, tested against an error (source, df, mean square (k,)) that is above zero."""
    mean_sq = mean_square(df, sum_sq)
    F = p = np.full(sum_sq.shape, np.nan)
    name, df_error, within = error or (None, float("nan"), F)
    if name is not None and df > 0:
        F = mean_sq / np.where(within > 0, within, np.nan)
        p = np.asarray(special.fdtrc(df, max(df_error, 1), F))
    return Term(
        source=source,
        error=name,
        df=df,
        df_error=df_error,
        sum_sq=sum_sq,
        mean_sq=mean_sq,
        F=F,
        p=p,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contrasts:
    """Linear combinations of means, ``q`` in ``k`` responses.

    Attributes
    ----------
    estimate, se, df : (q, k) array
        NaN where not estimable; ``df`` after Satterthwaite where several errors mix.
    """

    estimate: FloatArray
    se: FloatArray
    df: FloatArray


def contrasts_of(
    rows: FloatArray, means: FloatArray, covariance: FloatArray, df: FloatArray
) -> Contrasts:
    """Estimate linear combinations of means whose covariance is known.

    Parameters
    ----------
    rows : (q, t) array
    means : (t, k) array
        NaN where not known; so are combinations that need them.
    covariance : (k, t, t) array
    df : (k,) array
        Of the error behind it; NaN or 0 where there is none.
    """
    known = np.isfinite(means) & np.isfinite(np.einsum("ktt->tk", covariance))
    needs_unknown = np.einsum("qt,tk->qk", (rows != 0).astype(float), (~known).astype(float)) > 0
    usable = ~needs_unknown & np.asarray(rows.any(axis=1))[:, None]
    both = known.T[:, :, None] & known.T[:, None, :]
    variance = np.einsum("qi,kij,qj->qk", rows, np.where(both, covariance, 0.0), rows)
    degrees = np.where(usable & (df > 0), df, np.nan)
    return Contrasts(
        estimate=np.where(usable, rows @ np.where(known, means, 0.0), np.nan),
        se=np.where(usable, np.sqrt(np.maximum(variance, 0.0)), np.nan),
        df=degrees,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Covariance:
    """Covariance of means that share one error: ``ms_error[j] * unit`` for response j.

    Attributes
    ----------
    unit : (q, q) array
    ms_error : (k,) array
    df : float
    """

    unit: FloatArray
    ms_error: FloatArray
    df: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointTest:
    """Test that all of several contrasts are zero, for ``k`` responses.

    Attributes
    ----------
    df : number, or (k,) array
        Number of contrasts.
    df_error, F, p : (k,) array
        NaN where undefined; F is scaled as Kenward and Roger do where several errors mix.
    note : (k,) array of str
        What is to be known of the test, or why there is none; else ''.
    """

    df: PerResponse
    df_error: FloatArray
    F: FloatArray
    p: FloatArray
    note: NDArray[np.object_]


def against(base: int, size: int) -> FloatArray:
    """Each of some means minus one of them, as rows (t, t); nothing for that one itself."""
    rows = np.eye(size)
    rows[:, base] -= 1.0
    return rows


class Estimated(Protocol):
    """What every fit gives, of counts and shares (on the scale of their model) too."""

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, c) of the means."""


class Fit(Estimated, Protocol):
    """What an analysis of ``k`` responses gives to everything that is made of it.

    ``c`` combinations of the factors of the layout, or treatments where there are no factors.
    """

    @property
    def columns(self) -> IntArray:
        """Which columns of the responses this fit serves (k,)."""

    @property
    def n_means(self) -> int:
        """How many means c there are, of treatments or of combinations of the factors."""

    @property
    def terms(self) -> tuple[Term, ...]:
        """Lines of the analysis of variance."""

    @property
    def ms_error(self) -> FloatArray:
        """Mean square (k,) of the smallest error, that of plots inside larger units."""

    @property
    def grand_mean(self) -> FloatArray:
        """Arithmetic mean (k,) of the plots used."""

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, c) of the least-squares means."""

    def covariance(self, rows: FloatArray) -> Covariance | None:
        """Covariance of linear combinations (q, c), None where several errors mix."""

    def overall(self, rows: FloatArray) -> JointTest:
        """Test that all means (t, c) with a value are alike."""
