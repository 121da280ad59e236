"""What totals and plots say of the means of groups, given the dispersion of the plots."""

from __future__ import annotations

import numpy as np

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.laws.count_evidence import Evidence

#: Least and largest dispersion of a group.
DISPERSIONS = (1e-6, 150.0)
#: Added to a total, and least number of plots that a share is worth.
HALF = 0.5


def known_means(evidence: Evidence) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Means, plots and totals of the evidence, and what a total is taken about, (t, d, 1).

    A group of zeros is taken about one individual: its upper 95 % limit then is the exact
    one-sided limit of a Poisson count of none.
    """
    mean = np.where(np.isfinite(evidence.estimate), evidence.estimate, 0.0)[:, :, None]
    plots = np.maximum(evidence.plots, 1.0)[:, :, None]
    total = np.maximum(evidence.total, 0.0)[:, :, None]
    return mean, plots, total, np.where(mean > 0.0, HALF, 1.0)


def individuals_of_unit_mean(evidence: Evidence) -> FloatArray:
    """Individuals that a mean of one stands for in each group: its plots, (t, d, 1)."""
    mean, plots, total, _ = known_means(evidence)
    found: FloatArray = np.where(total > 0.0, total / np.where(mean > 0.0, mean, 1.0), plots)
    return found


def worth_of_shares(
    plots: FloatArray, items: FloatArray, dispersion: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How many items the plots of a group are worth, and what part of their variance is chance.

    Parameters
    ----------
    plots, items, dispersion : float arrays
        They broadcast. ``items`` is 0 where a share is measured.
    """
    single = np.where(items > 0.0, np.minimum(plots / np.maximum(items, 1e-300), 1.0), 0.0)
    factor = single + np.minimum(dispersion, 1.0) * (1.0 - single)
    worth: FloatArray = np.maximum(plots / factor - 1.0, HALF)
    return worth, single / factor
