"""Simulated counts of whole trials, each analysed by the toolkit: what it would have said."""

from __future__ import annotations

import numpy as np

from trialkit.analysis.basis import Basis
from trialkit.analysis.claims.claims import Held, claim_table
from trialkit.analysis.claims.questions import Answer, Question, course_answers
from trialkit.analysis.claims.whole_courses import level_of
from trialkit.analysis.efficacy.persistence import targets_held
from trialkit.analysis.efficacy.persistence_differences import (
    DAYS_HELD,
    persistence_difference_table,
)
from trialkit.analysis.efficacy.rates import rate_table
from trialkit.analysis.fits.control import control_by_method, control_table
from trialkit.analysis.fits.courses import find_courses
from trialkit.analysis.plots.responses import Assessed
from trialkit.planning.chances import FloatArray, Outcome, Sought, Task
from trialkit.planning.one_assessment import fitted, from_untreated


def whole_trials(task: Task, values: FloatArray) -> Outcome:
    """Analyse simulated trials, one after the other, and count what was shown.

    Parameters
    ----------
    task : Task
    values : (plots, days, n) array

    Returns
    -------
    Outcome
        Each question at the level of the settings, as the tables of an analysis have it
        (``shown`` of claims, ``not_inferior`` of rates, ``p_adjusted`` of days held).
    """
    if task.question == "trial" and task.plan.units:
        return _with_units(task, values)
    found: dict[Sought, list[bool]] = {}
    for place in range(values.shape[2]):
        item = _assessed(task, values[:, :, place])
        for sought, shown in _SEEN[task.question](task, item):
            found.setdefault(sought, []).append(shown)
    number = values.shape[2]
    return Outcome(shown={sought: sum(seen) / number for sought, seen in found.items()})


def _assessed(task: Task, values: FloatArray) -> Assessed:
    samples = np.full(values.shape, task.field.samples, dtype=np.intp)
    return Assessed(variable=task.variable, days=task.days, values=values, samples=samples)


def _basis(task: Task, item: Assessed, *, drawn: bool) -> Basis:
    """What the parts of the analysis start from that are asked here."""
    trial, plan = task.trial, task.plan
    courses = find_courses((item,), plan) if drawn else {}
    made = control_by_method((item,), plan, trial.settings, courses) if drawn else ()
    return Basis(
        trial=trial,
        plan=plan,
        assessed=(item,),
        areas=(),
        above={},
        harvested=None,
        responses=[],
        scales=[],
        tested=None,
        courses=courses,
        controlled=made,
    )


_Seen = list[tuple[Sought, bool]]


def _claims(task: Task, item: Assessed) -> _Seen:
    """What page 1 asks of the pest: against the untreated, and against the reference."""
    first, other = (task.plan.treatments[code] for code in (task.first, task.other))
    found: _Seen = []
    for answer in course_answers(_basis(task, item, drawn=False)):
        if answer.question is Question.PEST:
            found.append((Sought.WHOLE_UNTREATED, _differs(task, answer, first)))
        elif answer.question is Question.REFERENCE and answer.b[0] == other:
            found.append((Sought.WHOLE_REFERENCE, _differs(task, answer, first)))
    return found


def _differs(task: Task, answer: Answer, treatment: str) -> bool:
    if treatment not in answer.a:
        return False
    return bool(answer.p[answer.a.index(treatment)] <= task.trial.settings.alpha)


def _target(task: Task, item: Assessed) -> _Seen:
    """Whether control above the target was shown, on some day or over the whole trial."""
    basis = _basis(task, item, drawn=True)
    alpha = task.trial.settings.alpha
    held = [
        Held(answer=answer, level=alpha)
        for answer in course_answers(basis)
        if answer.question is Question.PEST
    ]
    table = claim_table(basis, held, control_table(basis.controlled, task.plan))
    own = table[(table["scope"] == "target") & (table["a"] == task.plan.treatments[task.first])]
    return [(Sought.TARGET, bool((own["shown"].eq(True) & own["direction"].eq("lower")).any()))]


def _rates(task: Task, item: Assessed) -> _Seen:
    """Whether the lower rate was shown to be not inferior on the last day."""
    table = rate_table(_basis(task, item, drawn=True))
    shown = not table.empty and table["not_inferior"].iloc[-1] is True
    return [(Sought.RATE, bool(shown))]


def _days(task: Task, item: Assessed) -> _Seen:
    """Whether the first treatment was shown to hold the target longer than the other."""
    basis = _basis(task, item, drawn=True)
    table = persistence_difference_table(basis, targets_held(basis))
    first, other = (task.plan.treatments[code] for code in (task.first, task.other))
    shown = False
    for a, b, sign in ((first, other, 1.0), (other, first, -1.0)):
        rows = table[(table["question"] == DAYS_HELD) & (table["a"] == a) & (table["b"] == b)]
        for p, difference in zip(rows["p_adjusted"], rows["difference"], strict=True):
            shown = shown or bool(p <= task.trial.settings.alpha and sign * difference > 0)
    return [(Sought.DAYS, shown)]


_SEEN = {"trial": _claims, "target": _target, "rates": _rates, "days": _days}


def _with_units(task: Task, values: FloatArray) -> Outcome:
    """Against the untreated over the whole trial, by strata; nothing else is asked there."""
    levels = np.column_stack(
        [level_of(_assessed(task, values[:, :, place])) for place in range(values.shape[2])]
    )
    shown = from_untreated(task, fitted(task.plan.layout, levels))
    return Outcome(shown={Sought.WHOLE_UNTREATED: shown})
