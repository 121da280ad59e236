"""A trial made in Python is looked at before it is analysed, in the words of the command line."""

from collections.abc import Callable
from dataclasses import replace

import pytest

import trialkit
from trialkit import Trial, TrialError
from trialkit.trial import Design
from trialkit.trial_faults import trial_faults

TRIAL = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))


def _first_plot(**changes: object) -> Trial:
    return replace(TRIAL, plots=(replace(TRIAL.plots[0], **changes), *TRIAL.plots[1:]))


def _counts(column: str, value: object) -> Trial:
    counts = TRIAL.counts.copy()
    counts[column] = counts[column].where(counts.index != counts.index[0], value)
    return replace(TRIAL, counts=counts)


@pytest.mark.parametrize("name", trialkit.example_names())
def test_examples_are_sound(name: str) -> None:
    assert trial_faults(trialkit.read_trial(trialkit.example_trial(name))) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda: replace(TRIAL, untreated="12"), "The untreated is '12', which is not listed"),
        (lambda: replace(TRIAL, design="rcbd"), "design is"),
        (lambda: replace(TRIAL, plots=list(TRIAL.plots)), "Trial: plots is"),
        (lambda: replace(TRIAL, plots=()), "no plots"),
        (lambda: replace(TRIAL, design=Design.LATIN), "no Latin square"),
        (lambda: replace(TRIAL, design=Design.SPLIT_PLOT), "main_factor and sub_factor"),
        (lambda: replace(TRIAL, treatments=(*TRIAL.treatments, TRIAL.treatments[0])), "twice"),
        (lambda: _first_plot(block=None), "These plots have no block"),
        (lambda: _first_plot(treatment="99"), "Plots name the treatment '99'"),
        (lambda: _first_plot(id=TRIAL.plots[1].id), "is listed twice"),
        (lambda: _counts("plot", "no such"), "Counts name the plot 'no such'"),
        (lambda: _counts("value", -1.0), "below 0"),
        (lambda: _counts("value", float("inf")), "no plot can have"),
        (lambda: _counts("day", float("nan")), "lack their day"),
        (lambda: TRIAL.with_settings(contrasts=["4 against 77"]), "no treatment"),
    ],
)
def test_what_is_unsound_is_refused_in_words(change: Callable[[], Trial], words: str) -> None:
    with pytest.raises(TrialError, match=words):
        trialkit.analyse(change())
