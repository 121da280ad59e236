"""Repeated measures by REML: plots that miss days stay in, days are correlated by their distance.

The errors of one plot follow a first-order autoregression over the actual days, alone or beside a
lasting plot effect, compound symmetry, or a covariance with nothing assumed. Treatments, days and
their interaction are tested with Kenward and Roger's degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
from trialkit.inference.normal.mixed import (
    DfMethod,
    Estimates,
    FixedTest,
    MixedFit,
    Repeated,
    differences,
    mixed_fit,
)
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
    days : (d,) array
    fit : MixedFit
    terms : tuple of FixedTest
        Blocking, its interactions with day, ``treatment``, ``day``, ``treatment:day``.
    covariance : (d, d) array
        Of the days of one plot.
    correlation_per_day : float
        Autoregressive: correlation of two measurements one day apart; NaN where it is
        negative over the shortest gap, and for other structures.
    """

    structure: StructureName
    days: FloatArray
    fit: MixedFit
    terms: tuple[FixedTest, ...]
    covariance: FloatArray
    correlation_per_day: float

    def term(self, source: str) -> FixedTest:
        """Test of one source."""
        return next(t for t in self.terms if t.source == source)

    def means(self) -> Estimates:
        """Least-squares means of treatments on each day; levels are (treatment, day)."""
        return self.fit.means("treatment", "day")

    def differences(self, control: int) -> Estimates:
        """Each treatment minus one of them, day by day; levels are (treatment, day)."""
        means = self.means()
        other = np.flatnonzero(means.levels[:, 0] != control)
        d = self.days.size
        same_day = control * d + means.levels[other, 1]
        out = differences(self.fit, means, [int(i) for i in other], [int(i) for i in same_day])
        return Estimates(
            levels=means.levels[other],
            coefficients=out.coefficients,
            estimate=out.estimate,
            se=out.se,
            df=out.df,
            t=out.t,
            p=out.p,
        )


def repeated_reml(
    layout: Layout,
    responses: FloatArray,
    days: Sequence[float] | FloatArray,
    *,
    structure: StructureName = "autoregressive",
    blocks_by_day: bool = True,
    method: DfMethod = "kenward-roger",
) -> RepeatedRemlFit:
    """Analyse one variable over days by REML.

    Parameters
    ----------
    layout : Layout
        Of the plots.
    responses : (n, d) array
        One column a day, NaN where a plot was not assessed.
    days : (d,)
        Ascending; gaps may differ.
    structure : one of `STRUCTURES`
    blocks_by_day : bool
        Block effects of their own on each day, as in `repeated_measures`.
    method : {"kenward-roger", "satterthwaite"}

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
    model = _model(layout, plot, day, d, blocks_by_day=blocks_by_day)
    shape: Structure
    if structure in ("autoregressive", "plot-autoregressive"):
        shape = Autoregressive(tuple(float(v) for v in when))
    elif structure == "compound-symmetry":
        shape = CompoundSymmetry(d)
    elif structure == "unstructured":
        _enough_plots(layout, y)
        shape = Unstructured(d)
    else:
        raise ValueError(f"structure is one of {', '.join(STRUCTURES)}")
    repeated = Repeated(subject=plot, time=day, structure=shape)
    random = {"plot": plot} if structure == "plot-autoregressive" else {}
    contrasts = None
    if blocks_by_day and not np.isinf(y).any():
        contrasts = error_contrasts(layout, ~np.isnan(y), shape, plot_effect=bool(random))
    fit = mixed_fit(
        y.reshape(-1),
        model,
        random=random,
        repeated=repeated,
        method=method,
        contrasts=contrasts,
    )
    own = fit.theta[len(random) :]
    per_day = float("nan")
    if isinstance(shape, Autoregressive) and own[1] > 0:
        per_day = float(own[1] ** (1.0 / shape.unit))
    return RepeatedRemlFit(
        structure=structure,
        days=when,
        fit=fit,
        terms=fit.anova(),
        covariance=shape.matrix(own) + (fit.theta[0] if random else 0.0),
        correlation_per_day=per_day,
    )


def _model(
    layout: Layout, plot: IntArray, day: IntArray, d: int, *, blocks_by_day: bool
) -> FixedModel:
    factors = {"treatment": factor("treatment", layout.treatment[plot], layout.n_treatments)}
    factors["day"] = factor("day", day, d)
    terms: list[tuple[str, ...]] = []
    for name, codes in layout.blocking:
        factors[name] = factor(name, np.unique(codes, return_inverse=True)[1][plot])
        terms.append((name,))
        if blocks_by_day:
            terms.append((name, "day"))
    terms += [("treatment",), ("day",), ("treatment", "day")]
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
