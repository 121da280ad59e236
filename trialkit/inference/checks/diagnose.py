"""Everything that says whether an analysis of variance may be leaned on, response by response."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from trialkit.inference.checks.additivity import AdditivityTest, tukey_additivity
from trialkit.inference.checks.equal_variances import VarianceTest, levene
from trialkit.inference.checks.normality import shapiro_wilk
from trialkit.inference.checks.outliers import Outliers, studentized_residuals
from trialkit.inference.checks.reference import (
    Reference,
    drawn_p,
    layout_reference,
    spread_trend,
    spread_trend_p,
)
from trialkit.inference.checks.residual_space import layout_basis
from trialkit.inference.checks.verdict import Verdicts, verdict
from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.normal.linear import LinearFit

# With fewer error degrees of freedom the residuals have next to no shape of their own.
MINIMUM_DF: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosticsRow:
    """Diagnostics of one response.

    Attributes
    ----------
    column : int
        Which response.
    n, df_error : int
        Plots used and error degrees of freedom.
    cv_percent : float
        Coefficient of variation on the analysis scale.
    shapiro_w, shapiro_p : float
        Shapiro-Wilk of the residuals with the tabulated p-value.
    brown_forsythe_f, brown_forsythe_p : float
        Brown-Forsythe of the residuals by treatment, p from the F table.
    spread_trend : float
        Correlation of absolute residuals with fitted values.
    spread_trend_p : float
        NaN without draws.
    additivity_f, additivity_p : float
        Tukey's one degree of freedom; NaN in a layout without blocks.
    suggested_power, suggested_power_se : float
        Power of the response, as it was analysed, in which effects would add up.
    outlier : float
        Studentized residual of the plot that stands out most, with its sign.
    outlier_p : float
        Bonferroni p-value.
    outlier_plot : int
        Row of that plot in the layout; -1 where there is none.
    variance_p, normality_p : float
        What the verdicts go by: from the draws where there are any, else from the tables. That of
        the variance is twice the smaller one of Brown-Forsythe and spread trend.
    verdicts : Verdicts
    """

    column: int
    n: int
    df_error: int
    cv_percent: float
    shapiro_w: float
    shapiro_p: float
    brown_forsythe_f: float
    brown_forsythe_p: float
    spread_trend: float
    spread_trend_p: float
    additivity_f: float
    additivity_p: float
    suggested_power: float
    suggested_power_se: float
    outlier: float
    outlier_p: float
    outlier_plot: int
    variance_p: float
    normality_p: float
    verdicts: Verdicts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Diagnostics:
    """Diagnostics of all responses of one fit.

    Attributes
    ----------
    fit : LinearFit
    draws : int
        Draws behind the p-values of the verdicts; 0 where they come from tables.
    normality_w, normality_table_p, normality_p : (k,) array
        Shapiro-Wilk: W, tabulated p, and p for this layout.
    brown_forsythe : VarianceTest
        On residuals by treatment, with tabulated p.
    brown_forsythe_p : (k,) array
        For this layout.
    spread_trend, spread_trend_p : (k,) array
    variance_p : (k,) array
    additivity : AdditivityTest
    outliers : Outliers
        Rows are those of ``fit.plots``.
    """

    fit: LinearFit
    draws: int
    normality_w: FloatArray
    normality_table_p: FloatArray
    normality_p: FloatArray
    brown_forsythe: VarianceTest
    brown_forsythe_p: FloatArray
    spread_trend: FloatArray
    spread_trend_p: FloatArray
    variance_p: FloatArray
    additivity: AdditivityTest
    outliers: Outliers

    def rows(self) -> tuple[DiagnosticsRow, ...]:
        """List the responses one by one, in the order of ``fit.columns``."""
        fit, outliers = self.fit, self.outliers
        found = outliers.worst >= 0
        worst = np.where(found, outliers.worst, 0)
        largest = np.full(found.shape, np.nan)
        if found.any():
            largest = np.where(found, outliers.studentized[worst, np.arange(found.size)], np.nan)
            worst = fit.plots[worst]
        numbers = {
            "column": fit.columns,
            "cv_percent": fit.cv_percent,
            "shapiro_w": self.normality_w,
            "shapiro_p": self.normality_table_p,
            "brown_forsythe_f": self.brown_forsythe.statistic,
            "brown_forsythe_p": self.brown_forsythe.p,
            "spread_trend": self.spread_trend,
            "spread_trend_p": self.spread_trend_p,
            "additivity_f": self.additivity.F,
            "additivity_p": self.additivity.p,
            "suggested_power": self.additivity.power,
            "suggested_power_se": self.additivity.power_se,
            "outlier": largest,
            "outlier_p": outliers.p,
            "outlier_plot": np.where(found, worst, -1),
            "variance_p": self.variance_p,
            "normality_p": self.normality_p,
        }
        each = zip(*(values.tolist() for values in numbers.values()), strict=True)
        return tuple(self._row(dict(zip(numbers, line, strict=True))) for line in each)

    def _row(self, numbers: dict[str, Any]) -> DiagnosticsRow:
        return DiagnosticsRow(
            n=int(self.fit.plots.size),
            df_error=self.fit.df_error,
            verdicts=Verdicts(
                variance=verdict(numbers["variance_p"]),
                normality=verdict(numbers["normality_p"]),
                additivity=verdict(numbers["additivity_p"]),
                outliers=verdict(numbers["outlier_p"]),
            ),
            **numbers,
        )


def diagnose(
    fit: LinearFit,
    layout: Layout,
    *,
    alpha: float = 0.05,
    draws: int = 1999,
    seed: int | np.random.Generator = 1,
) -> Diagnostics:
    """Check the assumptions of all responses of a fit at once.

    Parameters
    ----------
    fit : LinearFit
    layout : Layout
        The one that was fitted.
    alpha : float
        Level of the limit for outliers.
    draws : int
        Draws of normal errors in this layout, shared by all responses; 0 to go by tables.
    seed : int or Generator
        Where the draws start.

    Returns
    -------
    Diagnostics
        NaN where a test is not available: fewer than three error degrees of freedom (variance,
        normality), no blocks (additivity), no error variance at all.

    Notes
    -----
    Tabulated p-values of Shapiro-Wilk and of the tests of variances hold for many independent
    values. In 4000 null trials of 8 treatments in 3 blocks the Brown-Forsythe test at 5 %
    rejected none, Levene's with means 19 %; drawn from the layout they reject 5 %.
    """
    space = layout_basis(layout, fit.plots)
    treatment = layout.treatment[fit.plots]
    # Without error variance the residuals are rounding, and nothing can be said of their shape.
    dead = ~(fit.ms_error > 0)
    residuals = np.where(dead, 0.0, fit.residuals)
    shaped = ~dead & (fit.df_error >= MINIMUM_DF)
    reference: Reference | None = None
    if draws > 0 and shaped.any():
        reference = layout_reference(space, treatment, draws, np.random.default_rng(seed))

    def known(values: FloatArray) -> FloatArray:
        return np.where(shaped, values, np.nan)

    normality = shapiro_wilk(residuals)
    w, table_p = known(normality.statistic), known(normality.p)
    spread = known(spread_trend(fit.fitted, residuals))
    forsythe = _kept(levene(residuals, treatment), shaped)
    if reference is None:
        normality_p, forsythe_p = table_p, forsythe.p
        spread_p = np.full(w.shape, np.nan)
        variance_p = forsythe_p
    else:
        normality_p = drawn_p(1 - w, reference.lack_of_normality)
        forsythe_p = drawn_p(forsythe.statistic, reference.brown_forsythe)
        spread_p = spread_trend_p(fit.fitted, spread, reference)
        variance_p = _smaller_of_two(forsythe_p, spread_p)
    return Diagnostics(
        fit=fit,
        draws=draws if reference is not None else 0,
        normality_w=w,
        normality_table_p=table_p,
        normality_p=normality_p,
        brown_forsythe=forsythe,
        brown_forsythe_p=forsythe_p,
        spread_trend=spread,
        spread_trend_p=spread_p,
        variance_p=variance_p,
        additivity=tukey_additivity(fit.fitted, residuals, space),
        outliers=studentized_residuals(residuals, fit.leverage, fit.df_error, alpha=alpha),
    )


def _smaller_of_two(first: FloatArray, second: FloatArray) -> FloatArray:
    """Combine two p-values by Bonferroni; where one is missing the other stands alone."""
    alone = np.where(np.isnan(first), second, first)
    both = np.minimum(1.0, 2 * np.minimum(first, second))
    return np.where(np.isnan(first) | np.isnan(second), alone, both)


def _kept(test: VarianceTest, shaped: np.ndarray) -> VarianceTest:
    return VarianceTest(
        statistic=np.where(shaped, test.statistic, np.nan),
        df1=test.df1,
        df2=test.df2,
        n_groups=test.n_groups,
    )
