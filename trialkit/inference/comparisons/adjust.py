"""Adjustment of p-values for their number; each column is a family of its own."""

from __future__ import annotations

import numpy as np

from trialkit.inference.design.layout import FloatArray


def bonferroni(p: FloatArray) -> FloatArray:
    """Multiply p-values (m, k) by their number, 1 at most; NaN is no part of the family."""
    return np.asarray(np.minimum(p * _known(p), 1.0))


def sidak(p: FloatArray) -> FloatArray:
    """Adjust p-values (m, k) as if independent: 1 - (1 - p)^m.

    References
    ----------
    Sidak Z 1967, JASA 62:626-633.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(-np.expm1(_known(p) * np.log1p(-p)))


def holm(p: FloatArray) -> FloatArray:
    """Adjust p-values (m, k) stepping down from the smallest.

    References
    ----------
    Holm S 1979, Scandinavian Journal of Statistics 6:65-70.
    """
    order = np.argsort(p, axis=0)
    ranked = np.take_along_axis(p, order, axis=0)
    place = np.arange(p.shape[0])[:, None]
    stepped = np.maximum.accumulate(np.minimum((_known(p) - place) * ranked, 1.0), axis=0)
    return _put_back(stepped, order)


def false_discovery_rate(p: FloatArray) -> FloatArray:
    """Adjust p-values (m, k) for the share of false differences, stepping up from the largest.

    References
    ----------
    Benjamini Y and Hochberg Y 1995, J. R. Stat. Soc. B 57:289-300.
    """
    order = np.argsort(p, axis=0)
    ranked = np.take_along_axis(p, order, axis=0)
    place = np.arange(1, p.shape[0] + 1)[:, None]
    scaled = np.where(np.isnan(ranked), np.inf, ranked * _known(p) / place)
    stepped = np.minimum(np.minimum.accumulate(scaled[::-1], axis=0)[::-1], 1.0)
    return _put_back(np.where(np.isnan(ranked), np.nan, stepped), order)


def _known(p: FloatArray) -> FloatArray:
    return np.asarray((~np.isnan(p)).sum(axis=0), dtype=np.float64)


def _put_back(
    ranked: FloatArray, order: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
) -> FloatArray:
    result = np.empty_like(ranked)
    np.put_along_axis(result, order, ranked, axis=0)
    return result
