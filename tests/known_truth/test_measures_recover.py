"""The measures, given the expected means of a known trial, give back its truth."""

import numpy as np
import pytest

from known_truth.loss import loss_trial
from known_truth.persistence import persistence_trial
from trialkit.measures.control import abbott
from trialkit.measures.persistence import persistence
from trialkit.measures.pest_days import pest_days


def test_persistence_of_9_and_27_days() -> None:
    known = persistence_trial(1)
    percent = abbott(known.expected, known.expected[0]).percent
    found = persistence(known.days, percent, 80.0)
    assert found.holds_until_day[1:] == pytest.approx(known.holds_until[1:])
    assert np.isnan(found.holds_until_day[0])
    assert not found.censored.any()


def test_persistence_is_near_the_truth_in_a_large_trial() -> None:
    known = persistence_trial(2, blocks=2000)
    means = np.array(
        [known.counts[known.field.treatment == code].mean(axis=0) for code in range(3)]
    )
    found = persistence(known.days, abbott(means, means[0]).percent, 80.0)
    # One point of control is 0.4 days here.
    assert found.holds_until_day[1:] == pytest.approx([9.0, 27.0], abs=1.0)


def test_pest_days_are_those_behind_the_yield() -> None:
    known = loss_trial(3)
    found = pest_days(known.days, known.counts)
    assert found.pest_days == pytest.approx(known.pest_days)
