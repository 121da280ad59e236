"""Plots over days freed of fixed effects that each day has of its own.

Where every day has effects of its own of the blocking and the treatments, they can be taken out of
all days alike, once and for all. A value that is missing is one more fixed effect, of a plot that
was filled with anything. What remains are a few rows that are as independent of each other as the
plots were, with the same covariance over the days, and as many fixed effects as values are
missing. Their restricted likelihood is that of the plots (but for a constant), at a small part of
the work.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.checks.residual_space import layout_basis
from trialkit.inference.design.fixed_model import independent_columns
from trialkit.inference.design.layout import BoolArray, FloatArray, IntArray, Layout
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.covariance import CovarianceModel, covariance_model
from trialkit.inference.normal.covariance_structures import Structure
from trialkit.inference.normal.reml import RemlSolution, maximise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorContrasts:
    """Contrasts of plots that blocking and treatments leave.

    Attributes
    ----------
    seen : (n, d) bool array
        Values that are not missing.
    plots : (n_used,) int array
        Plots with any.
    beyond : (n_used, r) float array
        Orthonormal; at right angles to blocking and treatments.
    fixed : (r * d, q) float array
        What the missing values are worth in the contrasts, days running fastest.
    covariance : CovarianceModel
        Of the contrasts.
    """

    seen: BoolArray
    plots: IntArray
    beyond: FloatArray
    fixed: FloatArray
    covariance: CovarianceModel

    def maximise(self, response: FloatArray, start: FloatArray) -> RemlSolution:
        """Find the variances from the values seen, plot by plot."""
        table = np.zeros(self.seen.shape)
        table[self.seen] = response
        contrasts = self.beyond.T @ table[self.plots]
        return maximise(self.covariance, self.fixed, contrasts.reshape(-1), start)


def error_contrasts(
    layout: Layout, seen: BoolArray, structure: Structure, *, plot_effect: bool
) -> ErrorContrasts:
    """Make the contrasts of a layout.

    Parameters
    ----------
    layout : Layout
        Of the plots.
    seen : (n, d) bool array
        Values that are not missing.
    structure : Structure
        Covariance over the days of a plot.
    plot_effect : bool
        Whether plots have a lasting effect beside it.

    Raises
    ------
    NotEstimable
        Where treatments and blocks take all that the plots seen can tell.
    """
    plots = np.flatnonzero(seen.any(axis=1)).astype(np.intp)
    space = layout_basis(layout, plots)
    beyond = np.linalg.qr(space, mode="complete")[0][:, space.shape[1] :]
    r, d = beyond.shape[1], seen.shape[1]
    if r == 0:
        raise NotEstimable("no plot is left beyond the treatments and blocks")
    plot, day = np.nonzero(~seen[plots])
    worth = np.zeros((r, d, plot.size))
    worth[:, day, np.arange(plot.size)] = beyond[plot].T
    fixed = worth.reshape(r * d, plot.size)
    row, time = np.repeat(np.arange(r), d), np.tile(np.arange(d), r)
    return ErrorContrasts(
        seen=seen,
        plots=plots,
        beyond=beyond,
        fixed=fixed[:, independent_columns(fixed)],
        covariance=covariance_model(
            r * d,
            {"plot": row} if plot_effect else {},
            subject=row,
            time=time,
            structure=structure,
        ),
    )
