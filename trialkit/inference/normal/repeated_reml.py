"""Repeated measures by REML: plots that miss days stay in, days are correlated by their distance.

Larger units have a lasting effect and one of each day. The errors of one plot follow a first-order
autoregression over the actual days, alone or beside a lasting plot effect, compound symmetry, or a
covariance with nothing assumed. Treatments (or the factors that larger units carry), days and their
interaction are tested with Kenward and Roger's degrees of freedom. Variances of larger units, and
of plots in them, may fall below zero as they do in sums of squares. Checked against R (lme4 with
pbkrtest, nlme).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import FloatArray, IntArray, Layout, factor
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance_structures import (
    Autoregressive,
    CompoundSymmetry,
    Structure,
    Unstructured,
)
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.mixed import FixedTest, MixedFit, Repeated, mixed_fit
from trialkit.inference.normal.repeated_contrasts import error_contrasts

StructureName = Literal[
    "autoregressive", "plot-autoregressive", "compound-symmetry", "unstructured"
]
STRUCTURES: tuple[StructureName, ...] = (
    "compound-symmetry",
    "autoregressive",
    "plot-autoregressive",
    "unstructured",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RepeatedRemlFit:
    """REML analysis of one variable over days.

    Attributes
    ----------
    structure : str
        ``autoregressive``, ``plot-autoregressive`` (the same beside a lasting plot effect),
        ``compound-symmetry`` or ``unstructured``.
    fit : MixedFit
    terms : tuple of FixedTest
        Blocking, its interactions with day, ``treatment`` (or the factors and their interactions),
        ``day``, and these with ``:day``.
    """

    structure: StructureName
    fit: MixedFit
    terms: tuple[FixedTest, ...]

    def term(self, source: str) -> FixedTest:
        """Test of one source."""
        return next(t for t in self.terms if t.source == source)


def repeated_reml(
    layout: Layout,
    responses: FloatArray,
    days: Sequence[float] | FloatArray,
    *,
    structure: StructureName = "autoregressive",
) -> RepeatedRemlFit:
    """Analyse one variable over days by REML, from all observations.

    Parameters
    ----------
    layout : Layout
        Groups are fixed, with effects of their own on each day; larger units are random.
    responses : (n, d) array
        One column a day, NaN where a plot was not assessed.
    days : (d,)
        Ascending; gaps may differ.
    structure : one of `STRUCTURES`
        With larger units ``plot-autoregressive`` or ``compound-symmetry``.

    Returns
    -------
    RepeatedRemlFit

    Raises
    ------
    ValueError
        Fewer than two days, days not ascending, lengths that differ.
    NotEstimable
        An unstructured covariance with too few plots; data that hold no information on the
        covariance.
    """
    y = np.asarray(responses, dtype=np.float64)
    when = np.asarray(days, dtype=np.float64)
    if y.ndim != 2 or y.shape != (layout.n_plots, when.size):
        raise ValueError("responses must have one row for each plot and one column for each day")
    if when.size < 2 or np.any(np.diff(when) <= 0):
        raise ValueError("repeated measures need at least two days in ascending order")
    d = when.size
    plot = np.repeat(np.arange(layout.n_plots), d)
    day = np.tile(np.arange(d), layout.n_plots)
    shape = _structure(layout, y, when, structure)
    random: dict[str, IntArray] = {}
    for name, codes in layout.units:
        code = np.unique(codes, return_inverse=True)[1][plot]
        random |= {name: code, f"{name}:day": code * d + day}
    if structure == "plot-autoregressive" or shape is None:
        random["plot"] = plot
    contrasts = None
    if shape is not None and not layout.units and not np.isinf(y).any():
        contrasts = error_contrasts(layout, ~np.isnan(y), shape, plot_effect=bool(random))
    fit = mixed_fit(
        y.reshape(-1),
        _model(layout, plot, day, d),
        random=random,
        repeated=None if shape is None else Repeated(subject=plot, time=day, structure=shape),
        signed=bool(layout.units),
        contrasts=contrasts,
    )
    return RepeatedRemlFit(structure=structure, fit=fit, terms=fit.anova())


def _structure(
    layout: Layout, y: FloatArray, days: FloatArray, name: StructureName
) -> Structure | None:
    """Covariance of the days of a plot; none where a lasting effect beside errors is all."""
    if name in ("autoregressive", "plot-autoregressive"):
        return Autoregressive(tuple(float(v) for v in days))
    if name == "compound-symmetry":
        return None if layout.units else CompoundSymmetry(days.size)
    if name == "unstructured":
        _enough_plots(layout, y)
        return Unstructured(days.size)
    raise ValueError(f"structure is one of {', '.join(STRUCTURES)}")


def _model(layout: Layout, plot: IntArray, day: IntArray, d: int) -> FixedModel:
    treated = layout.factors or (factor("treatment", layout.treatment, layout.n_treatments),)
    factors = {item.name: factor(item.name, item.codes[plot], item.n_levels) for item in treated}
    effects = [
        chosen
        for size in range(1, len(factors) + 1)
        for chosen in combinations(tuple(factors), size)
    ]
    factors["day"] = factor("day", day, d)
    terms: list[tuple[str, ...]] = []
    for name, codes in layout.blocking:
        factors[name] = factor(name, np.unique(codes, return_inverse=True)[1][plot])
        terms += [(name,), (name, "day")]
    terms += [*effects, ("day",), *((*effect, "day") for effect in effects)]
    return FixedModel(factors=factors, terms=tuple(terms))


def _enough_plots(layout: Layout, y: FloatArray) -> None:
    """An unstructured covariance needs as many df between complete plots as there are days.

    With fewer the likelihood has no top: some combination of days fits without error.
    """
    for fit in fit_layout(layout, y):
        if np.any(fit.ms_error == 0):
            raise NotEstimable("an unstructured covariance needs days on which plots vary")
    complete = ~np.isnan(y).any(axis=1)
    whole = fit_layout(layout, np.where(complete, 1.0, np.nan))[0]
    if whole.df_error < y.shape[1]:
        raise NotEstimable(
            f"an unstructured covariance of {y.shape[1]} days needs more plots: those seen on all "
            f"days leave {whole.df_error} degrees of freedom"
        )
