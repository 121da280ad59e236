"""What a series shows: one test a question, all questions of page 1 held together.

As in one trial: the gate of a pest, a kind of damage or a natural enemy is its whole course (the
area under the curve; where no trials have that, the window of most trials), treatments adjusted by
Holm; windows stand behind their gate and are never shown without it. The level is shared out over
the gates and passed on where all of one is shown (`hold_together.shared_levels`). Of a treatment
that is in one trial of several nothing is claimed: it was seen at one site.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from trialkit.analysis.claims.questions import Answer, Question, weights_of
from trialkit.analysis.result import table_of_parts
from trialkit.inference.comparisons.adjust import holm
from trialkit.inference.comparisons.hold_together import shared_levels
from trialkit.inference.comparisons.methods import Method
from trialkit.series.control_tables import Columns
from trialkit.series.matched import FloatArray, Matched
from trialkit.series.questions import Asked, in_enough
from trialkit.series.yields import Harvest, compared
from trialkit.trial import VariableRole

_OF_ROLE = {
    VariableRole.PEST: Question.PEST,
    VariableRole.DAMAGE: Question.DAMAGE,
    VariableRole.NATURAL_ENEMY: Question.ENEMIES,
}
_NOTHING = {"measure": None, "window": None}


def series_claims(
    matched: Matched,
    asked: Sequence[Asked],
    harvests: Sequence[Harvest],
    seasons: pd.DataFrame,
) -> pd.DataFrame:
    """Tabulate what was shown over all trials."""
    answers: list[tuple[Answer, dict[str, str | None], list[Asked]]] = []
    for gate, behind in _gates(matched, asked):
        answers += [(answer, dict(gate.key), behind) for answer in _of_gate(matched, gate)]
    answers += [(answer, dict(_NOTHING), []) for answer in _of_yields(matched, harvests)]
    answers += _of_seasons(asked, seasons)
    if not answers:
        return table_of_parts("series_claims", [])
    levels = shared_levels(
        weights_of([answer for answer, _, _ in answers]),
        [answer.p for answer, _, _ in answers],
        matched.settings.alpha,
    )
    parts = []
    for (answer, key, behind), level in zip(answers, levels, strict=True):
        alpha = matched.settings.alpha
        parts.append(_rows(answer, key, answer.p, (level, alpha)))
        parts += [_behind(answer, one, (level, alpha)) for one in behind]
    return table_of_parts("series_claims", parts)


def _gates(matched: Matched, asked: Sequence[Asked]) -> Iterator[tuple[Asked, list[Asked]]]:
    """The question that stands for a variable, and its windows behind it."""
    for variable in matched.variables:
        own = [one for one in asked if one.variable.name == variable.name and one.claimed]
        if variable.role not in _OF_ROLE or not own:
            continue
        areas = [one for one in own if one.measure == "pest_days"]
        most = max(len(one.trials) for one in own)
        gate = next(
            (one for one in areas if 2 * len(one.trials) > most),
            max(own, key=lambda one: len(one.trials)),
        )
        yield gate, [one for one in own if one is not gate]


def _of_gate(matched: Matched, gate: Asked) -> Iterator[Answer]:
    codes = [gate.treatments.index(name) for name in gate.claimed]
    found = gate.fit.treatments()
    untreated = matched.settings.untreated or ""
    yield Answer(
        question=_OF_ROLE[gate.variable.role],
        variable=gate.variable.name,
        a=gate.claimed,
        b=(untreated,) * len(codes),
        difference=found.estimate[codes],
        p=holm(found.p[codes, None])[:, 0],
    )
    reference = matched.settings.reference
    if gate.variable.role is not VariableRole.PEST or reference not in gate.claimed:
        return
    base = gate.treatments.index(str(reference))
    others = [code for code in codes if code != base]
    if not others:
        return
    apart = gate.fit.differences(
        np.array(others, dtype=np.intp), np.full(len(others), base, dtype=np.intp)
    )
    yield Answer(
        question=Question.REFERENCE,
        variable=gate.variable.name,
        a=tuple(gate.treatments[code] for code in others),
        b=(str(reference),) * len(others),
        difference=apart.estimate,
        p=holm(apart.p[:, None])[:, 0],
    )


def _of_yields(matched: Matched, harvests: Sequence[Harvest]) -> Iterator[Answer]:
    """Yields and injury of the crop against the untreated (Dunnett), or yields in pairs (Tukey)."""
    for one in harvests:
        against = matched.settings.untreated in one.treatments
        injury = one.variable.role is VariableRole.CROP_INJURY
        told = one.variable.role is VariableRole.YIELD or (injury and against)
        if one.fit is None or not told:
            continue
        inference = one.order(matched.settings.environments)[0]
        made = compared(
            matched, one, one.fit, inference, Method.DUNNETT if against else Method.TUKEY
        )
        claimed = in_enough(one.treatments, one.fit.trials_of, len(matched.trials))
        a, b = ([one.treatments[code] for code in side] for side in (made.a, made.b))
        kept = [row for row, pair in enumerate(zip(a, b, strict=True)) if {*pair} <= {*claimed}]
        if not kept:
            continue
        yield Answer(
            question=Question.CROP_INJURY
            if injury
            else Question.YIELD
            if against
            else Question.PAIRS,
            variable=one.variable.name,
            a=tuple(a[row] for row in kept),
            b=tuple(b[row] for row in kept),
            difference=made.difference[kept, 0],
            p=made.p_adjusted[kept, 0],
        )


def _of_seasons(
    asked: Sequence[Asked], seasons: pd.DataFrame
) -> list[tuple[Answer, dict[str, str | None], list[Asked]]]:
    """Change over the years of pests, each variable by the window that the years are told best.

    The area under the curve where it has rows, else the first window that has.
    """
    found: list[tuple[Answer, dict[str, str | None], list[Asked]]] = []
    pests = dict.fromkeys(
        one.variable.name for one in asked if one.variable.role is VariableRole.PEST
    )
    for name in pests:
        own = seasons[(seasons["variable"] == name) & seasons["p"].notna()]
        if own.empty:
            continue
        areas = own[own["measure"] == "pest_days"]
        rows = areas if not areas.empty else own[own["window"] == own["window"].iloc[0]]
        answer = Answer(
            question=Question.SEASON,
            variable=str(name),
            a=tuple(rows["treatment"]),
            b=(None,) * len(rows),  # type: ignore[arg-type]
            difference=rows["change_a_year"].to_numpy(dtype=float),
            p=holm(rows[["p"]].to_numpy(dtype=float))[:, 0],
        )
        key: dict[str, str | None] = {
            "measure": str(rows["measure"].iloc[0]),
            "window": str(rows["window"].iloc[0]),
        }
        found.append((answer, key, []))
    return found


def _behind(answer: Answer, one: Asked, levels: tuple[float, float]) -> Columns:
    """The same pairs in a window: adjusted there, and at least at the p of their gate."""
    gate = dict(zip(answer.a, answer.p, strict=True))
    names = [name for name in answer.a if name in one.claimed]
    if answer.question is Question.REFERENCE and answer.b[0] not in one.claimed:
        names = []
    codes = np.array([one.treatments.index(name) for name in names], dtype=np.intp)
    found = one.fit.treatments()
    estimate, p = found.estimate[codes], found.p[codes]
    if answer.question is Question.REFERENCE and names:
        base = np.full(codes.size, one.treatments.index(answer.b[0]), dtype=np.intp)
        apart = one.fit.differences(codes, base)
        estimate, p = apart.estimate, apart.p
    adjusted = np.maximum(holm(p[:, None])[:, 0], np.array([gate[name] for name in names]))
    inside = Answer(
        question=answer.question,
        variable=answer.variable,
        a=tuple(names),
        b=answer.b[: len(names)],
        difference=estimate,
        p=adjusted,
    )
    return _rows(inside, dict(one.key), adjusted, levels)


def _rows(
    answer: Answer, key: dict[str, str | None], p: FloatArray, levels: tuple[float, float]
) -> Columns:
    level, alpha = levels
    size = len(answer.a)
    known = np.isfinite(p)
    return {
        "question": [answer.question.value] * size,
        "variable": [answer.variable] * size,
        "measure": [key.get("measure")] * size,
        "window": [key.get("window")] * size,
        "a": list(answer.a),
        "b": list(answer.b),
        "direction": [
            None if not np.isfinite(value) or value == 0.0 else "lower" if value < 0 else "higher"
            for value in answer.difference
        ],
        "p_adjusted": p,
        "level": np.full(size, level),
        "shown": [bool(ok and value <= alpha) for ok, value in zip(known, p, strict=True)],
        "front": [bool(ok and value <= level) for ok, value in zip(known, p, strict=True)],
    }
