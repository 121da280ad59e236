"""Beside the tests of every response: randomisation tests, also of factors in larger units."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray
from trialkit.inference.design.scales import by_column, forward
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.permutation.randomisation import randomisation_test
from trialkit.inference.permutation.strata_randomisation import strata_randomisation

#: Arrangements of treatments that the randomisation test draws.
ARRANGEMENTS = 999


def randomised(basis: Basis, anova: pd.DataFrame) -> tuple[FloatArray, pd.DataFrame]:
    """Randomisation p of every response on its scale, and the analysis of variance with them."""
    layout, seed = basis.plan.layout, basis.settings.seed
    counted = np.column_stack([item.values for item in basis.responses])
    analysed = by_column(forward, basis.scales, counted)
    if layout.units:
        found = strata_randomisation(layout, analysed, draws=ARRANGEMENTS, seed=seed)
        by_source = {"main": found.main, "sub": found.sub, "main:sub": found.interaction}
        return found.overall, _with_sources(basis, anova, by_source)
    try:
        p = randomisation_test(layout, analysed, draws=ARRANGEMENTS, seed=seed).p
    except NotEstimable:  # rows and columns that do not cross fully cannot change places
        p = np.full(len(basis.responses), np.nan)
    return p, anova


def _with_sources(
    basis: Basis, anova: pd.DataFrame, by_source: dict[str, FloatArray]
) -> pd.DataFrame:
    p = {
        (item.variable.name, item.measure, _finite(item.day), source): float(values[j])
        for j, item in enumerate(basis.responses)
        for source, values in by_source.items()
    }
    lines = zip(
        anova["variable"], anova["measure"], anova["days_after"], anova["source"], strict=True
    )
    column = [p.get((name, measure, _finite(day), source)) for name, measure, day, source in lines]
    return anova.assign(p_randomised=pd.Series(column, dtype=float))


def _finite(day: float) -> float:
    """Undefined days are not equal to themselves."""
    return float(day) if np.isfinite(day) else np.inf
