"""Questions with a level of their own, asked once the main ones are answered; none is on page 1."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from trialkit.analysis.basis import Basis
from trialkit.analysis.claims.questions import Answer, Question, against
from trialkit.analysis.claims.whole_courses import (
    after_treatment,
    level_of,
    levels_by_day,
    mean_over_days,
)
from trialkit.analysis.efficacy.rates import lower_rates
from trialkit.analysis.plots.responses import Assessed, FloatArray
from trialkit.inference.comparisons.adjust import holm
from trialkit.trial import TreatmentRole, VariableRole


def answers_behind(basis: Basis, answers: Sequence[Answer]) -> Iterator[Answer]:
    """Carrier, lower rates, control lost again, and pests that rose after their enemies fell.

    Parameters
    ----------
    basis : Basis
    answers : sequence of Answer
        Of the main questions; what is lost, or rises, is asked only of treatments that were
        shown to do something.
    """
    if basis.plan.untreated is None or basis.plan.units:
        return
    for item in basis.assessed:
        if item.variable.role is VariableRole.PEST:
            level = level_of(item)
            if np.isfinite(level).any():
                yield from _carriers(basis, item, level)
                yield from _rates(basis, item, level)
                yield from _fall(basis, item, answers)
                yield from _resurgence(basis, item, answers)


def _answer(
    basis: Basis,
    question: Question,
    item: Assessed,
    codes: Sequence[int],
    control: int,
    found: tuple[FloatArray, FloatArray, bool],
) -> Answer:
    ids = basis.plan.treatments
    return Answer(
        question=question,
        variable=item.variable.name,
        a=tuple(ids[code] for code in codes),
        b=(ids[control],) * len(codes),
        difference=found[0],
        p=found[1],
        with_start=found[2],
    )


def _carriers(basis: Basis, item: Assessed, level: FloatArray) -> Iterator[Answer]:
    untreated = _untreated(basis)
    codes = [
        code
        for code, treatment in enumerate(basis.trial.treatments)
        if treatment.role is TreatmentRole.CARRIER
    ]
    if codes:
        found = against(basis, item, level, untreated, codes)
        answered = found.difference[codes], found.p_adjusted[codes], found.adjusted
        yield _answer(basis, Question.CARRIER, item, codes, untreated, answered)


def _rates(basis: Basis, item: Assessed, level: FloatArray) -> Iterator[Answer]:
    """Lower rates against the full rate of their product, the untreated left out."""
    kept = np.where(basis.plan.treatment == _untreated(basis), np.nan, level)
    for full, lower in lower_rates(basis):
        if not lower or _untreated(basis) in (full, *lower):
            continue
        found = against(basis, item, kept, full, lower)
        answered = found.difference[lower], found.p_adjusted[lower], found.adjusted
        yield _answer(basis, Question.RATE, item, lower, full, answered)


def _fall(basis: Basis, item: Assessed, answers: Sequence[Answer]) -> Iterator[Answer]:
    """Whether, against the untreated, the last count stands otherwise than the days before it."""
    places = after_treatment(item)
    codes = _shown(basis, answers, Question.PEST, item.variable.name)
    if places.size < 2 or not codes:
        return
    # Day by day on one scale: what a logarithm does to few individuals cancels.
    levels = levels_by_day(item, places)
    change = levels[:, -1] - mean_over_days(levels[:, :-1])
    found = against(basis, item, change, _untreated(basis), codes, contrast=True)
    answered = found.difference[codes], found.p_adjusted[codes], found.adjusted
    yield _answer(basis, Question.FALL, item, codes, _untreated(basis), answered)


def _resurgence(basis: Basis, item: Assessed, answers: Sequence[Answer]) -> Iterator[Answer]:
    """Pests against the untreated on all days after their enemies were first counted.

    Of treatments that were shown to have fewer of an enemy. One test over the days: the largest
    statistic, adjusted after Bonferroni for days and treatments.
    """
    suspects: dict[int, float] = {}
    for enemy in basis.assessed:
        if enemy.variable.role is not VariableRole.NATURAL_ENEMY:
            continue
        first = enemy.days[enemy.days > 0]
        for code in _shown(basis, answers, Question.ENEMIES, enemy.variable.name):
            suspects[code] = min(float(first.min()), suspects.get(code, np.inf))
    if not suspects:
        return
    codes, untreated = list(suspects), _untreated(basis)
    places = after_treatment(item)
    levels = levels_by_day(item, places)
    difference, p = np.full(len(codes), np.nan), np.full(len(codes), np.nan)
    with_start = False
    for place, code in enumerate(codes):
        later = np.flatnonzero(item.days[places] > suspects[code])
        single = [against(basis, item, levels[:, j], untreated, [code]) for j in later]
        with_start |= any(one.adjusted for one in single)
        larger = np.array([one.difference[code] for one in single])
        # One-sided: whether there are more pests on any of these days.
        values = np.array([one.p_adjusted[code] for one in single]) / 2.0
        values = np.where(larger > 0.0, values, 1.0 - values)
        if np.isfinite(values).any():
            least = int(np.nanargmin(values))
            p[place] = min(1.0, float(values[least]) * int(np.isfinite(values).sum()))
            difference[place] = larger[least]
    adjusted = holm(p[:, None])[:, 0]
    answered = difference, adjusted, with_start
    yield _answer(basis, Question.RESURGENCE, item, codes, untreated, answered)


def _shown(basis: Basis, answers: Sequence[Answer], question: Question, variable: str) -> list[int]:
    """Codes of the treatments that were shown to have less than the untreated."""
    place = {name: code for code, name in enumerate(basis.plan.treatments)}
    return [
        place[name]
        for answer in answers
        if answer.question is question and answer.variable == variable
        for name, difference, p in zip(answer.a, answer.difference, answer.p, strict=True)
        if p <= basis.settings.alpha and difference < 0.0
    ]


def _untreated(basis: Basis) -> int:
    untreated = basis.plan.untreated
    if untreated is None:
        raise ValueError("these questions are asked against an untreated")
    return untreated
