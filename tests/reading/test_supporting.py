"""The setting that leaves out what supports the tests."""

from __future__ import annotations

import pytest

from trialkit.reading import read_trial


@pytest.mark.parametrize(
    ("written", "taken"), [("false", False), ("true", True), ('"no"', False), ('"Yes"', True)]
)
def test_read_from_a_folder(folder, base, written, taken) -> None:
    text = base["trial.toml"] + f"\n[analysis]\nsupporting = {written}\n"
    assert read_trial(folder({"trial.toml": text})).settings.supporting is taken


def test_read_from_a_sheet(book, sheets) -> None:
    sheets["Trial"].append(["analysis.supporting", "no"])
    assert read_trial(book(sheets)).settings.supporting is False


def test_anything_else_is_refused(folder, base, check) -> None:
    text = base["trial.toml"] + '\n[analysis]\nsupporting = "some"\n'
    found = check(folder({"trial.toml": text}))
    assert "Allowed are true and false" in found.error("settings-value")
