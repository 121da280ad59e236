"""Beside the tests of split-plots and strip-plots: randomisation tests of their factors."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import forward
from trialkit.inference.permutation.strata_randomisation import (
    StrataRandomisation,
    split_plot_randomisation,
    strip_plot_randomisation,
)


def strata_randomised(
    basis: Basis, anova: pd.DataFrame, draws: int
) -> tuple[FloatArray, pd.DataFrame]:
    """Randomisation p of every response, and the analysis of variance with that of each factor."""
    analysed = np.column_stack(
        [
            forward(scale, item.values)
            for item, scale in zip(basis.responses, basis.scales, strict=True)
        ]
    )
    found = _dealt(basis.plan.layout, analysed, draws, basis.settings.seed)
    keys = [(item.variable.name, item.measure, _finite(item.day)) for item in basis.responses]
    by_source = {"main": found.main, "sub": found.sub, "main:sub": found.interaction}
    p = {
        (*key, source): float(values[j])
        for j, key in enumerate(keys)
        for source, values in by_source.items()
    }
    lines = zip(
        anova["variable"], anova["measure"], anova["days_after"], anova["source"], strict=True
    )
    column = [p.get((name, measure, _finite(day), source)) for name, measure, day, source in lines]
    return found.overall, anova.assign(p_randomised=pd.Series(column, dtype=float))


def _dealt(layout: Layout, analysed: FloatArray, draws: int, seed: int) -> StrataRandomisation:
    main, sub = (item.codes for item in layout.factors)
    if len(layout.units) > 1:
        block = layout.blocking[0][1]
        return strip_plot_randomisation(main, sub, block, analysed, draws=draws, seed=seed)
    main_plot = layout.units[0][1]
    return split_plot_randomisation(
        main, sub, main_plot, analysed, blocking=layout.blocking, draws=draws, seed=seed
    )


def _finite(day: float) -> float:
    """Undefined days are not equal to themselves."""
    return float(day) if np.isfinite(day) else np.inf
