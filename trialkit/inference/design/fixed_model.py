"""Fixed effects of mixed models: factors coded to sum to zero, terms, means over a grid.

With this coding the mean over the levels of a factor, each with equal weight, has zeros in all
columns of that factor, so a least-squares mean is written down without any averaging.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from trialkit.inference.design.layout import BoolArray, Factor, FloatArray, IntArray

# Length of what is left of a column, relative to its own, below which it is a repetition.
_DEPENDENT = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedModel:
    """Factors and the terms made of them, the intercept understood.

    Attributes
    ----------
    factors : mapping of name to Factor
    terms : tuple of tuple of str
        Names of the factors in each term, in the order of the model:
        ``(("block",), ("main",), ("sub",), ("main", "sub"))``.
    covariates : mapping of name to (n,) array
        Covariates, entered after centring on their mean; a term may name them like a factor.
    """

    factors: Mapping[str, Factor]
    terms: tuple[tuple[str, ...], ...]
    covariates: Mapping[str, FloatArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        known = set(self.factors) | set(self.covariates)
        for term in self.terms:
            if not term or not set(term) <= known:
                raise ValueError(f"no such factor or covariate: {':'.join(term)}")

    @property
    def n(self) -> int:
        """Number of observations."""
        sizes = [len(f.codes) for f in self.factors.values()]
        sizes += [len(c) for c in self.covariates.values()]
        return sizes[0] if sizes else 0

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the terms, factors joined by a colon."""
        return tuple(":".join(term) for term in self.terms)

    def columns(self) -> tuple[FloatArray, tuple[slice, ...]]:
        """Design matrix (n, P), intercept first, and the columns of each term."""
        parts, places, at = [np.ones((self.n, 1))], [], 1
        for term in self.terms:
            block = np.ones((self.n, 1))
            for name in term:
                block = row_products(block, self._coded(name))
            parts.append(block)
            places.append(slice(at, at + block.shape[1]))
            at += block.shape[1]
        return np.hstack(parts), tuple(places)

    def _coded(self, name: str) -> FloatArray:
        if name in self.factors:
            f = self.factors[name]
            return f.coding[f.codes]
        values = self.covariates[name]
        return np.asarray(values - np.nanmean(values))[:, None]

    def grid(self, names: Sequence[str]) -> tuple[IntArray, FloatArray]:
        """Coefficients of the least-squares means of all combinations of some factors.

        Returns
        -------
        (m, len(names)) level codes, the last factor running fastest, and (m, P) coefficients;
        other factors are averaged with equal weight to their levels, covariates at their mean.
        """
        levels = [range(self.factors[name].n_levels) for name in names]
        codes = np.array(list(product(*levels)), dtype=np.intp).reshape(-1, len(names))
        parts = [np.ones((len(codes), 1))]
        for term in self.terms:
            block = np.ones((len(codes), 1))
            for name in term:
                if name in names:
                    coding = self.factors[name].coding[codes[:, list(names).index(name)]]
                else:
                    width = self.factors[name].n_levels - 1 if name in self.factors else 1
                    coding = np.zeros((len(codes), width))
                block = row_products(block, coding)
            parts.append(block)
        return codes, np.hstack(parts)

    def take(self, rows: IntArray) -> FixedModel:
        """Keep some observations."""
        return FixedModel(
            factors={k: Factor(k, f.codes[rows], f.n_levels) for k, f in self.factors.items()},
            terms=self.terms,
            covariates={k: c[rows] for k, c in self.covariates.items()},
        )

    def without(self, terms: Iterable[tuple[str, ...]]) -> FixedModel:
        """Leave out some terms."""
        out = set(terms)
        kept = tuple(term for term in self.terms if term not in out)
        return FixedModel(factors=self.factors, terms=kept, covariates=self.covariates)

    def containing(self, term: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
        """Terms that hold all factors of ``term`` and more."""
        return tuple(t for t in self.terms if set(t) > set(term))


def row_products(left: FloatArray, right: FloatArray) -> FloatArray:
    """All products of a column of ``left`` with one of ``right``, row by row."""
    return np.asarray((left[:, :, None] * right[:, None, :]).reshape(len(left), -1))


def independent_columns(x: FloatArray) -> BoolArray:
    """Which columns (P,) add something to those before them."""
    n, p = x.shape
    if 0 < p <= n:
        # Where no column depends on others the triangle of one decomposition says so.
        left = np.abs(np.diagonal(np.linalg.qr(x, mode="r")))
        size = np.sqrt(np.einsum("ij,ij->j", x, x))
        if np.all((size > 0) & (left > 2 * _DEPENDENT * size)):
            return np.ones(p, dtype=bool)
    basis = np.zeros((n, min(n, p)))
    keep = np.zeros(p, dtype=bool)
    rank = 0
    for j in range(p):
        rest = x[:, j].copy()
        size = float(np.linalg.norm(rest))
        for _ in range(2):
            rest -= basis[:, :rank] @ (basis[:, :rank].T @ rest)
        left = float(np.linalg.norm(rest))
        if rank < n and size > 0 and left > _DEPENDENT * size:
            basis[:, rank] = rest / left
            keep[j] = True
            rank += 1
    return keep


def null_space(x: FloatArray) -> FloatArray:
    """Orthonormal columns (P, P - rank): combinations of effects that the data can't see."""
    # The triangle of x has the same null space and no more rows than columns.
    _, singular, right = np.linalg.svd(np.linalg.qr(x, mode="r"), full_matrices=True)
    rank = int((singular > _DEPENDENT * max(float(singular.max(initial=0.0)), 1.0)).sum())
    return np.asarray(right[rank:].T)
