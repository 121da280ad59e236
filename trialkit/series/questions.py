"""What is asked of a series: one variable on the days of a window, over all trials, and pooled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.inference.design.layout import IntArray
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.effects import TrialEstimates, trial_estimates
from trialkit.inference.pooling.points import OneTrial
from trialkit.inference.pooling.random_effects import PooledFit, pool
from trialkit.series.matched import (
    WHOLE,
    FloatArray,
    LogRatios,
    Matched,
    Measure,
    SeriesVariable,
)
from trialkit.trial import VariableRole

#: Trials that must have a treatment before anything is claimed of it over all of them.
LEAST_CLAIMED = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """One question, with the trials that answer it.

    Attributes
    ----------
    variable : SeriesVariable
    measure, window : str
    treatments : tuple of str
        Those with a log ratio in any trial, in the order of the series.
    cells : mapping of str to LogRatios
        By key of the trial, in the order of the series.
    data : TrialEstimates
        The same as arrays; codes of treatments are places in ``treatments``.
    fit : PooledFit or OneTrial
    claimed : tuple of str
        Treatments of which something may be claimed over all trials: those in two trials at the
        least, where the series has more than one.
    """

    variable: SeriesVariable
    measure: Measure
    window: str
    treatments: tuple[str, ...]
    cells: Mapping[str, LogRatios]
    data: TrialEstimates
    fit: PooledFit | OneTrial
    claimed: tuple[str, ...]

    @property
    def trials(self) -> tuple[str, ...]:
        """Keys of the trials."""
        return tuple(self.cells)

    @property
    def key(self) -> dict[str, str]:
        """What names the question in every table."""
        return {
            "variable": self.variable.name,
            "measure": self.measure,
            "window": self.window,
        }

    @property
    def of_harm(self) -> bool:
        """Whether less of the variable is better: of natural enemies more is."""
        return self.variable.role is not VariableRole.NATURAL_ENEMY

    @property
    def pooled(self) -> PooledFit | None:
        """The fit, where there are trials to pool."""
        return self.fit if isinstance(self.fit, PooledFit) else None


def questions(matched: Matched) -> Iterator[Asked]:
    """Ask every question that a trial answers, in the order of the tables.

    Treatments that are in no trial with others to pool them with (no treatment in two trials) are
    asked of each trial on its own: such questions have the trials' own estimates side by side.
    """
    for variable in matched.variables:
        for window in matched.windows:
            yield from _asked(matched, variable, "control", window.name)
        yield from _asked(matched, variable, "pest_days", WHOLE)


def _asked(
    matched: Matched, variable: SeriesVariable, measure: Measure, window: str
) -> Iterator[Asked]:
    cells = matched.cells(variable.name, measure, window)
    if not cells:
        return
    seen = {name for cell in cells.values() for name in cell.treatments}
    treatments = tuple(name for name, _ in matched.treatments if name in seen)
    data = estimates_of(cells, treatments)
    fit: PooledFit | OneTrial
    try:
        fit = pool(data)
    except NotEstimable:
        fit = _side_by_side(data)
    yield Asked(
        variable=variable,
        measure=measure,
        window=window,
        treatments=treatments,
        cells=cells,
        data=data,
        fit=fit,
        claimed=in_enough(treatments, data.trials_of, len(matched.trials)),
    )


def in_enough(treatments: Sequence[str], trials_of: ArrayLike, trials: int) -> tuple[str, ...]:
    """Treatments of which something may be claimed over all trials of a series.

    What one trial alone has tested was seen at one site: of two trials or more it is shown, and
    nothing is claimed of it.
    """
    least = min(trials, LEAST_CLAIMED)
    return tuple(
        name
        for name, number in zip(treatments, np.asarray(trials_of), strict=True)
        if number >= least
    )


def estimates_of(cells: Mapping[str, LogRatios], treatments: tuple[str, ...]) -> TrialEstimates:
    """Log ratios of several trials as arrays; treatments by their places."""
    place = {name: code for code, name in enumerate(treatments)}
    codes: list[IntArray] = [
        np.array([place[name] for name in cell.treatments], dtype=np.intp)
        for cell in cells.values()
    ]
    return trial_estimates(
        [cell.estimates for cell in cells.values()],
        [cell.covariance for cell in cells.values()],
        codes,
        [cell.counted for cell in cells.values()],
    )


def _side_by_side(data: TrialEstimates) -> OneTrial:
    """Estimates of one trial, or of several that have no treatment in common."""
    estimates = np.zeros(data.n_treatments)
    estimates[data.treatment] = data.estimate
    covariance: FloatArray = np.zeros((data.n_treatments, data.n_treatments))
    for trial, part in enumerate(data.covariances):
        codes = data.treatment[data.trial == trial]
        covariance[np.ix_(codes, codes)] = part
    return OneTrial(estimates=estimates, covariance=covariance)
