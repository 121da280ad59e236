"""Answers held together: what page 1 may say, and what a section of its own may say."""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.claims.behind import answers_behind
from trialkit.analysis.claims.questions import (
    Answer,
    Question,
    course_answers,
    return_answers,
    weights_of,
    yield_answers,
)
from trialkit.analysis.claims.single_days import DayTests, day_tests
from trialkit.analysis.plots.responses import FloatArray
from trialkit.analysis.result import table_of_parts
from trialkit.inference.comparisons.adjust import holm
from trialkit.inference.comparisons.hold_together import shared_levels

#: What page 1 spends of the level of the settings. Tests are near their level and not at it where
#: variances differ or counts are low; the rest is kept for that (chosen by simulation,
#: tests/benchmarks/claims.md).
PAGE_SHARE = 0.6


@dataclass(frozen=True, kw_only=True, eq=False)
class Held:
    """An answer, and the level at which page 1 may read it."""

    answer: Answer
    level: float


def held_together(basis: Basis, money: pd.DataFrame) -> tuple[Held, ...]:
    """Ask every question of page 1, and share the level of the settings out over them."""
    answers = [*course_answers(basis), *yield_answers(basis), *return_answers(basis, money)]
    answers = [item for item in answers if np.isfinite(item.p).any()]
    if not answers:
        return ()
    spent = PAGE_SHARE * basis.settings.alpha
    levels = shared_levels(weights_of(answers), [item.p for item in answers], spent)
    held = [Held(answer=item, level=at) for item, at in zip(answers, levels, strict=True)]
    # Below 0 there is no p-value: what stands behind has no place on page 1.
    held += [Held(answer=item, level=-1.0) for item in answers_behind(basis, answers)]
    return tuple(held)


def claim_table(basis: Basis, held: Sequence[Held], control: pd.DataFrame) -> pd.DataFrame:
    """Tabulate every comparison of every question; then the days behind the pests and damages.

    Of a day ``p`` is the larger of that of its treatment over the whole trial and its own,
    adjusted after Holm over the days and treatments of which a difference was shown over the
    whole trial: a day is behind its treatment, which is behind its question.
    """
    alpha = basis.settings.alpha
    parts: list[dict[str, Sized]] = []
    for item in held:
        answer = item.answer
        size = len(answer.a)
        parts.append(
            _part(
                answer,
                np.full(size, np.nan),
                (answer.a, answer.b),
                (answer.difference, answer.p),
                (item.level, alpha),
                "whole trial",
                answer.reduction,
            )
        )
    for item in held:
        if item.answer.question in (Question.PEST, Question.DAMAGE):
            tests = day_tests(basis, item.answer.variable)
            parts += _days_of(item, control, tests, alpha)
    return table_of_parts("claims", parts)


def _days_of(
    held: Held, control: pd.DataFrame, tests: DayTests, alpha: float
) -> list[dict[str, Sized]]:
    answer = held.answer
    gates = dict(zip(answer.a, answer.p, strict=True))
    cells = (control[name].tolist() for name in ("variable", "chosen", "treatment"))
    asked = [
        variable == answer.variable and chosen is True and treatment in gates
        for variable, chosen, treatment in zip(*cells, strict=True)
    ]
    own = control[np.array(asked, dtype=bool)]
    if own.empty:
        return []
    names, days = own["treatment"].tolist(), own["days_after"].to_numpy(dtype=float)
    keys = list(zip(names, days.tolist(), strict=True))
    way = -own["percent"].to_numpy(dtype=float)
    parts = []
    for place, (kind, column) in enumerate((("day", "p_untreated"), ("target", "p_target"))):
        known = own[column].to_numpy(dtype=float)
        tested = np.array([tests.get(key, (np.nan, np.nan))[place] for key in keys])
        # Days are judged like the period behind the gate, where that test is there.
        single = np.where(np.isfinite(tested) & np.isfinite(known), tested, known)
        a, when, direction = names, days, way
        if kind == "target" and answer.target is not None:
            # Control over the whole trial above the target has reached it as well.
            a, when = [*names, *answer.a], np.append(days, np.full(len(answer.a), np.nan))
            single = np.append(single, answer.target)
            direction = np.append(way, answer.difference)
        gate = np.array([gates[name] for name in a], dtype=float)
        behind = np.isfinite(gate) & (gate <= alpha)
        adjusted = np.full(single.shape, np.nan)
        adjusted[behind] = holm(single[behind][:, None])[:, 0]
        before = np.where(np.isfinite(single), gate, np.nan)
        p = np.where(behind, np.maximum(adjusted, gate), before)
        b, levels = (answer.b[0],) * len(a), (held.level, alpha)
        parts.append(_part(answer, when, (a, b), (direction, p), levels, kind))
    return parts


def _part(
    answer: Answer,
    days: FloatArray,
    pairs: tuple[Sequence[str], Sequence[str]],
    found: tuple[FloatArray, FloatArray],
    levels: tuple[float, float],
    scope: str,
    reduction: FloatArray | None = None,
) -> dict[str, Sized]:
    (a, b), (difference, p), (level, alpha) = pairs, found, levels
    size = len(a)
    known = np.isfinite(p)
    percent, lower, upper = np.full((3, size), np.nan) if reduction is None else reduction
    return {
        "question": [answer.question.value] * size,
        "variable": [answer.variable] * size,
        "scope": [scope] * size,
        "days_after": days,
        "a": list(a),
        "b": list(b),
        "direction": [
            None if not np.isfinite(value) or value == 0.0 else "lower" if value < 0 else "higher"
            for value in difference
        ],
        "percent": percent,
        "lower": lower,
        "upper": upper,
        "p_adjusted": p,
        "with_start": [answer.with_start and scope == "whole trial"] * size,
        "level": np.full(size, level if level >= 0.0 else np.nan),
        "shown": [bool(ok and value <= alpha) for ok, value in zip(known, p, strict=True)],
        "front": [bool(ok and value <= level) for ok, value in zip(known, p, strict=True)],
    }
