"""What is said of products under which a pest rose, or whose interval says nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from known_truth.field import PEST, randomised_blocks, treatment_list, trial_of
from trialkit import Analysis, TreatmentRole, analyse, make_findings
from trialkit.findings.sentences import noun

DAYS = (-1.0, 7.0, 14.0)
#: Untreated, reference, and two rates of one product under which numbers rise.
RISING = np.array([[20.0, 4.0, 4.0], [20.0, 3.0, 3.0], [20.0, 60.0, 80.0], [20.0, 300.0, 400.0]])


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    rng = np.random.default_rng(4)
    field = randomised_blocks(rng, 4, 5)
    counts = rng.poisson(RISING[field.treatment]).astype(float)
    first, second, third, fourth = treatment_list(("Untreated", "Known", "Odd, full", "Odd, half"))
    second = replace(second, role=TreatmentRole.REFERENCE)
    third = replace(third, name="Odd", rate=2.0, rate_unit="L/ha")
    fourth = replace(fourth, name="Odd", rate=1.0, rate_unit="L/ha")
    return analyse(trial_of(field, (first, second, third, fourth), DAYS, counts, title="Rising"))


def test_nothing_is_said_to_reduce_less_than_what_reduced_nothing(analysis: Analysis) -> None:
    told = [item.text for item in make_findings(analysis) if item.question == "reference"]
    assert any("more" in text and "than the reference" in text for text in told)
    assert not any("reduced" in text for text in told if "not shown" not in text)


def test_limits_on_one_side_of_100_points_are_said_once(analysis: Analysis) -> None:
    texts = [item.text for item in make_findings(analysis)]
    assert any("CI wholly beyond 100" in text for text in texts)
    assert not any("beyond 100 to beyond 100" in text for text in texts)
    assert not any("beyond −100 to beyond 100" in text for text in texts)


def test_a_rate_under_which_numbers_rise_is_not_said_to_control(analysis: Analysis) -> None:
    told = [item for item in make_findings(analysis) if item.question == "rate" and item.claim]
    assert any("had more" in item.text and "over the trial" in item.text for item in told)
    assert not any("controlled" in item.text for item in told)


def test_what_stands_as_the_untreated_had_more_than_the_reference() -> None:
    rng = np.random.default_rng(11)
    field = randomised_blocks(rng, 3, 5)
    level = np.array([[20.0, 40.0, 40.0], [20.0, 4.0, 4.0], [20.0, 44.0, 44.0]])
    counts = rng.poisson(level[field.treatment]).astype(float)
    first, second, third = treatment_list(("Untreated", "Known", "Idle"))
    second = replace(second, role=TreatmentRole.REFERENCE)
    analysis = analyse(trial_of(field, (first, second, third), DAYS, counts, title="Idle"))
    told = [item.text for item in make_findings(analysis) if item.question == "reference"]
    assert any("Idle" in text and "had more" in text for text in told)
    assert not any("reduced" in text and "less" in text for text in told)


def test_a_slope_that_counting_error_makes_uncertain_is_not_called_absent() -> None:
    rng = np.random.default_rng(4)
    field = randomised_blocks(rng, 4, 5)
    counts = rng.poisson(RISING[field.treatment]).astype(float)
    names = treatment_list(("Untreated", "One", "Two", "Three"))
    yields = 50.0 - 0.1 * counts[:, 1:].sum(axis=1) + rng.normal(0.0, 0.5, field.plots)
    analysis = analyse(trial_of(field, names, DAYS, counts, title="Loss", yields=yields))
    loss = analysis.loss.copy()
    mine = loss["basis"] == "over treatments"
    loss.loc[mine, ["p", "corrected", "corrected_lower", "corrected_upper"]] = (
        1e-4,
        -2.0,
        -9.0,
        6.0,
    )
    wide = replace(analysis, loss=loss)
    (text,) = [item.text for item in make_findings(wide) if item.topic == "loss"]
    assert "uncertain" in text and "−6 to 9" in text
    assert "not significantly" not in text


@pytest.mark.parametrize(
    ("label", "word"),
    [("Weed dry matter, g per m2", "weed dry matter"), ("Height, cm", "height"),
     ("Larvae, small", "larvae, small"), ("Vigour, 1 to 9", "vigour, 1 to 9")],
)  # fmt: skip
def test_a_unit_behind_a_label_is_no_part_of_its_name(label: str, word: str) -> None:
    assert noun(replace(PEST, name="x", label=label)) == word
