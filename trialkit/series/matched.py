"""What several trials give once treatments, variables and days are matched.

Who reads and matches the trials makes a `TrialMatch` of each, gets its estimates from
`trialkit.series.effects.effects_of(trial, tables, match)` (the trial, and the tables of its record
or analysis by name), and puts all of them into one `Matched` by `matched`;
`trialkit.series.pooled.pooled_tables(matched)` turns that into the tables of a series by name
(`trialkit.analysis.schema.series_tables`). Nothing here opens a file.

**Measures.** ``control`` is the ratio to the untreated on the days of a window (pests, damage,
natural enemies: what is left of them), ``pest_days`` that of the area under the curve, with the
window ``whole trial``. Both stand in the same tables, told apart by the column ``measure``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.trial import Comparison, VariableRole

FloatArray = npt.NDArray[np.float64]

Measure = Literal["control", "pest_days"]
#: The window of what is made of all days together.
WHOLE = "whole trial"
#: Columns of `MatchedControl.rows`, and what they hold.
CONTROL_ROWS = (
    "trial",
    "variable",
    "measure",
    "window",
    "treatment",
    "days_after",
    "log_ratio",
    "se",
    "percent",
    "lower",
    "upper",
    "note",
)
#: Columns of `TrialEffects.held`, and what they hold.
HELD_ROWS = (
    "trial",
    "variable",
    "treatment",
    "target",
    "days",
    "lower",
    "upper",
    "to_the_last",
    "note",
)


def nothing_held() -> pd.DataFrame:
    """Make the rows of how long the target was held where nothing is known of it."""
    return pd.DataFrame(columns=list(HELD_ROWS))


class Window(NamedTuple):
    """Days after the first application that are taken together, both ends in it."""

    name: str
    first: float
    last: float


#: Windows where nothing else is said (common practice, no source).
WINDOWS = (
    Window("1-4", 1, 4),
    Window("5-10", 5, 10),
    Window("11-17", 11, 17),
    Window("18-24", 18, 24),
    Window("25+", 25, float("inf")),
)


class Cell(NamedTuple):
    """One comparison of treatments in one trial."""

    trial: str
    variable: str
    measure: Measure
    window: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesSettings:
    """How a series is combined.

    Attributes
    ----------
    alpha : float
        Intervals hold 1 less alpha.
    target : float
        Percent control whose share of sites is told.
    margin : float
        Percentage points of control that may be lost and still be called not inferior.
    environments : {"random", "fixed"}
        Of yields and measurements: whether the trials stand for others (broad inference) or for
        themselves alone (narrow). Ratios to the untreated are always random over trials.
    comparison : Comparison
        Procedure that compares means over all trials.
    untreated, reference : str or None
        By their names in the series.
    """

    alpha: float = 0.05
    target: float = 80.0
    margin: float = 10.0
    environments: Literal["random", "fixed"] = "random"
    comparison: Comparison = Comparison.TUKEY
    untreated: str | None = None
    reference: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesTrial:
    """One trial of a series.

    Attributes
    ----------
    key : str
        Unique; stands in every table.
    title, site : str
    season : str
        As the trial says it.
    year : float or None
        Of the season, for a change over years.
    design : str
        Value of `trialkit.Design`.
    blocks, treatments, assessments : int or None
    first_day, last_day : float or None
        Days after the first application of the first and last assessment.
    covariates : mapping of str to float or None
        Whole words for a person ("rain after application, mm") to a number; None where unknown.
    note : str or None
    """

    key: str
    title: str
    site: str = ""
    season: str = ""
    year: float | None = None
    design: str = ""
    blocks: int | None = None
    treatments: int | None = None
    assessments: int | None = None
    first_day: float | None = None
    last_day: float | None = None
    covariates: Mapping[str, float | None] = field(default_factory=lambda: MappingProxyType({}))
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesVariable:
    """A variable of the series: name, label, role, unit, and of yields whether more is better."""

    name: str
    label: str
    role: VariableRole
    unit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialMatch:
    """What the names of one trial are in the series.

    Attributes
    ----------
    trial : str
        Key of the trial.
    treatments : mapping of str to str
        Id in the trial to the treatment of the series. What is not in it is left out. Two ids
        that are one treatment of the series (sown twice, or both rates taken as one) are averaged.
    variables : mapping of str to str
        Name in the trial to the variable of the series.
    factors : mapping of str to float
        Name in the trial to what its values are multiplied by to have the unit of the series;
        1 where nothing is said. Ratios need none.
    windows : tuple of Window
    """

    trial: str
    treatments: Mapping[str, str]
    variables: Mapping[str, str]
    factors: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    windows: tuple[Window, ...] = WINDOWS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogRatios:
    """Log ratios to the untreated of one `Cell`, with their covariance inside the trial.

    Attributes
    ----------
    treatments : tuple of str
        By their names in the series; the untreated is none of them.
    estimates : (t,) float array
        Natural logarithms of what is left as a share of the untreated, finite.
    covariance : (t, t) float array
        Sampling covariance; the shared untreated correlates all of them.
    df : float
        Degrees of freedom behind the dispersion of its plots; the covariance allows for them.
    counted : (t,) float array
        What of each variance comes from the number of individuals in the treatment's own plots.
    """

    treatments: tuple[str, ...]
    estimates: FloatArray
    covariance: FloatArray
    df: float
    counted: FloatArray

    def __post_init__(self) -> None:
        size = len(self.treatments)
        if self.estimates.shape != (size,) or self.covariance.shape != (size, size):
            raise ValueError("estimates and covariance must have one place for each treatment")
        if self.counted.shape != (size,):
            raise ValueError("there must be one share of chance for each treatment")
        if len(set(self.treatments)) != size:
            raise ValueError("a treatment stands twice among the log ratios of one trial")
        if not (np.isfinite(self.estimates).all() and np.isfinite(self.covariance).all()):
            raise ValueError("log ratios and their covariance must be finite")

    def of(self, treatments: tuple[str, ...]) -> LogRatios | None:
        """The log ratios of some treatments, of those that are there; None where none is."""
        places = [place for place, name in enumerate(self.treatments) if name in treatments]
        if not places:
            return None
        return LogRatios(
            treatments=tuple(self.treatments[place] for place in places),
            estimates=self.estimates[places],
            covariance=self.covariance[np.ix_(places, places)],
            df=self.df,
            counted=self.counted[places],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Means:
    """Least-squares means of one yield or measurement in one trial, with their errors.

    Attributes
    ----------
    trial, variable : str
        In the series.
    treatments : tuple of str
        By their names in the series, the untreated among them.
    means : (t,) float array
    unit_covariance : (t, t) float array
        Covariance of the means for an error variance of one; covariances of differences are what
        is used of it.
    error_variance : float
        Mean square of the error of plots.
    df : float
        Its degrees of freedom.
    plots : (t,) float array
        Plots behind each mean.
    note : str or None
    """

    trial: str
    variable: str
    treatments: tuple[str, ...]
    means: FloatArray
    unit_covariance: FloatArray
    error_variance: float
    df: float
    plots: FloatArray
    note: str | None = None

    def __post_init__(self) -> None:
        size = len(self.treatments)
        if self.means.shape != (size,) or self.unit_covariance.shape != (size, size):
            raise ValueError("means and covariance must have one place for each treatment")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialEffects:
    """What one trial gives to the series: made by `trialkit.series.effects.effects_of`.

    Attributes
    ----------
    rows : DataFrame
        One row a cell and treatment, columns `CONTROL_ROWS`. ``log_ratio`` is NaN where it could
        not be had, and the note says why; ``percent``, ``lower`` and ``upper`` are those of the
        trial itself (each interval on its own), so that a forest shows what the trial's report
        shows.
    ratios : mapping of Cell to LogRatios
    means : tuple of Means
    held : DataFrame
        One row a variable and treatment, columns `HELD_ROWS`: day until which the trial's own
        target was held with its limits, 0 where it was never reached; ``to_the_last`` where the
        end was not seen.
    """

    rows: pd.DataFrame
    ratios: Mapping[Cell, LogRatios]
    means: tuple[Means, ...] = ()
    held: pd.DataFrame = field(default_factory=nothing_held)

    def __post_init__(self) -> None:
        if tuple(self.rows.columns) != CONTROL_ROWS:
            raise ValueError(f"rows of control must have the columns {CONTROL_ROWS}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matched:
    """A series, matched and ready to be combined.

    Attributes
    ----------
    trials : tuple of SeriesTrial
        In the order of every table.
    treatments : tuple of (str, str)
        Name in the series and label, in the order of every table, the untreated among them.
    variables : tuple of SeriesVariable
    windows : tuple of Window
    settings : SeriesSettings
    rows : DataFrame
        As in `TrialEffects`, of all trials.
    ratios : mapping of Cell to LogRatios
    means : tuple of Means
    held : DataFrame
        As in `TrialEffects`, of all trials.
    """

    trials: tuple[SeriesTrial, ...]
    treatments: tuple[tuple[str, str], ...]
    variables: tuple[SeriesVariable, ...]
    windows: tuple[Window, ...]
    settings: SeriesSettings
    rows: pd.DataFrame
    ratios: Mapping[Cell, LogRatios]
    means: tuple[Means, ...] = ()
    held: pd.DataFrame = field(default_factory=nothing_held)

    def cells(self, variable: str, measure: Measure, window: str) -> dict[str, LogRatios]:
        """Log ratios of one question by trial, in the order of the trials."""
        found = {
            trial.key: self.ratios.get(Cell(trial.key, variable, measure, window))
            for trial in self.trials
        }
        return {key: value for key, value in found.items() if value is not None}


def matched(
    trials: tuple[SeriesTrial, ...],
    effects: tuple[TrialEffects, ...],
    *,
    treatments: tuple[tuple[str, str], ...],
    variables: tuple[SeriesVariable, ...],
    settings: SeriesSettings,
    windows: tuple[Window, ...] = WINDOWS,
) -> Matched:
    """Put the effects of all trials together.

    Parameters
    ----------
    trials : tuple of SeriesTrial
    effects : tuple of TrialEffects
        One for each trial, in the same order.
    treatments, variables, settings, windows
        As in `Matched`.

    Raises
    ------
    ValueError
        When trials have the same key, or there is not one of the effects for each.
    """
    keys = [trial.key for trial in trials]
    if len(set(keys)) != len(keys):
        raise ValueError("every trial of a series needs a key of its own")
    if len(effects) != len(trials):
        raise ValueError("there must be the effects of every trial")
    filled = [part.rows for part in effects if not part.rows.empty]
    rows = pd.concat(filled, ignore_index=True) if filled else effects[0].rows
    held = [part.held for part in effects if not part.held.empty]
    ratios = {cell: part for one in effects for cell, part in one.ratios.items()}
    return Matched(
        trials=trials,
        treatments=treatments,
        variables=variables,
        windows=windows,
        settings=settings,
        rows=rows,
        ratios=MappingProxyType(ratios),
        means=tuple(part for one in effects for part in one.means),
        held=pd.concat(held, ignore_index=True) if held else nothing_held(),
    )
