"""What the analysis finds in trials of known truth, over many seeds.

`trialkit.analyse` computes much that is of no account here, so that the tables asked for are made
from the same steps alone; a test holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from known_truth.field import FloatArray
from known_truth.loss import loss_trial
from known_truth.mixture import mixture_trial
from known_truth.neighbours import neighbour_trial
from known_truth.persistence import persistence_trial
from trialkit.analysis.basis import Basis
from trialkit.analysis.efficacy.mixtures import mixture_period_table, mixture_table
from trialkit.analysis.efficacy.persistence import persistence_table, targets_held
from trialkit.analysis.efficacy.persistence_differences import (
    DAYS_HELD,
    persistence_difference_table,
)
from trialkit.analysis.efficacy.yield_loss import loss_table
from trialkit.analysis.fits.control import control_by_method
from trialkit.analysis.fits.courses import find_courses
from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.analysis.plots.responses import (
    area_responses,
    areas_above_thresholds,
    areas_under_curves,
    assessed_variables,
    count_responses,
    yield_responses,
)
from trialkit.analysis.supporting.neighbours import NEIGHBOURS, neighbour_table
from trialkit.trial import Trial


def basis_of(trial: Trial, *, courses: bool = True) -> Basis:
    """Take the first steps of the analysis; without ``courses`` no intervals of control."""
    plan = plan_plots(trial)
    assessed = assessed_variables(trial, plan)
    areas = areas_under_curves(assessed)
    drawn = find_courses(assessed, plan) if courses else {}
    return Basis(
        trial=trial,
        plan=plan,
        assessed=assessed,
        areas=areas,
        above=areas_above_thresholds(areas),
        harvested=None,
        responses=[
            *count_responses(assessed),
            *area_responses(areas),
            *yield_responses(trial, plan, None),
        ],
        scales=(),
        tested=None,
        courses=drawn,
        controlled=control_by_method(assessed, plan, trial.settings, drawn),
    )


def persistences(seeds: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Days held, and whether the interval covers the truth; both (seeds, 2).

    Days of a treatment that never reached the target are 0, and of one that held to the end
    those of the last assessment.
    """
    held, covered = [], []
    for seed in seeds:
        known = persistence_trial(seed)
        basis = basis_of(known.trial)
        rows = persistence_table(basis, targets_held(basis))
        truth = known.holds_until[1:]
        held.append(rows["holds_until_day"].fillna(0.0).to_numpy(dtype=float))
        upper = rows["upper"].fillna(np.inf).to_numpy(dtype=float)
        covered.append((rows["lower"].to_numpy(dtype=float) <= truth) & (truth <= upper))
    return np.array(held), np.array(covered, dtype=float)


def mixtures(seeds: Sequence[int], departure: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Difference from expectation, whether covered, whether called one; all (seeds, 3).

    On the two days after treatment, and over both together.
    """
    found, covered, called = [], [], []
    for seed in seeds:
        known = mixture_trial(seed, departure=departure, blocks=6, k=10.0, untreated=100.0)
        basis = basis_of(known.trial)
        columns = ["difference", "lower", "upper"]
        rows = pd.concat([mixture_table(basis)[columns], mixture_period_table(basis)[columns]])
        found.append(rows["difference"].to_numpy(dtype=float))
        lower, upper = rows["lower"].to_numpy(dtype=float), rows["upper"].to_numpy(dtype=float)
        covered.append((lower <= departure) & (departure <= upper))
        called.append((lower > 0) | (upper < 0))
    return np.array(found), np.array(covered, dtype=float), np.array(called, dtype=float)


def neighbours(seeds: Sequence[int], inflow: float) -> FloatArray:
    """P-value of the test for neighbours on the late day, (seeds,)."""
    p = []
    for seed in seeds:
        known = neighbour_trial(seed, inflow=inflow)
        rows = neighbour_table(basis_of(known.trial, courses=False))
        p.append(float(rows.loc[rows["question"] == NEIGHBOURS, "p"].iloc[-1]))
    return np.array(p)


def losses(seeds: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Slope over treatments and within them, and whether covered; both (seeds, 2)."""
    slope, covered = [], []
    for seed in seeds:
        known = loss_trial(seed)
        rows = loss_table(basis_of(known.trial, courses=False))
        lower, upper = rows["lower"].to_numpy(dtype=float), rows["upper"].to_numpy(dtype=float)
        slope.append(rows["slope"].to_numpy(dtype=float))
        covered.append((lower <= -known.loss_per_100) & (-known.loss_per_100 <= upper))
    return np.array(slope), np.array(covered, dtype=float)


def persistence_differences(
    seeds: Sequence[int], holds: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Days by which the second product held longer, whether covered, p-value; all (seeds,).

    In larger trials than the others: 6 blocks of plots that differ less.
    """
    found, covered, p = [], [], []
    for seed in seeds:
        known = persistence_trial(seed, holds=holds, blocks=6, k=10.0, untreated=100.0)
        basis = basis_of(known.trial)
        table = persistence_difference_table(basis, targets_held(basis))
        row = table[table["question"] == DAYS_HELD].iloc[0]
        truth = holds[0] - holds[1]
        found.append(float(row["difference"]))
        covered.append(row["lower"] <= truth <= row["upper"])
        p.append(float(row["p"]))
    return np.array(found), np.array(covered, dtype=float), np.array(p)
