"""The analysis gives back what invented trials were made with, as often as it says.

Bands are wide enough for the few seeds; tests/benchmarks/calibration_control.md has the figures
of many.
"""

from __future__ import annotations

import numpy as np
import pytest

from known_truth.loss import loss_trial
from known_truth.mixture import mixture_trial
from known_truth.neighbours import neighbour_trial
from known_truth.persistence import persistence_trial
from known_truth.recovery import (
    basis_of,
    losses,
    mixtures,
    neighbours,
    persistence_differences,
    persistences,
)
from trialkit.analysis import analyse
from trialkit.analysis.efficacy.mixtures import mixture_table
from trialkit.analysis.efficacy.persistence import persistence_table, targets_held
from trialkit.analysis.efficacy.yield_loss import loss_table
from trialkit.analysis.supporting.neighbours import neighbour_table

SEEDS = range(100, 140)


def test_the_steps_alone_give_the_tables_of_the_analysis() -> None:
    held = persistence_trial(1).trial
    basis = basis_of(held)
    assert persistence_table(basis, targets_held(basis)).equals(analyse(held).persistence)
    mixed = mixture_trial(2).trial
    assert mixture_table(basis_of(mixed)).equals(analyse(mixed).mixtures)
    mapped = neighbour_trial(3).trial
    assert neighbour_table(basis_of(mapped, courses=False)).equals(analyse(mapped).neighbours)
    lost = loss_trial(4).trial
    assert loss_table(basis_of(lost, courses=False)).equals(analyse(lost).loss)


def test_persistence_of_9_and_27_days_is_covered() -> None:
    held, covered = persistences(SEEDS)
    assert np.median(held, axis=0) == pytest.approx([9.0, 27.0], abs=2.0)
    assert (covered.mean(axis=0) >= 0.85).all()


def test_18_days_between_two_products_are_found_and_none_where_there_are_none() -> None:
    found, covered, p = persistence_differences(range(100, 125), (9.0, 27.0))
    assert np.median(found) == pytest.approx(-18.0, abs=1.5)
    assert covered.mean() >= 0.85
    assert (p < 0.05).mean() >= 0.85
    found, covered, p = persistence_differences(SEEDS, (14.0, 14.0))
    assert np.median(found) == pytest.approx(0.0, abs=1.5)
    assert covered.mean() >= 0.85
    assert (p < 0.05).mean() <= 0.13


def test_antagonism_of_15_points_is_found() -> None:
    found, covered, called = mixtures(SEEDS, -15.0)
    assert found.mean() == pytest.approx(-15.0, abs=3.0)
    assert 0.88 <= covered.mean() <= 1.0
    _, _, by_chance = mixtures(SEEDS, 0.0)
    assert by_chance.mean() <= 0.12
    assert called[:, :2].mean() > by_chance[:, :2].mean() + 0.1
    # Both days together tell much more than either.
    assert called[:, 2].mean() >= 0.55
    assert by_chance[:, 2].mean() <= 0.13


def test_neighbours_are_found_where_they_matter_and_not_otherwise() -> None:
    off = neighbours(SEEDS, 0.0)
    assert (off <= 0.05).mean() <= 0.13
    assert np.median(off) == pytest.approx(0.5, abs=0.2)
    on = neighbours(SEEDS, 1.5)
    assert (on <= 0.05).mean() > (off <= 0.05).mean() + 0.2


def test_loss_per_100_pest_days_is_covered() -> None:
    slope, covered = losses(range(100, 160))
    assert slope.mean(axis=0) == pytest.approx([-0.5, -0.5], abs=0.05)
    assert (covered.mean(axis=0) >= 0.85).all()
