"""Means as a report shows them: least-squares means where they differ, and what is odd."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.plots.responses import FloatArray, PlotPlan, Response
from trialkit.inference.design.scales import TransformName
from trialkit.inference.normal.linear import fit_layout

ADJUSTED = "plots are missing: the mean shown is the least-squares mean"
BY_PLAN = "no block holds all treatments: the mean shown is the least-squares mean"
ORDER = (
    "letters are those of the scale of analysis, where means stand in another order than as counted"
)
#: Difference of means, over their size, that is none.
_ROUNDING = 1e-9


def with_shown_means(
    means: pd.DataFrame,
    plan: PlotPlan,
    responses: Sequence[Response],
    scales: Sequence[TransformName],
    *,
    incomplete: bool = False,
) -> pd.DataFrame:
    """Add to the table of means what a report shows, and where letters and means disagree.

    ``mean_shown`` is the mean as counted; where plots of the response are missing the least-squares
    mean on the counted scale, as the arithmetic mean of a treatment that lost a plot is also that
    of the blocks it is left in. In blocks that are incomplete by plan the same holds of yields; of
    counts, percent control compares the means as counted.
    ``note`` says so, and marks each mean whose place among the means
    shown is not that of its letters.

    Parameters
    ----------
    means : DataFrame
        One row a treatment for each response, response after response.
    plan : PlotPlan
    responses : sequence of Response
    scales : sequence of str
        Scale of analysis of each response.
    incomplete : bool
        Whether no block holds all treatments by plan.
    """
    size = len(plan.treatments)
    shape = (len(responses), size)
    mean = means["mean"].to_numpy(dtype=float).reshape(shape)
    analysed = means["mean_analysed"].to_numpy(dtype=float).reshape(shape)
    letters = means["letters"].to_numpy(dtype=object).reshape(shape)
    values = np.column_stack([item.values for item in responses])
    gaps = np.isnan(values).any(axis=0) & ~np.isnan(values).all(axis=0)
    if incomplete:
        gaps |= np.array([item.measure == "yield" for item in responses])
    shown = mean.copy()
    plain = gaps & np.array([name == "none" for name in scales])
    shown[plain] = np.where(np.isfinite(analysed[plain]), analysed[plain], mean[plain])
    other = np.flatnonzero(gaps & ~plain)
    if other.size:
        for fit in fit_layout(plan.layout, values[:, other]):
            found = fit.means.T
            columns = other[fit.columns]
            shown[columns] = np.where(np.isfinite(found), found, mean[columns])
    said = BY_PLAN if incomplete else ADJUSTED
    moved = np.abs(shown - mean) > _ROUNDING * np.maximum(np.abs(mean), 1e-300)
    return means.assign(mean_shown=shown.ravel(), note=_notes(shown, letters, moved, said).ravel())


def _notes(
    shown: FloatArray, letters: NDArray[np.object_], moved: NDArray[np.bool_], said: str = ADJUSTED
) -> NDArray[np.object_]:
    notes = np.full(shown.shape, None, dtype=object)
    notes[moved] = said
    first = np.array([[_first(text) for text in row] for row in letters], dtype=float)
    last = np.array([[_last(text) for text in row] for row in letters], dtype=float)
    # Larger as shown, and yet with later letters of which the other has none.
    larger = shown[:, :, None] > shown[:, None, :] * (1.0 + _ROUNDING)
    with np.errstate(invalid="ignore"):
        against = larger & (first[:, :, None] > last[:, None, :])
    odd = against.any(axis=2) | against.any(axis=1)
    for place in zip(*np.nonzero(odd), strict=True):
        notes[place] = ORDER if notes[place] is None else f"{notes[place]}; {ORDER}"
    return notes


def _places(text: object) -> list[int]:
    """Places of letters: small ones first, then capitals."""
    if not isinstance(text, str):
        return []
    return [ord(letter) + (200 if letter.isupper() else 0) for letter in text if letter.isalpha()]


def _first(text: object) -> float:
    return float(min(_places(text), default=np.nan))


def _last(text: object) -> float:
    return float(max(_places(text), default=np.nan))
