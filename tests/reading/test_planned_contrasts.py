"""Planned contrasts of the settings: how they are written, and what is refused."""

from __future__ import annotations

import pytest

from trialkit.planned import read_planned
from trialkit.reading import read_trial
from trialkit.reading.saving import save_trial


def _saved(trial, target):
    save_trial(trial, target)
    return read_trial(target)


ASKED = '\n[analysis]\ncontrasts = ["all against nothing = 2 against 1", "2 Against 1"]\n'


def test_a_contrast_is_a_name_and_two_groups() -> None:
    found = read_planned("sprays or drench = 2, 3 ,3 against 4")
    assert (found.name, found.group, found.against) == ("sprays or drench", ("2", "3"), ("4",))
    plain = read_planned("a:b, c against d")
    assert (plain.name, plain.group) == ("a:b, c against d", ("a:b", "c"))


@pytest.mark.parametrize(
    "text", ["2", "x = 2", "x = 2 against", "2 against 3 against 4", "2 against 2, 3"]
)
def test_what_is_no_contrast_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="treatment"):
        read_planned(text)


def test_read_from_a_folder_and_saved_again(folder, base, tmp_path) -> None:
    trial = read_trial(folder({"trial.toml": base["trial.toml"] + ASKED}))
    assert trial.settings.contrasts == ("all against nothing = 2 against 1", "2 Against 1")
    for target in (tmp_path / "again", tmp_path / "again.xlsx"):
        assert _saved(trial, target).settings == trial.settings


def test_read_from_a_sheet(book, sheets) -> None:
    sheets["Trial"].append(["analysis.contrasts", "first = 2 against 1; 1 against 2"])
    assert read_trial(book(sheets)).settings.contrasts == ("first = 2 against 1", "1 against 2")


@pytest.mark.parametrize(
    ("written", "what", "remedy"),
    [
        ("a = 2", "which treatments against which", "Write name"),
        ("a = 2 against 9", "names '9', which is no treatment", "by their ids"),
        ("a = 2 against 2", "treatment 2 stands on both sides", "Write name"),
        ('a = 2 against 1", "a = 1 against 2', "Two planned contrasts are named 'a'", "of its own"),
    ],
)
def test_faults_are_told_with_their_line(folder, base, check, written, what, remedy) -> None:
    text = base["trial.toml"] + f'\n[analysis]\ncontrasts = ["{written}"]\n'
    found = check(folder({"trial.toml": text}))
    found.error("bad-contrast")
    problem = found.one("bad-contrast")
    assert what in problem.what
    assert remedy in problem.remedy
    assert problem.place.row == len(text.splitlines())
