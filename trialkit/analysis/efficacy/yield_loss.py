"""What pests cost: yield on pest-days within blocks."""

from __future__ import annotations

from collections.abc import Sized
from dataclasses import replace

import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import Response
from trialkit.analysis.result import table_of_parts
from trialkit.inference.design.layout import Layout
from trialkit.inference.normal.regression_on_covariate import CovariateRegression, regress_within
from trialkit.trial import VariableRole

#: Pest-days to which the loss is scaled.
PER = 100.0
#: Injury by the treatment itself is left out: it follows the dose, not the pest.
HARMFUL = (VariableRole.PEST, VariableRole.DAMAGE)


def loss_table(basis: Basis) -> pd.DataFrame:
    """Slope of each yield on the area under the curve of each pest and damage.

    ``basis`` names the line: ``over treatments`` runs through the treatment means and is judged by
    their scatter about it, so that it holds also where treatments do more than lower the pest.
    ``corrected`` is its slope freed of what pest-days are counted wrong by, which flattens every
    line; the lack of fit allows for that as well. ``within treatments`` is the same line among
    plots treated alike. In split-plots and strip-plots both compare plots of the same main plot
    (strips), as larger units err together.
    """
    layout = _within_units(basis)
    areas = [
        item
        for item in basis.responses
        if item.measure == "pest_days" and item.variable.role in HARMFUL
    ]
    parts: list[dict[str, Sized]] = []
    for crop in (item for item in basis.responses if item.measure == "yield"):
        for area in areas:
            found = regress_within(
                layout, crop.values, area.values, level=1.0 - basis.settings.alpha
            )
            if not found.reason:
                parts.append(_rows(crop, area, found))
    return table_of_parts("loss", parts)


def _within_units(basis: Basis) -> Layout:
    """Layout with main plots, or strips, taken out like blocks."""
    layout = basis.plan.layout
    units = tuple((f"unit {place}", codes) for place, codes in enumerate(basis.plan.units))
    return replace(layout, blocking=(*layout.blocking, *units)) if units else layout


def _rows(crop: Response, area: Response, found: CovariateRegression) -> dict[str, Sized]:
    lines = (
        ("over treatments", found.over_treatments),
        ("within treatments", found.within_treatments),
    )
    corrected = found.corrected
    nan = float("nan")
    return {
        "variable": [crop.variable.name] * len(lines),
        "pest": [area.variable.name] * len(lines),
        "basis": [name for name, _ in lines],
        "slope": [PER * line.slope for _, line in lines],
        "lower": [PER * line.lower for _, line in lines],
        "upper": [PER * line.upper for _, line in lines],
        "p": [line.p for _, line in lines],
        "p_lack_of_fit": [corrected.lack_of_fit_p, nan],
        "share_explained": [100.0 * found.share_of_treatments] * len(lines),
        "n": [float(found.n)] * len(lines),
        "corrected": [PER * corrected.slope, nan],
        "corrected_lower": [PER * corrected.lower, nan],
        "corrected_upper": [PER * corrected.upper, nan],
    }
