"""How often the change over the whole trial holds the truth, and agrees with what was shown.

    python tests/benchmarks/bench_tested_change.py [trials a row]

Trials of tests/known_truth in which treatments leave 100, 100, 20, 10, 50, 30, 100 and 70 % of the
pest on every day. "By the test": the reduction that the test of page 1 itself gives, adjusted for
the count before treatment; "of pest-days": from the areas under the curve, not adjusted, as page 1
had it before. Prints the table of tested_change.md.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from known_truth.claims import DAYS, SETTINGS, Setting, trial
from known_truth.recovery import basis_of
from trialkit.analysis.claims.questions import course_answers
from trialkit.analysis.efficacy.reductions import reduction_table
from trialkit.inference.design.layout import FloatArray

LEFT = np.array([1.0, 1.0, 0.2, 0.1, 0.5, 0.3, 1.0, 0.7])
#: The course of the untreated, as `known_truth.claims.trial` has it.
COURSE = np.array([0.6, 0.8, 1.0, 1.2, 1.1, 0.7])
FIRST = 500_000


def _area(course: FloatArray) -> float:
    return float((0.5 * (course[1:] + course[:-1]) * np.diff(DAYS)).sum())


def _of_areas() -> FloatArray:
    """True reductions of pest-days: the count before treatment is part of the area."""
    left = [_area(np.append(COURSE[0], COURSE[1:] * share)) for share in LEFT]
    return 100.0 * (1.0 - np.array(left) / _area(COURSE))


def line(setting: Setting, trials: int) -> str:
    """One setting, as a row of the table."""
    truths = 100.0 * (1.0 - LEFT[1:]), _of_areas()[1:]
    held: tuple[list[FloatArray], ...] = ([], [])
    agreed: tuple[list[FloatArray], ...] = ([], [])
    width: tuple[list[FloatArray], ...] = ([], [])
    for seed in range(trials):
        basis = basis_of(trial(replace(setting, effects=tuple(LEFT)), FIRST + seed))
        answer = next(item for item in course_answers(basis) if item.question.value == "pest")
        if answer.reduction is None:
            continue
        table = reduction_table(basis)
        name = answer.variable
        own = table[(table["variable"] == name) & (table["measure"] == "pest_days")]
        areas = own.set_index("treatment").loc[list(answer.a), ["lower", "upper"]].to_numpy(float)
        shown = answer.p <= 0.05
        for place, (low, high) in enumerate((answer.reduction[1:], areas.T)):
            held[place].append((low <= truths[place]) & (truths[place] <= high))
            agreed[place].append(((low > 0.0) | (high < 0.0))[shown])
            width[place].append(
                np.log(np.maximum(100.0 - low, 1e-6) / np.maximum(100.0 - high, 1e-6))
            )
    if not held[0]:
        return f"| {setting.name} | not by the test |  |  |  |  |  |"
    cells = [setting.name]
    for place in (0, 1):
        share = 100.0 * np.mean(held[place], axis=0)
        cells += [
            f"{share.mean():.1f} ({share.min():.0f} to {share.max():.0f})",
            f"{np.median(np.concatenate(width[place])):.2f}",
            f"{100.0 * np.mean(np.concatenate(agreed[place])):.1f}",
        ]
    return "| " + " | ".join(cells) + " |"


def main(trials: int) -> None:
    """Print the table."""
    print(
        "| trials | by the test: holds, % (treatments) | width | leaves out 0 where shown, % "
        "| of pest-days: holds, % (treatments) | width | leaves out 0 where shown, % |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for setting in SETTINGS:
        print(line(setting, trials), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
