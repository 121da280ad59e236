"""Days above a threshold of courses that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from known_truth.field import draw, mean_one_effects, randomised_blocks, treatment_list, trial_of
from known_truth.recovery import basis_of
from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.days_above import days_above_table
from trialkit.measures.pest_days import above_threshold

DAYS = (-1.0, 3.0, 7.0, 14.0, 21.0, 28.0)
COURSES = np.array(
    [
        [20, 30, 45, 60, 50, 40],
        [20, 6, 4, 9, 20, 30],
        [20, 15, 12, 14, 18, 20],
        [20, 1, 0.5, 0.5, 1, 3],
    ]
)
THRESHOLD = 15.0


def _field(seed: int) -> Basis:
    rng = np.random.default_rng(seed)
    field = randomised_blocks(rng, len(COURSES), 4)
    level = COURSES[field.treatment] * mean_one_effects(rng, 4, 0.2)[field.block][:, None]
    trial = trial_of(
        field,
        treatment_list(("Untreated", "Short", "About", "Long")),
        DAYS,
        draw(rng, level, 3.0),
        title="Known courses",
    )
    pest = replace(trial.variables[0], threshold=THRESHOLD)
    return basis_of(replace(trial, variables=(pest,)))


def test_known_courses_are_covered() -> None:
    truth = above_threshold(DAYS, COURSES, THRESHOLD).days_above
    covered, gaps = [], []
    for seed in range(40):
        rows = days_above_table(_field(seed))
        low, high = rows["lower"].to_numpy(), rows["upper"].to_numpy()
        covered.append((low - 1e-9 <= truth) & (truth <= high + 1e-9))
        low, high = rows["difference_lower"].to_numpy(), rows["difference_upper"].to_numpy()
        gap = truth[0] - truth
        gaps.append(((low - 1e-9 <= gap) & (gap <= high + 1e-9))[1:])
    assert (np.mean(covered, axis=0) >= 0.85).all()
    assert (np.mean(gaps, axis=0) >= 0.85).all()
