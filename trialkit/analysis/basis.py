"""What every part of the analysis starts from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from trialkit.analysis.fits.anova import Tested
from trialkit.analysis.fits.control import Controlled
from trialkit.analysis.fits.courses import Course
from trialkit.analysis.plots.responses import Assessed, FloatArray, PlotPlan, Response
from trialkit.inference.design.scales import TransformName
from trialkit.measures.pest_days import AboveThreshold, PestDays
from trialkit.trial import ControlMethod, Settings, Trial


@dataclass(frozen=True, kw_only=True, eq=False)
class Basis:
    """A trial as arrays, its responses and their fits.

    Attributes
    ----------
    trial : Trial
    plan : PlotPlan
        Plots and treatments as codes.
    assessed : tuple of Assessed
        Variables over their days, averaged to plots.
    areas : tuple of (Assessed, PestDays)
        Areas under the curve of the variables with two assessments or more.
    above : mapping of str to AboveThreshold
        Of the plots, by name of the variable: time and area above the threshold of those that
        have one.
    harvested : float array, shape (plots,), or None
        Yield from masses as harvested, in the yield unit of the settings.
    responses : list of Response
        Every column that is tested.
    scales : sequence of str
        Scale of analysis of each response.
    tested : Tested or None
        Fits and tables of the tests; None where there is nothing to test.
    courses : mapping of str to Course
        Draws of the courses of pests, damages and natural enemies.
    controlled : tuple of Controlled
        Percent control of pests and damage with its intervals, by every method.
    """

    trial: Trial
    plan: PlotPlan
    assessed: tuple[Assessed, ...]
    areas: tuple[tuple[Assessed, PestDays], ...]
    above: Mapping[str, AboveThreshold]
    harvested: FloatArray | None
    responses: list[Response]
    scales: Sequence[TransformName]
    tested: Tested | None
    courses: Mapping[str, Course]
    controlled: tuple[Controlled, ...]

    @property
    def settings(self) -> Settings:
        """Settings of the trial."""
        return self.trial.settings

    def control_of(self, variable: str, method: ControlMethod | None = None) -> Controlled | None:
        """Percent control of a variable by one method, or by the one that the report shows."""
        for part in self.controlled:
            asked = part.chosen if method is None else part.method is method
            if asked and part.item.variable.name == variable:
                return part
        return None
