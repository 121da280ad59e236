"""What the data cannot tell becomes a note; a fault of ours reaches the user as a fault."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import trialkit
from random_trials.laying_out import DESIGNS, lay_out
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal import mixed_variances


def _with_missing_plots(tmp_path: Path, design: str) -> trialkit.Trial:
    """A random trial of a design of which some plots were lost on some day."""
    first = DESIGNS.index(design)
    for seed in range(first, first + 20 * len(DESIGNS), len(DESIGNS)):
        trial = trialkit.read_trial(lay_out(tmp_path / str(seed), seed))
        if trial.design.value == design and trial.counts["value"].isna().any():
            return trial
    raise AssertionError("no trial with a missing plot")


@pytest.mark.parametrize("fault", [ValueError, np.linalg.LinAlgError])
@pytest.mark.parametrize("design", ["split-plot", "strip-plot"])
def test_a_planted_fault_reaches_the_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, design: str, fault: type[Exception]
) -> None:
    def broken(*_: object, **__: object) -> object:
        raise fault("planted")

    trial = _with_missing_plots(tmp_path, design)
    monkeypatch.setattr(mixed_variances, "small_sample", broken)
    with pytest.raises(fault, match="planted"):
        trialkit.analyse(trial)


@pytest.mark.parametrize("design", ["split-plot", "strip-plot"])
def test_what_the_data_cannot_tell_becomes_a_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, design: str
) -> None:
    def cannot(*_: object, **__: object) -> object:
        raise NotEstimable("the stars stand badly")

    trial = _with_missing_plots(tmp_path, design)
    monkeypatch.setattr(mixed_variances, "small_sample", cannot)
    notes = trialkit.analyse(trial).responses["note"].dropna()
    assert any("the stars stand badly" in note for note in notes)


def test_a_planted_fault_in_courses_reaches_the_user(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> object:
        raise ValueError("planted")

    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    counts = trial.counts.copy()
    counts.loc[counts.index[-1], "value"] = np.nan
    monkeypatch.setattr(mixed_variances, "small_sample", broken)
    with pytest.raises(ValueError, match="planted"):
        trialkit.analyse(replace(trial, counts=counts))
