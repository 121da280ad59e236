"""What least squares take from a layout alone: bases of its sources, weights of its means."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout

# Singular values of dummy columns below this are rounding: they are exactly 0 or of the order
# of the square root of a number of plots.
RANK_TOLERANCE = 1e-8


def indicator(codes: IntArray, n_levels: int) -> FloatArray:
    """Dummy variables (n, n_levels) of integer codes."""
    dummies = np.zeros((codes.size, n_levels))
    dummies[np.arange(codes.size), codes] = 1.0
    return dummies


def orthogonal_addition(basis: FloatArray, columns: FloatArray) -> FloatArray:
    """Orthonormal basis of what ``columns`` add to the space spanned by ``basis``.

    Projected out twice, for orthogonality to machine precision.
    """
    rest = columns - basis @ (basis.T @ columns)
    rest -= basis @ (basis.T @ rest)
    if rest.shape[1] == 0:
        return rest
    left, singular, _ = np.linalg.svd(rest, full_matrices=False)
    return np.asarray(left[:, singular > RANK_TOLERANCE])


def _levels(codes: IntArray) -> tuple[IntArray, int]:
    """Codes from 0 without gaps, and how many there are."""
    values, index = np.unique(codes, return_inverse=True)
    return index.astype(np.intp), values.size


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayoutDesign:
    """What a fit takes from the layout alone; its arrays are not to be written to.

    Attributes
    ----------
    additions : tuple of (str, (n, df) float array)
        Orthonormal bases of what each source adds to those before it.
    basis : (n, r) float array
        All of them together, and the mean.
    dummies : (n, t) float array
        Indicators of treatments.
    weights : (t, n) float array, or None
        Of the plots in the least-squares means; None without blocks.
    unit_cov : (t, t) float array
        Covariance of the means, for an error variance of 1.
    """

    additions: tuple[tuple[str, FloatArray], ...]
    basis: FloatArray
    dummies: FloatArray
    weights: FloatArray | None
    unit_cov: FloatArray


def design_of(layout: Layout, plots: IntArray) -> LayoutDesign:
    """Design of some plots of a layout; a trial fits the same few again and again."""
    blocking = tuple((source, _bytes_of(codes[plots])) for source, codes in layout.blocking)
    return _made_design(_bytes_of(layout.treatment[plots]), layout.n_treatments, blocking)


def _bytes_of(codes: IntArray) -> bytes:
    return codes.astype(np.intp).tobytes()


def codes_of_bytes(packed: bytes) -> IntArray:
    """Codes as they were before they became the key of a cache."""
    return np.frombuffer(packed, dtype=np.intp)


@lru_cache(maxsize=64)
def _made_design(
    treatment: bytes, n_treatments: int, blocking: tuple[tuple[str, bytes], ...]
) -> LayoutDesign:
    dummies = indicator(codes_of_bytes(treatment), n_treatments)
    groups = [(source, indicator(*_levels(codes_of_bytes(codes)))) for source, codes in blocking]
    n_plots, n = dummies.shape[0], dummies.sum(axis=0).astype(np.intp)
    basis = np.full((n_plots, 1), 1.0 / np.sqrt(n_plots))
    additions = []
    for source, columns in [*groups, ("treatment", dummies)]:
        addition = orthogonal_addition(basis, columns)
        additions.append((source, addition))
        basis = np.hstack([basis, addition])
    weights = None
    if groups:
        weights = _mean_weights([block for _, block in groups], dummies, n)
        unit_cov = weights @ weights.T
    else:
        unit_cov = np.diag(1.0 / np.where(n > 0, n, np.nan))
        unit_cov[n == 0, :] = np.nan
        unit_cov[:, n == 0] = np.nan
    return LayoutDesign(
        additions=tuple(additions),
        basis=basis,
        dummies=dummies,
        weights=weights,
        unit_cov=unit_cov,
    )


def _mean_weights(blocks: list[FloatArray], dummies: FloatArray, n: IntArray) -> FloatArray:
    """Weights (t, n_used) of the plots in each least-squares mean, NaN where not estimable.

    Where plots that are missing cut the design in two, the means are those of the largest part,
    over the blocks in which it lies; treatments of the other parts have none.
    """
    n_plots, t = dummies.shape
    design = np.hstack([np.ones((n_plots, 1)), *blocks, dummies])
    left, singular, right = np.linalg.svd(design, full_matrices=False)
    rank = int((singular > RANK_TOLERANCE).sum())
    left, singular, right = left[:, :rank], singular[:rank], right[:rank]
    inside = n > 0
    wanted = _mean_coefficients(blocks, dummies, np.ones(n_plots, dtype=bool))
    estimable = _in_row_space(wanted, right)
    if not estimable[inside].all():
        largest = _largest_connected(right, design.shape[1] - t, dummies, n)
        plots_inside: BoolArray = np.asarray(dummies[:, largest].any(axis=1))
        wanted = _mean_coefficients(blocks, dummies, plots_inside)
        estimable = _in_row_space(wanted, right)
        inside = inside & largest
    weights: FloatArray = ((wanted @ right.T) / singular) @ left.T
    weights[~(inside & estimable)] = np.nan
    return weights


def _mean_coefficients(
    blocks: list[FloatArray], dummies: FloatArray, plots: BoolArray
) -> FloatArray:
    """Coefficients (t, p) of treatment means that weigh all groups with such plots equally."""
    t = dummies.shape[1]
    parts = [np.ones((t, 1))]
    for block in blocks:
        seen = block[plots].any(axis=0)
        parts.append(np.tile(seen / max(int(seen.sum()), 1), (t, 1)))
    return np.hstack([*parts, np.eye(t)])


def _in_row_space(coefficients: FloatArray, right: FloatArray) -> BoolArray:
    outside = coefficients - (coefficients @ right.T) @ right
    estimable: BoolArray = np.abs(outside).max(axis=1) < RANK_TOLERANCE
    return estimable


def _largest_connected(
    right: FloatArray, offset: int, dummies: FloatArray, n: IntArray
) -> BoolArray:
    """Treatments of the largest set in which every difference can be estimated."""
    t = dummies.shape[1]
    space = right[:, offset:]
    null = np.eye(t) - space.T @ space
    # Length of the part of (treatment i minus treatment j) that the data say nothing about.
    unknown = np.diagonal(null)[:, None] + np.diagonal(null)[None, :] - 2.0 * null
    joined = (unknown < RANK_TOLERANCE) & (n > 0)[:, None] & (n > 0)[None, :]
    size = joined.sum(axis=1) * (int(n.sum()) + 1) + joined @ n
    return np.asarray(joined[int(np.argmax(size))])
