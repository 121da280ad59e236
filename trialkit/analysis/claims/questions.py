"""The questions of a trial, each with one test: which treatments differ over the whole trial."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.claims.whole_courses import level_before, level_of, levels_by_day
from trialkit.analysis.fits.anova import run_tests
from trialkit.analysis.plots.responses import Assessed, FloatArray, Response
from trialkit.inference.comparisons.adjust import holm
from trialkit.inference.comparisons.against_control import AgainstControl, against_control
from trialkit.trial import Comparison, Kind, TreatmentRole, VariableRole


class Question(StrEnum):
    """What is asked of a variable; the value stands in the tables and in findings."""

    PEST = "pest"
    DAMAGE = "damage"
    CROP_INJURY = "crop injury"
    CROP = "crop"
    ENEMIES = "enemies"
    YIELD = "yield"
    RETURN = "return"
    REFERENCE = "reference"
    PAIRS = "pairs"
    CARRIER = "carrier"
    RATE = "rate"
    FALL = "fall"
    RESURGENCE = "resurgence"
    SEASON = "season"


_OF_ROLE = {
    VariableRole.PEST: Question.PEST,
    VariableRole.DAMAGE: Question.DAMAGE,
    VariableRole.CROP_INJURY: Question.CROP_INJURY,
    VariableRole.CROP: Question.CROP,
    VariableRole.NATURAL_ENEMY: Question.ENEMIES,
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """The test of one question.

    Attributes
    ----------
    question : Question
    variable : str
    a, b : tuple of str
        Treatments compared, and with what.
    difference, p : float array, shape (pairs,)
        Its sign says the direction; p is adjusted over the pairs of the question.
    target : float array, shape (pairs,), or None
        Unadjusted p-values of control at or below the target over the whole trial; None where
        the scale has no share left.
    with_start : bool
        Whether the level before treatment was the covariate.
    reduction : float array, shape (3, pairs), or None
        By how many percent a lies below b, and limits of each on its own; None where differences
        are no logarithms, or page 1 has the size of the effect from elsewhere.
    """

    question: Question
    variable: str
    a: tuple[str, ...]
    b: tuple[str, ...]
    difference: FloatArray
    p: FloatArray
    target: FloatArray | None = None
    with_start: bool = False
    reduction: FloatArray | None = None


def course_answers(basis: Basis) -> Iterator[Answer]:
    """For every variable that was assessed, which treatments differ over all days after treatment.

    Against the untreated by the largest statistic over treatments, with a variance of its own for
    the untreated and the count before treatment as covariate; where there is no untreated all
    pairs (Tukey); with larger units Dunnett over their strata.
    """
    for item in basis.assessed:
        question = _OF_ROLE.get(item.variable.role, Question.CROP)
        level = level_of(item)
        if not np.isfinite(level).any():
            continue
        answer = _of_level(basis, question, item, level)
        if answer is not None:
            yield answer
        if question is Question.PEST:
            yield from _with_reference(basis, item, level)


def _of_level(basis: Basis, question: Question, item: Assessed, level: FloatArray) -> Answer | None:
    untreated = basis.plan.untreated
    if untreated is None or basis.plan.units:
        return _by_fit(basis, question, item.variable.name, level, item)
    ids = basis.plan.treatments
    found = against(basis, item, level, untreated)
    others = basis.plan.others
    return Answer(
        question=question,
        variable=item.variable.name,
        a=tuple(ids[code] for code in others),
        b=(ids[untreated],) * len(others),
        difference=found.difference[others],
        p=found.p_adjusted[others],
        target=below_target(basis, item, found)[others],
        with_start=found.adjusted,
        reduction=_reduction(basis, question, item, found),
    )


def _reduction(
    basis: Basis, question: Question, item: Assessed, found: AgainstControl
) -> FloatArray | None:
    """By how many percent counts of pests and damages lay below the untreated, with limits.

    That of the test itself, where it allows for the count before treatment: then the size of the
    effect, its interval and its p-value are of one model.
    """
    asked = question in (Question.PEST, Question.DAMAGE)
    if not asked or not found.adjusted or item.variable.kind is not Kind.COUNT:
        return None
    lower, upper = found.limits(basis.settings.alpha)
    with np.errstate(over="ignore"):
        left = np.exp([found.difference, upper, lower])[:, basis.plan.others]
    reduction: FloatArray = 100.0 * (1.0 - np.where(np.isfinite(left), left, np.nan))
    return reduction


def below_target(basis: Basis, item: Assessed, found: AgainstControl) -> FloatArray:
    """One-sided p-values of control at or below the target, (t,); NaN but for counts.

    Of counts a difference of logarithms is a share left.
    """
    if item.variable.kind is not Kind.COUNT:
        return np.full(found.difference.shape, np.nan)
    left = 1.0 - min(basis.settings.control_target, 99.9) / 100.0
    p: FloatArray = special.stdtr(found.df, (found.difference - np.log(left)) / found.se)
    return p


def against(
    basis: Basis,
    item: Assessed,
    level: FloatArray,
    control: int,
    compared: Sequence[int] | None = None,
    *,
    contrast: bool = False,
) -> AgainstControl:
    """Compare treatments with a control in the level of a variable, or a contrast of levels."""
    return against_control(
        basis.plan.layout,
        level,
        control,
        covariate=level_before(item),
        days=levels_by_day(item),
        logarithms=item.variable.kind is Kind.COUNT and not contrast,
        compared=compared,
    )


def _by_fit(
    basis: Basis, question: Question, name: str, level: FloatArray, item: Assessed
) -> Answer | None:
    """Dunnett's comparisons by the fit that the design asks for; all pairs without untreated."""
    settings = replace(basis.settings, comparison=Comparison.TUKEY)
    response = Response(variable=item.variable, measure="count", day=np.nan, values=level)
    made = run_tests(basis.plan, [response], ["none"], settings).comparisons
    untreated = basis.plan.untreated is not None
    found = made[made["method"] == ("dunnett" if untreated else "tukey")]
    if found.empty:
        return None
    return _from_table(question if untreated else Question.PAIRS, name, found)


def _from_table(question: Question, name: str, found: pd.DataFrame) -> Answer:
    return Answer(
        question=question,
        variable=name,
        a=tuple(found["a"]),
        b=tuple(found["b"]),
        difference=found["difference"].to_numpy(dtype=float),
        p=found["p_adjusted"].to_numpy(dtype=float),
    )


def _with_reference(basis: Basis, item: Assessed, level: FloatArray) -> Iterator[Answer]:
    """Test products against the reference, the untreated and the carrier left out."""
    plan = basis.plan
    if plan.reference is None or plan.units or plan.untreated is None:
        return
    left_out = [
        code
        for code, treatment in enumerate(basis.trial.treatments)
        if treatment.role in (TreatmentRole.UNTREATED, TreatmentRole.CARRIER)
    ]
    kept = np.where(np.isin(plan.treatment, left_out), np.nan, level)
    found = against(basis, item, kept, plan.reference)
    others = np.flatnonzero(np.isfinite(found.difference))
    if others.size:
        yield Answer(
            question=Question.REFERENCE,
            variable=item.variable.name,
            a=tuple(plan.treatments[code] for code in others),
            b=(plan.treatments[plan.reference],) * others.size,
            difference=found.difference[others],
            p=found.p_adjusted[others],
            with_start=found.adjusted,
        )


def yield_answers(basis: Basis) -> Iterator[Answer]:
    """For every yield, which treatments differ from the untreated (Dunnett), or from each other.

    From the comparisons of the yields, so that a claim and a table never disagree. Where the
    settings ask for no comparison there is no answer.
    """
    tested = basis.tested
    if tested is None:
        return
    made = tested.comparisons
    made = made[made["measure"] == "yield"]
    for name, own in made.groupby("variable", sort=False):
        if basis.plan.untreated is not None:
            found = own[own["method"] == "dunnett"]
            if not found.empty:
                yield _from_table(Question.YIELD, str(name), found)
        else:
            found = own[own["method"].isin(_ADJUSTED)]
            if not found.empty:
                yield _from_table(Question.PAIRS, str(name), found)


#: Procedures whose p-values hold over all pairs together.
_ADJUSTED = ("tukey", "bonferroni", "sidak", "holm", "scheffe")


def return_answers(basis: Basis, money: pd.DataFrame) -> Iterator[Answer]:
    """Which treatments returned more or less than the untreated, after their cost (Holm)."""
    known = money[money["gain"].notna() & money["p"].notna()]
    if not known.empty:
        yield Answer(
            question=Question.RETURN,
            variable=str(known["variable"].iloc[0]),
            a=tuple(known["treatment"]),
            b=(str(basis.trial.untreated),) * len(known),
            difference=known["gain"].to_numpy(dtype=float),
            p=holm(known[["p"]].to_numpy(dtype=float))[:, 0],
        )


def weights_of(answers: Sequence[Answer]) -> list[float]:
    """Share of the level that each question of page 1 gets: the pest is what a trial is for.

    The first pest has six tenths or more; what several variables answer is shared between them
    (common practice, no source).
    """
    number: dict[Question, int] = {}
    for item in answers:
        number[item.question] = number.get(item.question, 0) + 1
    weights = [_WEIGHTS[item.question] / number[item.question] for item in answers]
    first = next((i for i, item in enumerate(answers) if item.question is Question.PEST), None)
    if first is None:
        first = next((i for i, item in enumerate(answers) if item.question is _DAMAGE), None)
    if first is not None:
        weights[first] = max(weights[first], 1.5 * (sum(weights) - weights[first]))
    return weights


_DAMAGE = Question.DAMAGE
_WEIGHTS = {
    Question.PEST: 0.1,
    Question.DAMAGE: 0.05,
    Question.CROP_INJURY: 0.05,
    Question.CROP: 0.05,
    Question.ENEMIES: 0.1,
    Question.YIELD: 0.15,
    Question.RETURN: 0.05,
    Question.REFERENCE: 0.1,
    Question.PAIRS: 0.5,
    Question.SEASON: 0.05,
}
