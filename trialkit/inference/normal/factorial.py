"""Factorial treatments, with or without treatments outside the factorial (the untreated).

The sum of squares of treatments is split into the factorial against what stands outside it, main
effects and interactions, each tested against the error of the layout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Literal

import numpy as np

from trialkit.inference.design.bases import indicator, orthogonal_addition
from trialkit.inference.design.layout import (
    BoolArray,
    Codes,
    Factor,
    FloatArray,
    IntArray,
    Layout,
    factor,
)
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.fit import Term, tested
from trialkit.inference.normal.linear import LinearFit, fit_layout, rounding_zero

Sums = Literal["sequential", "hierarchical", "marginal"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FactorialTreatments:
    """What each of ``t`` treatments is made of.

    Attributes
    ----------
    names : tuple of str
        Names of the factors.
    levels : (t, f) int array
        Level of each factor; -1 in all factors for treatments outside the factorial.
    n_levels : tuple of int
    """

    names: tuple[str, ...]
    levels: IntArray
    n_levels: tuple[int, ...]

    @property
    def inside(self) -> BoolArray:
        """Which treatments (t,) belong to the factorial."""
        return np.asarray(self.levels[:, 0] >= 0)

    def missing(self, present: BoolArray | None = None) -> tuple[tuple[int, ...], ...]:
        """Combinations of levels that no treatment (of those present) has."""
        rows = self.levels[self.inside if present is None else self.inside & present]
        have = {tuple(int(v) for v in row) for row in rows}
        return tuple(c for c in product(*map(range, self.n_levels)) if c not in have)


def factorial_treatments(factors: Sequence[tuple[str, Codes]]) -> FactorialTreatments:
    """Say what treatments are made of.

    Parameters
    ----------
    factors : sequence of (str, (t,) codes)
        Level of each factor in each treatment, -1 in all of them outside the factorial.

    Raises
    ------
    ValueError
        Fewer than two factors; levels that are not numbered 0, 1, 2, ...
    NotEstimable
        A treatment with only some factors; a combination twice; fewer than two treatments in the
        factorial.
    """
    if len(factors) < 2:
        raise ValueError("a factorial has at least two factors")
    levels = np.column_stack([np.asarray(codes).astype(np.intp) for _, codes in factors])
    outside = levels < 0
    if np.any(outside.any(axis=1) != outside.all(axis=1)):
        raise NotEstimable("a treatment has a level of some factors and none of others")
    rows = levels[~outside[:, 0]]
    if len(rows) < 2:
        raise NotEstimable("fewer than two treatments belong to the factorial")
    if len(np.unique(rows, axis=0)) != len(rows):
        raise NotEstimable("two treatments have the same combination of levels")
    for (name, _), column in zip(factors, rows.T, strict=True):
        if not np.array_equal(np.unique(column), np.arange(int(column.max()) + 1)):
            raise ValueError(f"levels of {name} must be numbered 0, 1, 2, ... without a gap")
    return FactorialTreatments(
        names=tuple(name for name, _ in factors),
        levels=levels,
        n_levels=tuple(int(v) + 1 for v in rows.max(axis=0)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FactorialFit:
    """Factorial analysis of all responses that have the same plots missing.

    Attributes
    ----------
    fit : LinearFit
        The layout's fit, with the means of all treatments.
    treatments : FactorialTreatments
    terms : tuple of Term
        ``outside`` (differences among several treatments outside the factorial),
        ``factorial against outside``, then main effects and interactions
        (``product``, ``rate``, ``product:rate``). Terms without degrees of freedom are kept,
        with ``df`` 0: their combinations are missing or hidden in the blocks.
    sums : str
        ``sequential``: each term given those before it. ``hierarchical``: given all that do not
        contain it. ``marginal``: given all others, at equal weights of the levels; agrees with
        the marginal means. All three are the same where all plots are there.
    missing : tuple of tuple of int
        Combinations of levels without a plot.
    """

    fit: LinearFit
    treatments: FactorialTreatments
    terms: tuple[Term, ...]
    sums: Sums
    missing: tuple[tuple[int, ...], ...]

    def term(self, source: str) -> Term:
        """Line of one source."""
        return next(t for t in self.terms if t.source == source)

    def level_rows(self, *names: str) -> FloatArray:
        """Coefficients (m, t) of the means of all combinations of the levels of some factors.

        None of a combination that lacks treatments: it has no mean.
        """
        places = [self.treatments.names.index(name) for name in names]
        inside, sizes = self.treatments.levels, self.treatments.n_levels
        levels = np.array(list(product(*(range(sizes[p]) for p in places))), dtype=np.intp)
        match = (inside[None, :, places] == levels[:, None, :]).all(axis=2)
        number = match.sum(axis=1)
        whole = number == np.prod([n for p, n in enumerate(sizes) if p not in places])
        return np.asarray(match * (whole / np.maximum(number, 1))[:, None])


def fit_factorial(
    layout: Layout,
    treatments: FactorialTreatments,
    responses: FloatArray,
    *,
    sums: Sums = "marginal",
) -> tuple[FactorialFit, ...]:
    """Split the treatments of a layout into the effects of a factorial.

    Parameters
    ----------
    layout : Layout
    treatments : FactorialTreatments
        One row for each treatment of the layout.
    responses : (n,) or (n, m) array
        NaN where a plot is missing.
    sums : {"marginal", "hierarchical", "sequential"}
        Sums of squares; ``marginal`` becomes ``hierarchical`` where combinations are missing,
        and the result says so.

    Returns
    -------
    tuple of FactorialFit
        One for each set of missing plots.

    Raises
    ------
    ValueError
        Treatments that do not fit the layout.
    """
    if len(treatments.levels) != layout.n_treatments:
        raise ValueError("say for every treatment of the layout what it is made of")
    if sums not in ("sequential", "hierarchical", "marginal"):
        raise ValueError("sums are sequential, hierarchical or marginal")
    y = np.asarray(responses, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    effects = _effects(treatments)
    out = []
    for fit in fit_layout(layout, y):
        missing = treatments.missing(fit.n > 0)
        used: Sums = "hierarchical" if missing and sums == "marginal" else sums
        values = y[np.ix_(fit.plots, fit.columns)]
        lines = _sums_of_squares(layout, fit, effects, values, used)
        out.append(
            FactorialFit(
                fit=fit,
                treatments=treatments,
                terms=tuple(tested(*line, ("error", fit.df_error, fit.ms_error)) for line in lines),
                sums=used,
                missing=missing,
            )
        )
    return tuple(out)


def _effects(treatments: FactorialTreatments) -> list[tuple[str, frozenset[str], FloatArray]]:
    """Name, factors and columns (t, q) of each effect, zero outside where it does not reach."""
    inside = treatments.inside
    t, n_outside = len(inside), int((~inside).sum())
    out: list[tuple[str, frozenset[str], FloatArray]] = []
    if n_outside:
        # Against the mean of what stands outside; with one untreated, against the untreated.
        contrast = np.where(inside, 1.0, 0.0)[:, None]
        if n_outside > 1:
            among = np.zeros((t, n_outside - 1))
            among[~inside] = Factor("outside", np.arange(n_outside), n_outside).coding
            out.append(("outside", frozenset({"outside"}), among))
        # The level of the factorial lies below all its effects, as an intercept does.
        out.append(("factorial against outside", frozenset(), contrast))
    coded = []
    for column, name in zip(treatments.levels.T, treatments.names, strict=True):
        part = factor(name, column[inside])
        table = np.zeros((t, part.n_levels - 1))
        table[inside] = part.coding[part.codes]
        coded.append(table)
    for size in range(1, len(coded) + 1):
        for chosen in combinations(range(len(coded)), size):
            block = np.ones((t, 1))
            for c in chosen:
                block = (block[:, :, None] * coded[c][:, None, :]).reshape(t, -1)
            names = [treatments.names[c] for c in chosen]
            out.append((":".join(names), frozenset(names), block))
    return out


def _sums_of_squares(
    layout: Layout,
    fit: LinearFit,
    effects: list[tuple[str, frozenset[str], FloatArray]],
    values: FloatArray,
    sums: Sums,
) -> list[tuple[str, int, FloatArray]]:
    """Source, df and sum of squares (k,) of each effect."""
    treatment = layout.treatment[fit.plots]
    zero = rounding_zero(values, len(values))
    y = values - values.mean(axis=0)
    start = np.full((y.shape[0], 1), 1.0 / np.sqrt(max(y.shape[0], 1)))
    for _, codes in layout.blocking:
        levels = np.unique(codes[fit.plots], return_inverse=True)[1].astype(np.intp)
        dummies = indicator(levels, int(levels.max(initial=0)) + 1)
        start = np.hstack([start, orthogonal_addition(start, dummies)])
    y = y - start @ (start.T @ y)
    columns = [block[treatment] for _, _, block in effects]
    lines = []
    for i, (source, names, _) in enumerate(effects):
        if sums == "sequential":
            others = columns[:i]
        elif sums == "hierarchical":
            others = [c for j, c in enumerate(columns) if j != i and not names < effects[j][1]]
        else:
            others = [c for j, c in enumerate(columns) if j != i]
        basis = start
        if others:
            basis = np.hstack([start, orthogonal_addition(start, np.hstack(others))])
        addition = orthogonal_addition(basis, columns[i])
        sum_sq = ((addition.T @ y) ** 2).sum(axis=0)
        lines.append((source, addition.shape[1], np.where(sum_sq <= zero, 0.0, sum_sq)))
    return lines
