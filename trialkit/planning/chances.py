"""What a trial is asked to show, and the chance of it from simulated trials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.analysis.plots.responses import PlotPlan
from trialkit.planning.fields import Field
from trialkit.trial import Transform, Trial, Variable

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


class Sought(StrEnum):
    """What is to be shown; the value stands in the tables."""

    ANY = "any difference at one assessment"
    UNTREATED = "against the untreated at one assessment"
    OTHER = "against another treatment at one assessment"
    WHOLE_UNTREATED = "against the untreated over the whole trial"
    WHOLE_REFERENCE = "against the reference over the whole trial"
    TARGET = "above the target, on a day or over the whole trial"
    RATE = "a lower rate not worse by the margin on the last day"
    DAYS = "target held longer than by another treatment"


#: What may be asked for, and what it then looks at. The last three take longest.
QUESTIONS: Final[Mapping[str, tuple[Sought, ...]]] = MappingProxyType(
    {
        "assessment": (Sought.ANY, Sought.UNTREATED, Sought.OTHER),
        "trial": (Sought.WHOLE_UNTREATED, Sought.WHOLE_REFERENCE),
        "target": (Sought.TARGET,),
        "rates": (Sought.RATE,),
        "days": (Sought.DAYS,),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """Trials of one size in which one treatment does so much, simulated and tested.

    Attributes
    ----------
    trial : Trial
        Laid out, without anything that cannot go to another process.
    variable : Variable
        The pest that is counted.
    plan : PlotPlan
    groups : tuple of int array
        Blocks, then larger units, as `trialkit.planning.fields.simulate_counts` takes them.
    days : float array
        On which is counted.
    transform : Transform
        Scale at one assessment.
    field : Field
    question : str
        A key of `QUESTIONS`.
    blocks : int
    first, other : int
        Codes of the treatment that is looked at, and of the one that it is compared with.
    carriers : tuple of int
    truth : float
        Percent control of the first; of days the days that it holds the target longer.
    assumed : float
        Percent control of all other treatments.
    held : float
        Day until which the other treatments hold the target, where days are asked for.
    simulations : int
    seed : int
    formula : str or None
        Design for the noncentral F, where that holds.
    """

    trial: Trial
    variable: Variable
    plan: PlotPlan
    groups: tuple[IntArray, ...]
    days: FloatArray
    transform: Transform
    field: Field
    question: str
    blocks: int
    first: int
    other: int
    carriers: tuple[int, ...]
    truth: float
    assumed: float
    held: float
    simulations: int
    seed: int
    formula: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a task.

    Attributes
    ----------
    shown : mapping of Sought to float
        Share of the simulated trials in which it was shown.
    scale : str
        Scale of the tests at one assessment; empty elsewhere.
    formula : float
        Chance by the noncentral F; NaN where that does not hold.
    """

    shown: Mapping[Sought, float]
    scale: str = ""
    formula: float = float("nan")


def true_control(task: Task) -> FloatArray:
    """True percent control of the treatments on each day, shape (treatments, days).

    Notes
    -----
    None before day 0 and none of untreated and carrier. Where days are asked for, the share of the
    pest that is left grows by the same factor from day to day: a quarter of what the target
    leaves on day 0, and all of it on the day until which the target is held.
    """
    plan, days = task.plan, task.days
    control = np.full((len(plan.treatments), days.size), task.assumed)
    if task.question == "days":
        until = np.full(len(plan.treatments), task.held)
        until[task.first] += task.truth
        left = 1 - task.trial.settings.control_target / 100
        share = left * 4.0 ** (days / until[:, None] - 1)
        control = 100 * (1 - np.minimum(share, 1.0))
    else:
        control[task.first] = task.truth
    control[list(task.carriers)] = 0.0
    control[task.plan.untreated] = 0.0
    control[:, days <= 0] = 0.0
    return control
