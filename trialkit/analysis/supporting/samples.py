"""How much plots and samples within plots vary, and what more of either would have gained."""

from __future__ import annotations

from collections.abc import Mapping, Sized

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import in_order, with_place
from trialkit.analysis.plots.responses import Assessed, FloatArray, IntArray
from trialkit.analysis.result import empty_table
from trialkit.inference.normal.samples_in_plots import SamplingFit, fit_samples
from trialkit.trial import numbers_examined


def sample_table(basis: Basis) -> pd.DataFrame:
    """Variance of plots and of samples, on the scale as counted, one row a variable and day.

    Only where plots have more than one sample, and for shares k of n only where all samples are
    of the same number of units: others vary by their size too. ``se_mean`` is the standard error
    of a treatment mean; the other two are what it would have been with one more sample of each
    plot, and with one more plot of each treatment.
    """
    counts = basis.trial.counts
    if basis.tested is None or counts["sample"].isna().all():
        return empty_table("samples")
    plot_index = {plot: row for row, plot in enumerate(basis.plan.plots)}
    parts = []
    for number, item in enumerate(basis.assessed):
        if int(item.samples.max(initial=0)) < 2 or _uneven_units(basis, item):
            continue
        rows = counts[counts["variable"] == item.variable.name]
        owner = np.asarray(rows["plot"].map(plot_index), dtype=np.intp)
        day = np.searchsorted(item.days, rows["day"].to_numpy(dtype=float)).astype(np.intp)
        place, values = _by_day(owner, day, rows["value"].to_numpy(dtype=float), item.days.size)
        for fit in fit_samples(basis.tested.checked_layout, place, values):
            if fit.columns.size and np.isfinite(fit.sample_variance).any():
                kept = np.flatnonzero(np.isfinite(fit.sample_variance))
                place = number * len(basis.responses) + fit.columns[kept]
                parts.append(with_place(_rows(item, fit, kept), place, 1))
    return in_order("samples", parts)


def _uneven_units(basis: Basis, item: Assessed) -> bool:
    """Whether samples of a share k of n are of different numbers of units."""
    if item.examined is None:
        return False
    counts = basis.trial.counts
    numbers = numbers_examined(counts)[counts["variable"] == item.variable.name]
    return bool(numbers.min() != numbers.max())


def _by_day(
    owner: IntArray, day: IntArray, value: FloatArray, days: int
) -> tuple[IntArray, FloatArray]:
    """Bring samples into a table (samples, days), each row a sample of one plot."""
    cell = owner * days + day
    order = np.argsort(cell, kind="stable")
    ranked = np.empty(cell.size, dtype=np.intp)
    starts = np.searchsorted(cell[order], cell[order])
    ranked[order] = np.arange(cell.size) - starts
    most = int(ranked.max()) + 1
    rows = owner * most + ranked
    used, index = np.unique(rows, return_inverse=True)
    table = np.full((used.size, days), np.nan)
    table[index, day] = value
    return (used // most).astype(np.intp), table


def _rows(item: Assessed, fit: SamplingFit, kept: IntArray) -> Mapping[str, Sized]:
    now = np.sqrt((fit.plot_variance + fit.sample_variance / fit.samples) / fit.plots)
    more_samples, more_plots = fit.one_more()
    return {
        "variable": [item.variable.name] * kept.size,
        "days_after": item.days[fit.columns[kept]],
        "plots": np.full(kept.size, fit.plots),
        "samples": fit.samples[kept],
        "variance_plots": fit.plot_variance[kept],
        "variance_samples": fit.sample_variance[kept],
        "se_mean": now[kept],
        "se_one_more_sample": (now * more_samples.relative_se)[kept],
        "se_one_more_block": (now * more_plots.relative_se)[kept],
    }
