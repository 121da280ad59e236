"""Shares k of n in split-plots and strip-plots: each factor tested in its own stratum.

Logits of shares with the variance of the beta-binomial. Items of one plot resemble each other, so
that n of them are worth ``n / (1 + (n - 1) * correlation)`` independent ones; the correlation is
found by moments in the stratum (Williams DA 1982, Appl. Stat. 31:144-148, reference from memory).
A plot enters by its empirical logit, half an item added on each side to what plots are worth as a
rule (Cox DR 1970, The Analysis of Binary Data, Methuen), weighted by what its own
items are worth.

The shares of a larger unit (main plot, strip) are averaged over its plots and analysed as one, with
the groups of these units as blocks: its variance holds whatever makes such units differ. What
happens inside the larger units is analysed with a level of its own for each of them, as
`trialkit.inference.glm.count_strata` does for counts. Weights leave out ``p * (1 - p)``: from few
plots it is known too badly. Deviances of a logit model, and the likelihood of the beta-binomial,
were tried and left: where shares are small or main plots much alike within they rejected 6 to 10 %
at 5 % and did not settle in up to nine of ten strip-plots. Simulated null trials are in
tests/benchmarks/null_strata_shares.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from trialkit.inference.design.bases import indicator
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout
from trialkit.inference.glm.share_model import correlation_root
from trialkit.inference.glm.strata_terms import (
    SOURCES,
    ModelTest,
    refuse_others,
    together,
    within_units,
)
from trialkit.inference.glm.weighted_fit import Effects, effects, information, regular, scaffold

_ROUNDS: Final = 6
# Sums of squares below this part of what they are taken from are 0 but for rounding.
_EXACT: Final = 1e-10
_LEAST_EVENNESS: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stratum:
    """The error of one stratum.

    Attributes
    ----------
    codes : (n,) int array
        Unit of each plot; of the smallest stratum the plot itself.
    correlation : (m,) float array
        Of the items of a unit, what lies above it taken out; 0 where units differ no more than
        chance would have it.
    df_error : (m,) float array
    factor : (u, m) float array
        Variance of the share of each unit over ``p * (1 - p)``, with p the mean of its treatment;
        NaN where missing.
    """

    codes: IntArray
    correlation: FloatArray
    df_error: FloatArray
    factor: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShareStrata:
    """Tests of m responses, and the errors that they were made with.

    Attributes
    ----------
    terms : tuple of ModelTest
        ``treatment``, ``main``, ``sub``, ``main:sub``. ``deviance`` is the sum of squares over
        the variance of its error, ``dispersion`` the correlation of items in its stratum.
    larger : tuple of Stratum
        Main plots, or strips of the main and of the sub factor.
    plots : Stratum
    """

    terms: tuple[ModelTest, ...]
    larger: tuple[Stratum, ...]
    plots: Stratum


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Data:
    """Shares and numbers of items, (units, m), NaN where missing."""

    shares: FloatArray
    items: FloatArray


def share_strata(layout: Layout, hits: FloatArray, items: FloatArray) -> ShareStrata:
    """Test the factors of a split-plot or strip-plot on shares k of n.

    Parameters
    ----------
    layout : Layout
        Main treatments are tested on main plots, sub treatments within; with strips each factor
        on its own strips.
    hits, items : (n,) or (n, m) float array
        Items hit and items examined in each plot; NaN, or none examined, where a plot is missing.
        A larger unit that lacks plots is judged by those it has, put right for what the other
        factor does to them (approximate).

    Raises
    ------
    ValueError
        Lengths that differ, hits that are negative or more than the items, no larger unit or
        more than two kinds.
    """
    data = _read(hits, items, layout.n_plots)
    refuse_others(layout)
    combined = layout.combinations.inside_units
    both, none = effects(combined), effects(combined, treatment=False)
    found: dict[str, ModelTest] = {}
    strata = []
    for place in range(len(layout.units)):
        found[SOURCES[place]], stratum = _between(layout, place, data)
        strata.append(stratum)
    inside = _weighted(both, data)
    if len(layout.units) == 1:
        part = effects(within_units(layout, "sub"))
        found["sub"] = _tested("sub", inside, none, part)
        found["main:sub"] = _tested("main:sub", inside, part, both)
    else:
        found["main:sub"] = _tested("main:sub", inside, none, both)
    terms = [found[source] for source in SOURCES]
    return ShareStrata(
        terms=(together(terms), *terms),
        larger=tuple(strata),
        plots=inside.stratum(np.arange(layout.n_plots)),
    )


def _read(hits: FloatArray, items: FloatArray, n_plots: int) -> _Data:
    k, n = np.asarray(hits, dtype=np.float64), np.asarray(items, dtype=np.float64)
    k, n = (part[:, None] if part.ndim == 1 else part for part in (k, n))
    if len(k) != n_plots or k.shape != n.shape:
        raise ValueError("hits and items must have one row for each plot")
    present = np.isfinite(k) & np.isfinite(n) & (n > 0.0)
    if np.any(k[present] < 0.0) or np.any(k[present] > n[present]):
        raise ValueError("hits must lie between 0 and the number of items")
    number = np.where(present, n, np.nan)
    return _Data(shares=k / number, items=number)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Weighted:
    """Empirical logits and their weights, 0 where missing, (units, m); the error, (m,).

    ``evenness`` is the mean of ``p * (1 - p)`` over that of treatments as a whole: less than 1
    where the blocks or larger units of one treatment lie apart.
    """

    present: BoolArray
    items: FloatArray
    logits: FloatArray
    worth: FloatArray
    correlation: FloatArray
    df_error: FloatArray
    error: FloatArray
    evenness: FloatArray

    def stratum(self, codes: IntArray) -> Stratum:
        """What the limits need of this stratum."""
        factor = (1.0 + (self.items - 1.0) * self.correlation) / self.items
        return Stratum(
            codes=codes,
            correlation=self.correlation,
            df_error=self.df_error,
            factor=np.where(self.present, self.evenness * factor, np.nan),
        )


def _weighted(model: Effects, data: _Data) -> _Weighted:
    """Weigh units by the correlation at which the Pearson chi-square equals its df."""
    present = np.isfinite(data.shares)
    share, n = (np.where(present, part, 1.0) for part in (data.shares, data.items))
    frame = scaffold(model, present)
    df = (present.sum(axis=0) - frame.rank).astype(np.float64)
    number = np.maximum(present.sum(axis=0), 1)
    more = np.where(present, n - 1.0, 0.0)
    correlation: FloatArray = np.zeros(df.shape)
    for _ in range(_ROUNDS):
        factor = np.where(present, (1.0 + (n - 1.0) * correlation) / n, 0.0)
        worth = np.where(present, 1.0 / np.where(present, factor, 1.0), 0.0)
        # The same for plots of few and of many items: none of 20 is no more than none of 50.
        typical = number / np.maximum(factor.sum(axis=0), 1e-12)
        drawn_in = (typical * share + 0.5) / (typical + 1.0)
        logits = special.logit(drawn_in)
        fitted = special.expit(_fitted(model, worth, logits))
        chance = fitted * (1.0 - fitted) / n
        apart = (drawn_in - fitted) * (typical + 1.0) / typical
        correlation = correlation_root(np.where(present, apart**2 / chance, 0.0), more, df)
    # The limits need what the shares themselves are apart, or they are too close for rare hits.
    some = present & ((share > 0.0) & present).any(axis=0) & ((share < 1.0) & present).any(axis=0)
    correlation = correlation_root(np.where(some, (share - fitted) ** 2 / chance, 0.0), more, df)
    return _Weighted(
        present=present,
        items=n,
        logits=logits,
        worth=worth,
        correlation=correlation,
        df_error=df,
        error=_left(model, worth, logits),
        evenness=_evenness(model, present, fitted),
    )


def _evenness(model: Effects, present: BoolArray, fitted: FloatArray) -> FloatArray:
    member = model.columns[:, : model.sources[0][2]].T
    number = member @ present.astype(float)
    inside = member @ np.where(present, fitted * (1.0 - fitted), 0.0)
    mean = (member @ np.where(present, fitted, 0.0)) / np.maximum(number, 1.0)
    whole = (number * mean * (1.0 - mean)).sum(axis=0)
    ratio: FloatArray = inside.sum(axis=0) / np.where(whole > 0.0, whole, 1.0)
    bounded: FloatArray = np.clip(ratio, _LEAST_EVENNESS, 1.0)
    return bounded


def logit_shares(model: Effects, shares: FloatArray, items: FloatArray) -> FloatArray:
    """Shares that a model of empirical logits, weighted by items, expects, (n, m).

    Parameters
    ----------
    model : Effects
    shares, items : (n, m) float array
        0 items where a plot is missing; what is expected there is given too.
    """
    logits = special.logit((items * shares + 0.5) / (items + 1.0))
    expected: FloatArray = special.expit(_fitted(model, items, logits))
    return expected


def _fitted(model: Effects, weights: FloatArray, values: FloatArray) -> FloatArray:
    solution = _solved(model, weights, values)
    fitted: FloatArray = model.columns @ solution.T
    return fitted


def _solved(model: Effects, weights: FloatArray, values: FloatArray) -> FloatArray:
    """Weighted least squares, one solution of each response, (m, p)."""
    frame = scaffold(model, weights > 0.0)
    matrix, _ = regular(frame, information(model, weights))
    right = (weights * values).T @ model.columns
    return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0], dtype=np.float64)


def _left(model: Effects, weights: FloatArray, values: FloatArray) -> FloatArray:
    residual = values - _fitted(model, weights, values)
    left: FloatArray = (weights * residual**2).sum(axis=0)
    return left


def _tested(source: str, weighed: _Weighted, without: Effects, within: Effects) -> ModelTest:
    """Test what one model has beyond another, over the error of all combinations."""
    squares = [_left(model, weighed.worth, weighed.logits) for model in (without, within)]
    ranks = [scaffold(model, weighed.present).rank for model in (without, within)]
    df, df_error = (ranks[1] - ranks[0]).astype(np.float64), weighed.df_error
    whole = (weighed.worth * weighed.logits**2).sum(axis=0)
    some = (df > 0.0) & (df_error > 0.0) & (weighed.error > _EXACT * np.maximum(whole, 1e-300))
    gain = np.maximum(squares[0] - squares[1], 0.0)
    scale = np.where(some, weighed.error / np.maximum(df_error, 1.0), np.nan)
    F = gain / np.maximum(df, 1.0) / scale
    p: FloatArray = np.asarray(special.fdtrc(np.maximum(df, 1.0), np.maximum(df_error, 1.0), F))
    return ModelTest(
        source=source,
        df=df,
        df_error=np.where(some, df_error, np.nan),
        deviance=gain / scale,
        F=F,
        p=p,
        dispersion=weighed.correlation,
        converged=np.ones(df.shape, dtype=bool),
    )


def _between(whole: Layout, place: int, data: _Data) -> tuple[ModelTest, Stratum]:
    """Test the main (0) or the sub factor (1) on the shares of its units."""
    codes, other = whole.units[place][1], whole.factors[1 - place].codes
    layout = whole.of_units(place)
    model = effects(layout)
    weighed = _weighted(model, _averages(codes, other, data))
    term = _tested(SOURCES[place], weighed, effects(layout, treatment=False), model)
    return term, weighed.stratum(codes)


def _averages(codes: IntArray, other: IntArray, data: _Data) -> _Data:
    """Shares of larger units, plots of the same weight, and how many items know as much.

    Where plots are missing the logit of a share is moved by what the other factor lets expect of
    those that are there, against all.
    """
    member = indicator(codes, int(codes.max()) + 1).T
    known = np.isfinite(data.shares)
    number = member @ known.astype(float)
    some = np.where(number > 0.0, number, np.nan)
    share = member @ np.where(known, data.shares, 0.0) / some
    items = some**2 / (member @ np.where(known, 1.0 / data.items, 0.0))
    whole = np.bincount(codes)[:, None]
    lacking = np.isfinite(share) & (number < whole)
    if lacking.any():
        expected = _expected(codes, other, data)
        moved = special.logit(member @ expected / whole) - special.logit(
            np.where(lacking, member @ np.where(known, expected, 0.0) / some, 0.5)
        )
        inside = lacking & (share > 0.0) & (share < 1.0)
        safe = np.where(inside, share, 0.5)
        share = np.where(inside, special.expit(special.logit(safe) + moved), share)
    return _Data(shares=share, items=items)


def _expected(codes: IntArray, other: IntArray, data: _Data) -> FloatArray:
    """Share of each plot by the other factor, in a unit of average level, (n, m)."""
    known = np.isfinite(data.shares)
    n = np.where(known, data.items, 0.0)
    logits = special.logit((n * np.where(known, data.shares, 0.0) + 0.5) / (n + 1.0))
    size = int(other.max()) + 1
    model = effects(Layout(treatment=other, n_treatments=size, blocking=(("unit", codes),)))
    found = _solved(model, n, logits)  # (m, other levels and units)
    live = scaffold(model, known).live_columns
    unit = np.where(live, found, 0.0)[:, size:].sum(axis=1) / live[:, size:].sum(axis=1).clip(1)
    expected: FloatArray = special.expit(found[:, :size].T[other] + unit)
    return expected
