"""Shares k of n in the record: kept, run again, and checked where a record was edited."""

from __future__ import annotations

import copy

import pytest

import trialkit
from reading.folders import SOUND, changed, write_folder
from trialkit.problems import TrialError
from trialkit.record import read_record, rerun, trial_from_record

TOML = SOUND["trial.toml"] + (
    '[variables.damage]\nlabel = "Damaged heads"\nrole = "damage"\nexamined = "heads examined"\n'
    '[variables.dead]\nkind = "percent"\nrole = "damage"\nexamined = 50\n'
)


def _counts() -> str:
    lines = SOUND["counts.csv"].splitlines()
    text = f"{lines[0]},damage,heads examined,dead\n"
    for place, line in enumerate(lines[1:]):
        text += f"{line},{place % 5},{20 + place},{7 + place}\n"
    return text


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shares")
    path = write_folder(folder / "trial", trial_toml=TOML, counts_csv=_counts())
    written = trialkit.report_trial(trialkit.read_trial(path), folder, formats=())
    return trialkit.read_trial(path), read_record(written.paths[-1])


def test_the_record_keeps_the_numbers(made):
    trial, record = made
    assert trial_from_record(record) == trial
    rows = [row for row in record["trial"]["counts"] if row["variable"] == "damage"]
    assert [row["examined"] for row in rows[:2]] == [20, 26]
    names = {row["name"]: row["examined"] for row in record["trial"]["variables"]}
    assert names == {"hoppers": None, "damage": "heads examined", "dead": 50}


def test_it_runs_again_to_the_same_numbers(made):
    _, record = made
    agreement = rerun(record)
    assert agreement.same
    assert agreement.largest == 0.0
    models = {row["model"] for row in record["tables"]["count_models"]}
    assert models == {"negative binomial", "beta-binomial"}


def test_a_changed_number_examined_shows(made):
    _, record = made
    again = copy.deepcopy(record)
    row = next(
        row
        for row in again["trial"]["counts"]
        if (row["variable"], row["plot"], row["day"]) == ("damage", "12", 7)
    )
    row["value"], row["examined"] = row["value"] / 2, row["examined"] * 2
    tables = {item.table for item in rerun(again).differences}
    assert {"count_models", "count_tests", "means"} <= tables


def _first(record, variable):
    return next(row for row in record["trial"]["counts"] if row["variable"] == variable)


@pytest.mark.parametrize(
    ("variable", "changes", "words"),
    [
        ("damage", {"examined": None}, "lack a whole number examined"),
        ("damage", {"examined": 20.5}, "lack a whole number examined"),
        ("damage", {"examined": 0}, "lack a whole number examined"),
        ("damage", {"examined": -3}, "lack a whole number examined"),
        ("damage", {"examined": "many"}, "many"),
        ("damage", {"value": 33.0}, "no whole number of the units"),
        ("dead", {"examined": 100}, "not those that the variable names"),
        ("hoppers", {"examined": 10}, "a variable that is no share"),
    ],
)
def test_edited_numbers_are_refused(made, variable, changes, words):
    again = copy.deepcopy(made[1])
    _first(again, variable).update(changes)
    with pytest.raises(TrialError, match=words):
        trial_from_record(again)


@pytest.mark.parametrize(
    ("name", "changes", "words"),
    [
        ("damage", {"kind": "count"}, "a share and no percentage"),
        ("damage", {"examined": ""}, "share of"),
        ("damage", {"examined": None}, "a variable that is no share"),
        ("damage", {"examined": True}, "examined is 'True'"),
        ("damage", {"examined": 50}, "not those that the variable names"),
        ("dead", {"examined": 0.5}, "share of '0.5'"),
        ("dead", {"examined": [50]}, "examined is"),
    ],
)
def test_edited_variables_are_refused(made, name, changes, words):
    again = copy.deepcopy(made[1])
    next(row for row in again["trial"]["variables"] if row["name"] == name).update(changes)
    with pytest.raises(TrialError, match=words):
        trial_from_record(again)


def test_a_record_from_before_there_were_shares(tmp_path):
    """Its variables say nothing of numbers examined."""
    path = write_folder(tmp_path / "trial", counts_csv=changed("counts.csv", "12,7,4", "12,7,5"))
    written = trialkit.report_trial(trialkit.read_trial(path), tmp_path, formats=())
    record = read_record(written.paths[-1])
    for row in record["trial"]["variables"]:
        del row["examined"]
    assert all("examined" not in row for row in record["trial"]["counts"])
    for row in record["tables"]["count_models"]:
        for name in ("model", "odds", "odds_lower", "odds_upper", "hits", "examined"):
            del row[name]
    assert trial_from_record(record) == trialkit.read_trial(path)
