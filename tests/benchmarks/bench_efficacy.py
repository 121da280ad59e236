"""How often the comparisons of the efficacy story cover, and call, what is true.

Run as ``python tests/benchmarks/bench_efficacy.py [trials]``; prints the table of efficacy.md.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from known_truth.density import density_trial
from known_truth.field import draw, mean_one_effects, randomised_blocks, treatment_list, trial_of
from known_truth.mixture import mixture_trial
from known_truth.persistence import persistence_trial
from known_truth.recovery import basis_of
from trialkit.analysis.efficacy.days_above import days_above_table
from trialkit.analysis.efficacy.mixtures import mixture_period_table
from trialkit.analysis.efficacy.persistence import targets_held
from trialkit.analysis.efficacy.persistence_differences import persistence_difference_table
from trialkit.analysis.efficacy.rate_start import rate_start_table
from trialkit.measures.pest_days import above_threshold

Outcome = tuple[float, bool, int]  # estimate, covered, called less (-1), more (1) or neither
MIXED = {0.0: "as expected", -15.0: "15 points short", 12.0: "12 points more"}
LARGE = {"blocks": 6, "k": 10.0, "untreated": 100.0}
MONTH = (-1.0, 3.0, 7.0, 14.0, 21.0, 28.0)
COURSES = np.array(
    [
        [20, 30, 45, 60, 50, 40],
        [20, 6, 4, 9, 20, 30],
        [20, 15, 12, 14, 18, 20],
        [20, 1, 0.5, 0.5, 1, 3],
    ]
)


def _persistence(seed: int, holds: tuple[float, float], **field: float) -> Outcome:
    basis = basis_of(persistence_trial(seed, holds=holds, **field).trial)  # type: ignore[arg-type]
    table = persistence_difference_table(basis, targets_held(basis))
    row = table[table["question"] == "days held"].iloc[0]
    if row["reason"] is not None:
        return float("nan"), True, 0
    truth = holds[0] - holds[1]
    covered = row["lower"] - 1e-9 <= truth <= row["upper"] + 1e-9
    return float(row["difference"]), bool(covered), _called(row["p"], row["difference"])


def _called(p: float, beyond: float) -> int:
    return int(np.sign(beyond)) if p < 0.05 else 0


def _mixture(seed: int, departure: float, **field: object) -> Outcome:
    trial = mixture_trial(seed, departure=departure, **field).trial  # type: ignore[arg-type]
    row = mixture_period_table(basis_of(trial)).iloc[0]
    covered = row["lower"] <= departure <= row["upper"]
    called = {"more than expected": 1, "less than expected": -1}.get(row["verdict"], 0)
    return float(row["difference"]), bool(covered), called


def _start(seed: int, ratio: float) -> Outcome:
    table = rate_start_table(basis_of(density_trial(seed, ratio=ratio).trial))
    row = table[table["days_after"].isna()].iloc[0]
    covered = row["ratio_lower"] <= ratio <= row["ratio_upper"]
    return float(row["ratio"]), bool(covered), _called(row["p"], row["ratio"] - 1.0)


def _above(seed: int, code: int, threshold: float, k: float, column: str) -> Outcome:
    """Days of the mean of these very blocks: what they have in common is no error of a trial."""
    rng = np.random.default_rng(seed)
    field = randomised_blocks(rng, len(COURSES), 4)
    blocks = mean_one_effects(rng, 4, 0.2)
    level = COURSES[field.treatment] * blocks[field.block][:, None]
    names = [f"Treatment {i}" for i in range(len(COURSES))]
    trial = trial_of(field, treatment_list(names), MONTH, draw(rng, level, k), title="Courses")
    pest = replace(trial.variables[0], threshold=threshold)
    rows = days_above_table(basis_of(replace(trial, variables=(pest,))))
    truth = above_threshold(MONTH, COURSES * blocks.mean(), threshold).days_above
    row = rows.iloc[code]
    lower, upper, value = row["lower"], row["upper"], float(truth[code])
    if column == "difference":
        lower, upper = row["difference_lower"], row["difference_upper"]
        value = float(truth[0] - truth[code])
    covered = lower - 1e-9 <= value <= upper + 1e-9
    return float(row[column]), bool(covered), int(lower > 0) - int(upper < 0)


def settings() -> Iterator[tuple[str, Callable[[int], Outcome]]]:
    """Name of each setting, and one trial of it by its seed."""
    yield "days held, 27 against 9", lambda s: _persistence(s, (27.0, 9.0))
    yield "the same, 6 blocks, k 10", lambda s: _persistence(s, (27.0, 9.0), **LARGE)
    yield "days held, 14 against 14", lambda s: _persistence(s, (14.0, 14.0))
    yield "the same, 6 blocks, k 10", lambda s: _persistence(s, (14.0, 14.0), **LARGE)
    yield "days held, 33 against 33, of 35", lambda s: _persistence(s, (33.0, 33.0))
    yield "mixture, 15 points short, 6 blocks, k 10", lambda s: _mixture(s, -15.0, **LARGE)
    yield "mixture, as expected, 6 blocks, k 10", lambda s: _mixture(s, 0.0, **LARGE)
    yield "mixture, 15 points short", lambda s: _mixture(s, -15.0)
    yield "mixture, 12 points more", lambda s: _mixture(s, 12.0)
    yield "mixture, as expected", lambda s: _mixture(s, 0.0)
    yield "mixture, as expected, 5 days", lambda s: _mixture(s, 0.0, days=MONTH)
    for k in (0.5, 1.0, 2.0):
        for blocks in (3, 4, 6):
            for departure in (0.0, -15.0, 12.0):
                yield (
                    f"mixture, {MIXED[departure]}, {blocks} blocks, k {k:g}",
                    lambda s, d=departure, b=blocks, k=k: _mixture(s, d, blocks=b, k=k),  # type: ignore[misc]
                )
    yield "half rate, factor 1 a doubling", lambda s: _start(s, 1.0)
    yield "half rate, factor 1.5", lambda s: _start(s, 1.5)
    yield "half rate, factor 2", lambda s: _start(s, 2.0)
    for threshold, k in ((15.0, 3.0), (25.0, 10.0), (15.0, 1.0)):
        for code in range(3):
            yield (
                f"days above {threshold:g}, k {k:g}, course {code + 1}",
                lambda s, c=code, t=threshold, k=k: _above(s, c, t, k, "days"),  # type: ignore[misc]
            )
        yield (
            f"days saved, {threshold:g}, k {k:g}, course 2",
            lambda s, t=threshold, k=k: _above(s, 1, t, k, "difference"),  # type: ignore[misc]
        )

    for threshold in (15.0, 25.0):
        for code in (1, 2, 3):
            yield (
                f"days saved, {threshold:g}, k 0.5, course {code + 1}",
                lambda s, c=code, t=threshold: _above(s, c, t, 0.5, "difference"),  # type: ignore[misc]
            )


def main(trials: int) -> None:
    """Print one line a setting."""
    print("| setting | median estimate | covers, % | called less, % | called more, % |")
    print("| --- | --- | --- | --- | --- |")
    for name, one in settings():
        found = np.array([one(1000 + seed) for seed in range(trials)], dtype=float)
        middle = np.nanmedian(found[:, 0])
        covers = 100.0 * found[:, 1].mean()
        less, more = (100.0 * (found[:, 2] == side).mean() for side in (-1, 1))
        print(f"| {name} | {middle:.2f} | {covers:.1f} | {less:.1f} | {more:.1f} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
