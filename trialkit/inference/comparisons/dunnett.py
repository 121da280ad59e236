"""Largest of correlated normal statistics, for comparisons with a control.

Statistics with correlations of product form, rho_ij = lambda_i lambda_j, are independent given
one common normal factor, so the chance that all stay within limits is a single integral. That
is exact for unequal numbers of plots. Least-squares means from unbalanced blocks give
correlations that are nearly of this form; what is left, delta_ij, enters by the expansion

    density = exp(1/2 sum_{i != j} delta_ij d_i d_j) density of product form

(Plackett's identity, applied repeatedly), carried to second order: every term is again a single
integral over the common factor. Measured against quasi-random integration, the error in the
probability stays below 3e-6 for delta up to 0.03, as missing plots give; for delta up to 0.1 below
2e-5 where the probability is below 0.15, below 5e-4 where it is above 0.9. Beyond 0.1, which
takes correlations from elsewhere, a fixed lattice of points replaces the expansion at small w,
where it is then the worse of the two; errors up to 5e-4 were seen, with matrices near to singular.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.inference.comparisons.tail_tables import PiecewisePolynomial, fit_panels
from trialkit.inference.design.layout import FloatArray, IntArray

_REACH = 8.5
#: Step of the trapezoidal rule where seven digits serve.
_COARSE = 0.5
_SQRT_2PI = float(np.sqrt(2.0 * np.pi))
# A product form with less left over than this is taken as exact.
PRODUCT_TOLERANCE = 1e-10
# Loadings nearer to 1, which take a ten-thousandfold number of plots, are brought to this.
LARGEST_LOADING = float(np.sqrt(1.0 - 1e-4))
CAREFUL_LOADING = 0.95
EXPANSION_LIMIT = 0.1
# Of many statistics the lattice would take minutes, and the expansion is as good: with 79 in
# unbalanced incomplete blocks, remainder up to 0.15, tails differ from the lattice (16384 points)
# by less than 0.2 %, from w = 0.3 to 3.5; further out the lattice itself is the worse.
FEW_STATISTICS, EXPANSION_LIMIT_OF_MANY = 40, 0.25
BLEND_FROM, BLEND_TO = 2.0, 3.5
LATTICE_POINTS = 16384
RATIO_PANELS = np.array([0.0, 1.0, 2.0, 3.0, 4.5, 8.0])
NEGATIVE_RATIO_PANELS = (-6.0, -4.0, -2.5, -1.2)


#: Loadings up to here are interpolated between so many nodes, where there are very many.
SMOOTH_LOADING, INTERPOLATION_NODES = 0.9, 28
_LEAST_LOG = -40.0  # Beyond it nothing of a probability is left.


def quadrature_step(count: int) -> float:
    """Step of the trapezoidal rule that keeps 12 digits for the largest of ``count``."""
    for largest, step in ((8, 0.25), (20, 0.2), (100, 0.15), (300, 0.12)):
        if count <= largest:
            return step
    return 0.1


@dataclass(frozen=True, slots=True, eq=False)
class CommonFactor:
    """Correlations as a product form and what it leaves over.

    Attributes
    ----------
    loadings : (p,) array
        lambda, between -1 and 1.
    remainder : (p, p) array
        Correlations less the products, 0 on the diagonal.
    """

    loadings: FloatArray
    remainder: FloatArray

    @property
    def exact(self) -> bool:
        """Whether the product form is all there is."""
        return bool(np.abs(self.remainder).max(initial=0.0) <= PRODUCT_TOLERANCE)


def common_factor(correlation: FloatArray) -> CommonFactor:
    """Find the product form nearest to a correlation matrix, by least squares off the diagonal.

    Parameters
    ----------
    correlation : (p, p) array
        Symmetric with unit diagonal.

    Raises
    ------
    ValueError
        When it is no correlation matrix.
    """
    r = np.asarray(correlation, dtype=np.float64)
    p = r.shape[0]
    if r.shape != (p, p) or p == 0 or not np.allclose(r, r.T, atol=1e-9):
        raise ValueError("correlation must be a symmetric square matrix")
    if not np.allclose(np.diagonal(r), 1.0, atol=1e-9) or np.abs(r).max() > 1.0 + 1e-9:
        raise ValueError("correlation must have a unit diagonal and entries from -1 to 1")
    off = r - np.diag(np.diagonal(r))
    if p == 1:
        return CommonFactor(np.zeros(1), np.zeros((1, 1)))
    if p == 2:
        size = np.sqrt(min(abs(off[0, 1]), LARGEST_LOADING**2))
        return _leave_over(off, np.array([size, np.copysign(size, off[0, 1])]))
    factor = _leave_over(off, _least_squares_loadings(off, LARGEST_LOADING))
    if not factor.exact and np.abs(factor.loadings).max() > CAREFUL_LOADING:
        # Something is left over anyway, and loadings near 1 make the integrals dear.
        factor = _leave_over(off, _least_squares_loadings(off, CAREFUL_LOADING))
    return factor


def _leave_over(off: FloatArray, loadings: FloatArray) -> CommonFactor:
    remainder = off - np.outer(loadings, loadings)
    np.fill_diagonal(remainder, 0.0)
    return CommonFactor(loadings, remainder)


def _least_squares_loadings(off: FloatArray, largest: float) -> FloatArray:
    """Minimise the squares of off - lambda lambda' off the diagonal, one loading at a time."""
    values, vectors = np.linalg.eigh(off + np.eye(off.shape[0]))
    loadings = vectors[:, -1] * np.sqrt(max(values[-1] - 1.0, 1e-12))
    loadings = np.clip(loadings * np.sign(loadings.sum() or 1.0), -largest, largest)
    for _ in range(500):
        before = loadings.copy()
        for i in range(loadings.size):
            weight = loadings @ loadings - loadings[i] ** 2
            if weight > 0:
                loadings[i] = np.clip(off[i] @ loadings / weight, -largest, largest)
        if np.abs(loadings - before).max() < 1e-15:
            break
    return np.asarray(loadings)


def maximum_sf(w: FloatArray, loadings: FloatArray, *, two_sided: bool) -> FloatArray:
    """P(max Z_i > w), or P(max |Z_i| > w), under the product form, for a flat array of w.

    Relatively accurate in the upper tail.
    """
    if two_sided:
        loadings = np.abs(loadings)
    nodes = _window_of(w, loadings, two_sided=two_sided)
    levels = zip(*_levels(loadings), strict=True)
    return _tail(w, nodes, levels, two_sided=two_sided)


def largest_sf(w: FloatArray, loadings: FloatArray, number: IntArray) -> FloatArray:
    """P(max |Z_i| > w) of equally correlated statistics, for rows (k, m) of w.

    Each row has one loading, 0 or more, and its number of statistics. Seven digits of what is
    left out, and of what is in the tail.
    """
    one = loadings[:, None]
    nodes = _window(w, (one, one), _fine(_COARSE, one), two_sided=True)
    return _tail(w, nodes, [(one[..., None], number[:, None, None])], two_sided=True)


def _tail(
    w: FloatArray,
    nodes: tuple[FloatArray, FloatArray],
    levels: Iterable[tuple[FloatArray, FloatArray | IntArray]],
    *,
    two_sided: bool,
) -> FloatArray:
    """Chance (as w) that not all statistics stay within w, integrated over the common factor.

    Parameters
    ----------
    w : array
    nodes : pair of arrays, shape (of w, nodes)
        Values of the common factor, and their weights.
    levels : iterable of pairs
        A loading and how many statistics have it, each a number or one for each row of nodes.
    """
    z, weights = nodes
    log_inside = np.zeros(z.shape)
    for loading, number in levels:
        outside = _outside(w[..., None], z, loading, two_sided=two_sided)
        with np.errstate(divide="ignore"):
            log_inside += number * np.maximum(np.log1p(-outside), _LEAST_LOG)
    return np.asarray(-(weights * np.expm1(log_inside)).sum(axis=-1))


def _levels(loadings: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Loadings at which the integrand is worked out, and what each counts for.

    Of very many different ones those that are not near 1 are summed by interpolation between
    nodes, smooth as the integrand is in the angle of the loading: to 12 digits and better.
    """
    levels, counts = np.unique(np.round(loadings, 13), return_counts=True)
    weights = counts.astype(float)
    low = np.abs(levels) <= SMOOTH_LOADING
    if low.sum() <= 2 * INTERPOLATION_NODES:
        return levels, weights
    angles = np.arcsin(levels[low])
    middle, half = (angles[0] + angles[-1]) / 2, (angles[-1] - angles[0]) / 2
    place = np.arange(INTERPOLATION_NODES)
    nodes = np.cos(np.pi * place / (INTERPOLATION_NODES - 1))
    signs = np.where(place % 2, -1.0, 1.0)
    signs[[0, -1]] /= 2
    gap = (angles - middle)[:, None] / half - nodes
    gap[gap == 0.0] = 1e-300  # A level on a node counts for this node alone.
    basis = signs / gap
    basis /= basis.sum(axis=1, keepdims=True)
    return (
        np.concatenate([np.sin(middle + half * nodes), levels[~low]]),
        np.concatenate([weights[low] @ basis, weights[~low]]),
    )


def log_ratio(
    factor: CommonFactor, correlation: FloatArray, *, two_sided: bool
) -> PiecewisePolynomial:
    """Logarithm of the true tail over that of the product form, as a function of w."""
    panels = RATIO_PANELS if two_sided else np.array([*NEGATIVE_RATIO_PANELS, *RATIO_PANELS])
    most = EXPANSION_LIMIT if len(correlation) <= FEW_STATISTICS else EXPANSION_LIMIT_OF_MANY
    beyond = np.abs(factor.remainder).max() > most

    def ratio(w: FloatArray) -> FloatArray:
        product = maximum_sf(w, factor.loadings, two_sided=two_sided)
        gain = expansion(w, factor, two_sided=two_sided) / product
        if not beyond:
            return np.asarray(np.log1p(gain))
        lattice = np.log(lattice_sf(w, correlation, two_sided=two_sided) / product)
        # A smooth step from the lattice to the expansion, which is the better far out.
        place = np.clip((w - BLEND_FROM) / (BLEND_TO - BLEND_FROM), 0.0, 1.0)
        share = place**3 * (10.0 - 15.0 * place + 6.0 * place**2)
        return np.asarray(
            (1.0 - share) * lattice + share * np.log1p(np.where(share > 0, gain, 0.0))
        )

    return fit_panels(ratio, panels)


def _fine(step: float, loadings: FloatArray) -> FloatArray:
    """Step that is as fine where loadings (array) near 1 make the integrand steep."""
    own = np.sqrt(1.0 - loadings**2)
    return np.asarray(step * np.minimum(1.0, own / np.abs(loadings + 1e-30)))


def _window_of(
    w: FloatArray, loadings: FloatArray, *, two_sided: bool
) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights (w.size, nodes) for all of several statistics, to 12 digits."""
    step = _fine(quadrature_step(loadings.size), loadings).min()
    return _window(w, (loadings.min(), loadings.max()), step, two_sided=two_sided)


def _window(
    w: FloatArray, between: tuple[FloatArray, FloatArray], step: FloatArray, *, two_sided: bool
) -> tuple[FloatArray, FloatArray]:
    """Values of the common factor (of w, nodes) that matter for each w, and their weights.

    Smallest and largest loading and the step of the trapezoidal rule are numbers, or one for each
    row of w.
    """
    ends = w * between[0], w * between[1]
    low, high = np.minimum(*ends) - _REACH, np.maximum(*ends) + _REACH
    negative = w < 0
    low, high = np.where(negative, -_REACH, low), np.where(negative, _REACH, high)
    if two_sided:
        low = np.maximum(low, 0.0)
    first = np.floor(low / step)
    count = int((np.ceil(high / step) - first).max()) + 1
    place = first[..., None] + np.arange(count)
    z = place * step[..., None]
    weights = np.exp(-0.5 * z * z) * (step / _SQRT_2PI)[..., None]
    if two_sided:
        # The integrand is even: twice the half line, 0 counted once.
        weights *= np.where(place == 0.0, 1.0, 2.0)
    return z, weights


def _outside(w: FloatArray, z: FloatArray, loading: FloatArray, *, two_sided: bool) -> FloatArray:
    """Chance that one statistic exceeds w, given the common factor."""
    own = np.sqrt(1.0 - loading**2)
    scaled, far = z * (loading / own), w / own
    outside = special.ndtr(scaled - far)
    if two_sided:
        outside += special.ndtr(-scaled - far)
    return np.asarray(outside)


def expansion(w: FloatArray, factor: CommonFactor, *, two_sided: bool) -> FloatArray:
    """First and second order of what the product form leaves over, to be added to its tail."""
    loadings, remainder = factor.loadings, factor.remainder
    if two_sided:
        # The signs of the statistics do not matter, so all loadings can be made positive.
        signs = np.where(loadings < 0, -1.0, 1.0)
        loadings, remainder = loadings * signs, remainder * np.outer(signs, signs)
    z, weights = _window_of(w, loadings, two_sided=two_sided)
    own = np.sqrt(1.0 - loadings**2)
    z, w = z[..., None], w[:, None, None]
    upper = (loadings * z - w) / own
    outside = special.ndtr(upper)
    density = np.exp(-0.5 * upper**2) / (_SQRT_2PI * own)
    first, second = density, density * upper / own
    if two_sided:
        lower = (-loadings * z - w) / own
        outside = outside + special.ndtr(lower)
        density = np.exp(-0.5 * lower**2) / (_SQRT_2PI * own)
        first, second = first - density, second + density * lower / own
    # Derivatives of the inside probability, relative to it; where it vanishes so do they.
    inside = 1.0 - outside
    safe = np.where(inside > 1e-13, inside, np.inf)
    a, e = first / safe, second / safe
    a2, squared = a * a, remainder**2
    da = a @ remainder
    once = (a * da).sum(axis=2)
    shared_one = ((e - a2) * (da**2 - a2 @ squared)).sum(axis=2)
    shared_two = (e * (e @ squared)).sum(axis=2) - (a2 * (a2 @ squared)).sum(axis=2)
    gain = 0.5 * once + (once**2 + 4.0 * shared_one + 2.0 * shared_two) / 8.0
    return np.asarray(-(weights * inside.prod(axis=2) * gain).sum(axis=1))


def lattice_sf(w: FloatArray, correlation: FloatArray, *, two_sided: bool) -> FloatArray:
    """P(max Z_i > w), or P(max |Z_i| > w), for any correlation, for a flat array of w.

    Statistics are conditioned on one after the other and integrated over a fixed lattice, so
    that the result is the same every time and smooth in w.

    References
    ----------
    Genz A 1992, Numerical computation of multivariate normal probabilities, Journal of
    Computational and Graphical Statistics 1:141-149 (from memory).
    """
    p = correlation.shape[0]
    try:
        root = np.linalg.cholesky(correlation + 1e-9 * np.eye(p))
    except np.linalg.LinAlgError:
        raise ValueError("correlation must be positive semidefinite") from None
    u = _lattice(p - 1)
    tail = np.empty(w.size)
    for index, limit in enumerate(w):
        within, lost = np.ones(LATTICE_POINTS), np.zeros(LATTICE_POINTS)
        y = np.empty((p, LATTICE_POINTS))
        for i in range(p):
            centre = root[i, :i] @ y[:i]
            above = special.ndtr((centre - limit) / root[i, i])
            below = special.ndtr((-limit - centre) / root[i, i]) if two_sided else 0.0
            inside = np.maximum(1.0 - above - below, 0.0)
            lost += within * (above + below)
            within = within * inside
            if i < p - 1:
                place = np.clip(below + u[i] * inside, 1e-16, 1.0 - 1e-16)
                y[i] = special.ndtri(place)
        tail[index] = lost.mean()
    return tail


def _lattice(dimensions: int) -> FloatArray:
    """Points (dimensions, LATTICE_POINTS) of Richtmyer's lattice, folded to be periodic."""
    candidates = np.arange(2, 20 + 20 * dimensions)
    primes = candidates[[all(c % d for d in range(2, int(c**0.5) + 1)) for c in candidates]]
    steps = np.sqrt(primes[:dimensions])[:, None] * (np.arange(LATTICE_POINTS) + 0.5)
    return np.asarray(np.abs(2.0 * (steps % 1.0) - 1.0))
