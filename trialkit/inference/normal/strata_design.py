"""Strata of a layout: what each kind of larger units adds, and which terms lie in it.

Blocking is taken out first; each kind of larger units then is a stratum, that which its units add,
and plots inside the units are the last one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np

from trialkit.inference.design.bases import (
    codes_of_bytes,
    design_of,
    indicator,
    orthogonal_addition,
)
from trialkit.inference.design.fixed_model import row_products
from trialkit.inference.design.layout import Factor, FloatArray, IntArray, Layout


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StratumDesign:
    """One stratum of some plots.

    Attributes
    ----------
    error : str
    terms : tuple of (str, (n, df) array)
        Orthonormal bases of what each term adds to the others: levels of other factors then count
        alike, also where whole main plots are missing.
    model : (n, r) array
        Basis of all terms together.
    whole : (n, d) array or None
        Basis of the stratum; None for plots inside units, all that is left.
    df : int
        Of the error.
    unit_cov : (c, c) array
        Covariance of the means of combinations for an error variance of 1.
    """

    error: str
    terms: tuple[tuple[str, FloatArray], ...]
    model: FloatArray
    whole: FloatArray | None
    df: int
    unit_cov: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrataDesign:
    """What an analysis by strata takes from some plots of a layout alone.

    Attributes
    ----------
    blocking : tuple of (str, (n, df) array)
        Orthonormal bases of what each source adds to those before it.
    strata : tuple of StratumDesign
    """

    blocking: tuple[tuple[str, FloatArray], ...]
    strata: tuple[StratumDesign, ...]


def strata_of(layout: Layout, plots: IntArray) -> StrataDesign | None:
    """Strata of some plots of a layout; None where a term lies in more than one of them.

    A trial analyses the same few patterns of plots again and again.
    """
    if plots.size == 0:
        return None

    def packed(pairs: tuple[tuple[str, IntArray], ...]) -> tuple[tuple[str, bytes], ...]:
        return tuple((name, codes[plots].astype(np.intp).tobytes()) for name, codes in pairs)

    factors = tuple((item.name, item.codes) for item in layout.factors)
    levels = tuple(item.n_levels for item in layout.factors)
    return _made_strata(packed(layout.blocking), packed(layout.units), packed(factors), levels)


@lru_cache(maxsize=64)
def _made_strata(
    blocking: tuple[tuple[str, bytes], ...],
    units: tuple[tuple[str, bytes], ...],
    factors: tuple[tuple[str, bytes], ...],
    levels: tuple[int, ...],
) -> StrataDesign | None:
    codes = {name: codes_of_bytes(packed) for name, packed in factors}
    n = next(iter(codes.values())).size
    larger = [(name, _dummies(codes_of_bytes(packed))) for name, packed in units]
    if not _all_levels(codes, levels, [dummies for _, dummies in larger]):
        return None
    seen, taken = np.full((n, 1), n**-0.5), []
    for name, packed in blocking:
        taken.append((name, orthogonal_addition(seen, _dummies(codes_of_bytes(packed)))))
        seen = np.hstack([seen, taken[-1][1]])
    spaces, errors = _coded_terms(codes), errors_of(units)
    expected = dict(zip(codes, errors[:-1], strict=False))
    covariances = _unit_covariances(blocking, codes, levels, [item for _, item in larger])
    strata = []
    for error, dummies, unit_cov in zip(
        errors, (*(item for _, item in larger), None), covariances, strict=True
    ):
        whole = None if dummies is None else orthogonal_addition(seen, dummies)
        terms, model = _terms_inside(seen, whole, spaces)
        if any(expected.get(name, "error") != error for name, _ in terms):
            return None
        size = n - seen.shape[1] if whole is None else whole.shape[1]
        strata.append(
            StratumDesign(
                error=error,
                terms=terms,
                model=model,
                whole=whole,
                df=size - model.shape[1],
                unit_cov=unit_cov,
            )
        )
        if whole is not None:
            seen = np.hstack([seen, whole])
    return StrataDesign(blocking=tuple(taken), strata=tuple(strata))


def errors_of(units: tuple[tuple[str, object], ...]) -> tuple[str, ...]:
    """Name the error of each kind of larger units after its factor, and that of plots."""
    return (*(f"error_{name.split('_')[0]}" for name, _ in units), "error")


def _dummies(codes: IntArray) -> FloatArray:
    """Indicators of the levels that occur."""
    found = np.unique(codes, return_inverse=True)[1].astype(np.intp)
    return indicator(found, int(found.max()) + 1)


def _coded_terms(codes: dict[str, IntArray]) -> dict[str, FloatArray]:
    """Columns of each term, coded to sum to zero over the levels that occur."""
    coded = {}
    for name, own in codes.items():
        known, place = np.unique(own, return_inverse=True)
        coded[name] = Factor(name, place.astype(np.intp), known.size).coding[place]
    out = {}
    for size in range(1, len(coded) + 1):
        for names in combinations(coded, size):
            block = np.ones((len(place), 1))
            for name in names:
                block = row_products(block, coded[name])
            out[":".join(names)] = block
    return out


def _all_levels(
    codes: dict[str, IntArray], levels: tuple[int, ...], larger: list[FloatArray]
) -> bool:
    """Whether factors have all their levels; those of every kind of units may lose some whole."""
    for (_, own), size in zip(codes.items(), levels, strict=True):
        steady = all(
            np.array_equal((own @ item) / item.sum(axis=0) @ item.T, own) for item in larger
        )
        if not steady and np.unique(own).size < size:
            return False
    return True


def _terms_inside(
    seen: FloatArray, whole: FloatArray | None, spaces: dict[str, FloatArray]
) -> tuple[tuple[tuple[str, FloatArray], ...], FloatArray]:
    """Bases of what each term adds inside a stratum to the others, and of all together."""
    start = seen if whole is None else np.zeros((seen.shape[0], 0))
    inside = {
        name: columns if whole is None else whole @ (whole.T @ columns)
        for name, columns in spaces.items()
    }
    model, found = start, {}
    for name, columns in inside.items():
        part = orthogonal_addition(model, columns)
        if part.shape[1]:
            found[name] = part
            model = np.hstack([model, part])
    terms = []
    for name in found:
        others = np.hstack([start, *(inside[other] for other in found if other != name)])
        terms.append((name, orthogonal_addition(_basis(others), inside[name])))
    return tuple(terms), model[:, start.shape[1] :]


def _basis(columns: FloatArray) -> FloatArray:
    return orthogonal_addition(np.zeros((len(columns), 0)), columns)


def _unit_covariances(
    blocking: tuple[tuple[str, bytes], ...],
    codes: dict[str, IntArray],
    levels: tuple[int, ...],
    larger: list[FloatArray],
) -> tuple[FloatArray, ...]:
    """Covariances of the least-squares means of combinations, by stratum.

    The mean over all plots varies with the units of each kind; where these cross, plots are taken
    off again.
    """
    cells = np.ravel_multi_index(tuple(codes.values()), levels).astype(np.intp)
    layout = Layout(
        treatment=cells,
        n_treatments=int(np.prod(levels)),
        blocking=tuple((name, codes_of_bytes(packed)) for name, packed in blocking),
    )
    design = design_of(layout, np.arange(cells.size))
    number = design.dummies.sum(axis=0)
    weights = design.weights
    if weights is None:
        weights = (design.dummies / np.where(number > 0, number, np.nan)).T
    out, rest = [], weights
    for dummies in larger:
        mean = (weights @ dummies) / dummies.sum(axis=0)
        out.append((mean * dummies.sum(axis=0)) @ mean.T)
        rest = rest - mean @ dummies.T
    # Means over units that cross overlap: the part of plots may count below zero.
    return (*out, rest @ weights.T)
