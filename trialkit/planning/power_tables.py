"""What simulated trials have shown, as tables: chances, smallest truths, fewest blocks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from trialkit.planning.chances import FloatArray, Outcome, Sought, Task

#: Chance that a difference is to be found with: common practice, no source.
WANTED: Final = 0.8
CHANCE_COLUMNS: Final = (
    "blocks", "samples", "question", "control_percent", "days_longer", "against_percent", "chance",
    "lower", "upper", "simulations", "scale",
)  # fmt: skip


def chances_of(task: Task, found: Outcome) -> Iterator[tuple[object, ...]]:
    """Rows of what a task has found, in the columns `CHANCE_COLUMNS`."""
    nothing = float("nan")
    of_days = task.question == "days"
    for sought, share in found.shown.items():
        against = {
            Sought.ANY: nothing,
            Sought.DAYS: nothing,
            Sought.UNTREATED: 0.0,
            Sought.WHOLE_UNTREATED: 0.0,
            Sought.TARGET: task.trial.settings.control_target,
        }.get(sought, task.assumed)
        yield (
            task.blocks,
            task.field.samples,
            sought.value,
            nothing if of_days else task.truth,
            task.truth if of_days else nothing,
            against,
            share,
            *_limits(share, task.simulations),
            task.simulations,
            found.scale or None,
        )


def _limits(share: float, number: int) -> tuple[float, float]:
    """Limits of a simulated chance, 95 %: Wilson EB 1927, J. Am. Stat. Assoc. 22:209-212."""
    z = 1.959963984540054
    middle = (share + z * z / (2 * number)) / (1 + z * z / number)
    half = z / (1 + z * z / number) * np.sqrt(share * (1 - share) / number + (z / number / 2) ** 2)
    return float(min(max(middle - half, 0.0), share)), float(max(min(middle + half, 1.0), share))


def formula_of(tasks: Sequence[Task], done: Sequence[Outcome]) -> pd.DataFrame:
    """Tabulate simulated chances beside those of the noncentral F."""
    rows = [
        (task.blocks, task.field.samples, task.truth, found.shown[Sought.ANY], found.formula)
        for task, found in zip(tasks, done, strict=True)
        if task.question == "assessment" and task.formula is not None
    ]
    columns = ["blocks", "samples", "control_percent", "simulated", "noncentral_f"]
    return pd.DataFrame(rows, columns=columns)


def fewest_blocks(chances: pd.DataFrame, sought: Sought, samples: int, level: float) -> int | None:
    """Fewest blocks with which a control is shown with the chance that is wanted; None if none."""
    own = chances[
        (chances["question"] == sought.value)
        & (chances["control_percent"] == level)
        & (chances["samples"] == samples)
        & (chances["chance"] >= WANTED)
    ]
    return min(map(int, own["blocks"]), default=None)


def smallest_shown(chances: pd.DataFrame) -> pd.DataFrame:
    """Tabulate the smallest truth that is shown with the chance that is wanted."""
    rows = []
    keys = ["blocks", "samples", "question"]
    for (size, samples, question), part in chances.groupby(keys, sort=False):
        if question == Sought.ANY:
            continue
        rows.append({"blocks": size, "samples": samples, "question": question, **_found(part)})
    columns = [*keys, "control_percent", "difference_points", "days_longer"]
    return pd.DataFrame(rows, columns=columns)


def _found(part: pd.DataFrame) -> Mapping[str, float]:
    """From which truth on the chance is what is wanted, of one size and question."""
    chance = part["chance"].to_numpy(dtype=float)
    question = part["question"].iloc[0]
    if question == Sought.DAYS:
        days = part["days_longer"].to_numpy(dtype=float)
        return {"days_longer": _crossing(days, chance)}
    levels = part["control_percent"].to_numpy(dtype=float)
    assumed = float(part["against_percent"].iloc[0])
    if question == Sought.RATE:
        # The largest true difference at which the lower rate is still shown to be good enough.
        worst = _crossing(levels, chance)
        return {"control_percent": worst, "difference_points": assumed - worst}
    if question in {Sought.OTHER, Sought.WHOLE_REFERENCE}:
        # The treatment looked at is worse than the others: the last level that is found.
        keep = levels <= assumed
        found = _crossing(levels[keep][::-1], chance[keep][::-1])
        return {"control_percent": found, "difference_points": assumed - found}
    return {"control_percent": _crossing(levels, chance)}


def _crossing(levels: FloatArray, chance: FloatArray) -> float:
    """Where the chance first reaches what is wanted; NaN where it does not."""
    above = np.flatnonzero(chance >= WANTED)
    if not above.size:
        return float("nan")
    i = int(above[0])
    if i == 0:
        return float(levels[0])
    part = (WANTED - chance[i - 1]) / (chance[i] - chance[i - 1])
    return float(levels[i - 1] + part * (levels[i] - levels[i - 1]))
