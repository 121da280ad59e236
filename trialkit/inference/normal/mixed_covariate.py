"""Covariance adjustment in designs with several errors, by a mixed model.

The covariate enters as one regression among the fixed effects, main plots (strips) are random, and
the slope is the one that generalised least squares draws from between and within main plots
together. Variances by REML, degrees of freedom after Kenward and Roger. Checked against R (lme4,
pbkrtest, emmeans).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import Codes, Factor, FloatArray, Layout, factor
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.mixed import FixedTest, mixed_fit
from trialkit.inference.normal.mixed_means import MixedMeans

COVARIATE = "covariate"
_NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedCovariateFit:
    """Covariance analysis of one response of a split-plot or strip-plot.

    Attributes
    ----------
    n : int
        Plots used.
    slope, slope_se, slope_df, slope_p : float
        Change of the response with one unit of the covariate. NaN, as all that rests on it,
        where the covariate does not vary inside treatments and blocks.
    at : float
        Value of the covariate at which means are compared: its mean over the plots used.
    terms : tuple of FixedTest
        ``main``, ``sub``, ``main:sub``, adjusted for the covariate.
    treatments : FixedTest
        All groups of combinations together.
    slopes : FixedTest
        Test that all combinations have one slope.
    means, se, df : (t,) array
        Adjusted means of the groups.
    pair_variance : float
        Mean variance of a difference of two adjusted means.
    note : str
        Why there is no analysis; else ''.
    """

    n: int
    slope: float
    slope_se: float
    slope_df: float
    slope_p: float
    at: float
    terms: tuple[FixedTest, ...]
    treatments: FixedTest
    slopes: FixedTest
    means: FloatArray
    se: FloatArray
    df: FloatArray
    pair_variance: float
    note: str = ""

    def term(self, source: str) -> FixedTest:
        """Test of one factor; NaN where it could not be made."""
        return next((t for t in self.terms if t.source == source), _no_test(source))


def mixed_covariate(
    layout: Layout, response: FloatArray, covariate: FloatArray
) -> MixedCovariateFit:
    """Adjust one response of a split-plot or strip-plot for a covariate.

    Parameters
    ----------
    layout : Layout
        Groups are fixed. Larger units are random: their variances may fall below zero, as in sums
        of squares, so that tests keep their level.
    response : (n,) array
        NaN where a plot is missing.
    covariate : (n,) array
        Plots where it is NaN are left out.

    Raises
    ------
    ValueError
        Lengths that differ.
    """
    y, x = np.asarray(response, dtype=np.float64), np.asarray(covariate, dtype=np.float64)
    if y.shape != x.shape or y.shape != (layout.n_plots,):
        raise ValueError("response, covariate and codes must have one value for each plot")
    y = np.where(np.isnan(x), np.nan, y)
    weights = layout.weights
    random: dict[str, Codes] = dict(layout.units)
    groups = [factor(name, codes) for name, codes in layout.blocking]
    plain = (*((g.name,) for g in groups), ("main",), ("sub",), ("main", "sub"))
    model = FixedModel(
        factors={f.name: f for f in (*layout.factors, *groups)},
        terms=(*plain, (COVARIATE,)),
        covariates={COVARIATE: x},
    )
    seen = int(np.isfinite(y).sum())
    try:
        fit = mixed_fit(y, model, random=random, signed=True)
    except NotEstimable as problem:
        return _nothing(seen, len(weights), str(problem))
    place = fit.model.columns()[1][-1].start
    if not fit.kept[place] or not np.isfinite(fit.covariance).all():
        return _nothing(seen, len(weights), "the covariate does not vary inside treatments")
    slope = fit.contrasts(np.eye(len(fit.kept))[[place]])
    of_cells = MixedMeans.of(fit, ("main", "sub"))
    unseen = np.asarray(~weights.any(axis=1))
    means = of_cells.contrasts(weights)
    estimate, se, df = (part[:, 0] for part in (means.estimate, means.se, means.df))
    one, other = np.triu_indices(len(weights), 1)
    pairs = of_cells.contrasts(weights[one] - weights[other]).se[:, 0]
    pairs = pairs[np.isfinite(pairs) & ~unseen[one] & ~unseen[other]]
    return MixedCovariateFit(
        n=seen,
        slope=float(slope.estimate[0]),
        slope_se=float(slope.se[0]),
        slope_df=float(slope.df[0]),
        slope_p=float(slope.p[0]),
        at=float(x[fit.rows].mean()),
        terms=tuple(t for t in fit.anova() if t.source in ("main", "sub", "main:sub")),
        treatments=_together(of_cells, weights[~unseen & np.isfinite(estimate)]),
        slopes=_slopes(y, model, random),
        means=np.where(unseen, np.nan, estimate),
        se=np.where(unseen, np.nan, se),
        df=np.where(unseen, np.nan, df),
        pair_variance=float(np.mean(pairs**2)) if pairs.size else _NAN,
    )


def _together(means: MixedMeans, rows: FloatArray) -> FixedTest:
    """Test that all groups with a mean are alike."""
    size = len(rows)
    if size < 2:
        return _no_test("treatment")
    coding = Factor("treatment", np.arange(size), size).coding
    return means.joint(coding.T @ rows, "treatment")


def _slopes(y: FloatArray, model: FixedModel, random: Mapping[str, Codes]) -> FixedTest:
    """Test of the departures of the slopes of the combinations from a common one."""
    more = (("main", COVARIATE), ("sub", COVARIATE), ("main", "sub", COVARIATE))
    wide = FixedModel(
        factors=model.factors, terms=(*model.terms, *more), covariates=model.covariates
    )
    try:
        fit = mixed_fit(y, wide, random=random, signed=True)
    except NotEstimable:
        return _no_test("slopes")
    places = fit.model.columns()[1][-len(more) :]
    chosen = [i for place in places for i in range(place.start, place.stop) if fit.kept[i]]
    if not chosen or not np.isfinite(fit.covariance).all():
        return _no_test("slopes")
    return fit.test(np.eye(len(fit.kept))[chosen], "slopes")


def _no_test(source: str) -> FixedTest:
    return FixedTest(source=source, df=0, df_error=_NAN, F=_NAN, p=_NAN)


def _nothing(n: int, t: int, note: str) -> MixedCovariateFit:
    lost = np.full(t, np.nan)
    return MixedCovariateFit(
        n=n,
        slope=_NAN,
        slope_se=_NAN,
        slope_df=_NAN,
        slope_p=_NAN,
        at=_NAN,
        terms=(),
        treatments=_no_test("treatment"),
        slopes=_no_test("slopes"),
        means=lost,
        se=lost,
        df=lost,
        pair_variance=_NAN,
        note=note,
    )
