"""Repeated measures of split-plots and strip-plots by REML: plots that miss days stay in.

Every unit has a lasting effect and one of each day (main plots, strips), the smallest plots a
lasting effect and errors of their days: independent, which on complete data is the split in time,
or falling off with distance (first-order autoregression over the actual days). Variances of units
may fall below zero as they do in sums of squares. Kenward and Roger's degrees of freedom; checked
against R (lme4 with pbkrtest, nlme).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import FloatArray, Layout, factor
from trialkit.inference.normal.covariance_structures import Autoregressive
from trialkit.inference.normal.mixed import FixedTest, MixedFit, Repeated, mixed_fit

StrataStructure = Literal["autoregressive", "independent"]
_WANTED = ("main", "sub", "main:sub", "main:day", "sub:day", "main:sub:day")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrataCoursesReml:
    """REML analysis of levels and courses of the factors of one variable.

    Attributes
    ----------
    structure : str
    fit : MixedFit
    terms : tuple of FixedTest
        ``main``, ``sub``, ``main:sub``, ``main:day``, ``sub:day``, ``main:sub:day``.
    """

    structure: StrataStructure
    fit: MixedFit
    terms: tuple[FixedTest, ...]

    def term(self, source: str) -> FixedTest:
        """Test of one source."""
        return next(t for t in self.terms if t.source == source)


def strata_courses_reml(
    layout: Layout,
    responses: FloatArray,
    days: FloatArray,
    *,
    structure: StrataStructure = "autoregressive",
) -> StrataCoursesReml:
    """Test levels and courses of the factors from all observations.

    Parameters
    ----------
    layout : Layout
        Groups are fixed, with effects of their own on each day; larger units are random.
    responses : (n, d) array
        One column a day; NaN where a plot was not assessed.
    days : (d,)
        Ascending; gaps may differ.
    structure : {"autoregressive", "independent"}
        Errors of the days of a plot, beside its lasting effect.

    Raises
    ------
    ValueError
        Fewer than two days, days not ascending, lengths that differ.
    NotEstimable
        Data that hold no information on the variances.
    """
    y, when = np.asarray(responses, dtype=np.float64), np.asarray(days, dtype=np.float64)
    n = layout.n_plots
    if y.shape != (n, when.size):
        raise ValueError("responses must have one row for each plot and one column for each day")
    if when.size < 2 or np.any(np.diff(when) <= 0):
        raise ValueError("repeated measures need at least two days in ascending order")
    d = when.size
    plot, day = np.repeat(np.arange(n), d), np.tile(np.arange(d), n)
    factors = {item.name: factor(item.name, item.codes[plot]) for item in layout.factors}
    factors["day"] = factor("day", day, d)
    terms: list[tuple[str, ...]] = []
    for name, codes in layout.blocking:
        factors[name] = factor(name, np.unique(codes, return_inverse=True)[1][plot])
        terms += [(name,), (name, "day")]
    terms += [("main",), ("sub",), ("main", "sub"), ("day",)]
    terms += [("main", "day"), ("sub", "day"), ("main", "sub", "day")]
    random = {}
    for name, codes in layout.units:
        code = np.unique(codes, return_inverse=True)[1][plot]
        random[name] = code
        random[f"{name}:day"] = code * d + day
    random["plot"] = plot
    repeated = None
    if structure == "autoregressive":
        shape = Autoregressive(tuple(float(v) for v in when))
        repeated = Repeated(subject=plot, time=day, structure=shape)
    fit = mixed_fit(
        y.reshape(-1),
        FixedModel(factors=factors, terms=tuple(terms)),
        random=random,
        repeated=repeated,
        signed=True,
    )
    found = {test.source: test for test in fit.anova()}
    return StrataCoursesReml(
        structure=structure, fit=fit, terms=tuple(found[source] for source in _WANTED)
    )
