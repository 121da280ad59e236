"""Records that were edited by hand, or damaged: a plain word, never a traceback."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest
from typer.testing import CliRunner

import trialkit
from reading.folders import changed, write_folder
from trialkit.cli import app
from trialkit.problems import TrialError
from trialkit.record import read_record, rerun, trial_from_record

RUN = CliRunner()
WRONG = (None, True, -1, 1e308, "x", "", [], {}, [1], {"a": 1}, 10**30, "nan")


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("edited")
    # A missing count, so that there is a warning to record.
    trial = write_folder(folder / "trial", counts_csv=changed("counts.csv", "12,7,4", "12,7,."))
    written = trialkit.report_trial(trial, folder, formats=())
    return read_record(written.paths[-1])


def paths(value, here=()):
    """Every place in nested lists and dictionaries, long lists by their ends."""
    if here:
        yield here
    if isinstance(value, dict):
        for key, item in value.items():
            yield from paths(item, (*here, key))
    elif isinstance(value, list):
        for index in sorted({*range(min(2, len(value))), *([len(value) - 1] if value else [])}):
            yield from paths(value[index], (*here, index))


def edited(record, path, value):
    again = copy.deepcopy(record)
    part = again
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    return again


@pytest.mark.parametrize("part", ["settings", "trial", "problems", "inputs"])
def test_any_value_of_any_kind_is_taken_or_refused_with_a_word(record, part):
    rng = np.random.default_rng(7)
    refused = 0
    for path in paths(record[part]):
        for index in rng.choice(len(WRONG), 3, replace=False):
            again = edited(record, (part, *path), WRONG[int(index)])
            try:
                trial_from_record(again)
            except TrialError as fault:
                refused += 1
                assert all(problem.remedy for problem in fault.problems)
    assert refused > 0


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("settings", "alpha"), "x"),
        (("settings", "alpha"), 2),
        (("settings", "seed"), -1),
        (("settings", "comparison"), "guess"),
        (("settings", "yield_unit"), "heaps"),
        (("settings", "crop_price"), -1),
        (("settings", "standard_moisture_percent"), 100),
        (("settings", "control_target"), "x"),
        (("trial", "plots", 0, "treatment"), "no such treatment"),
        (("trial", "plots", 0, "id"), "no such plot"),
        (("trial", "plots", 0, "block"), None),
        (("trial", "plots"), []),
        (("trial", "treatments", 0, "id"), "other"),
        (("trial", "treatments", 0, "rate"), "x"),
        (("trial", "treatments", 0, "parts"), [3]),
        (("trial", "untreated"), "no such treatment"),
        (("trial", "counts", 0, "plot"), "no such plot"),
        (("trial", "counts", 0, "variable"), "no such variable"),
        (("trial", "counts", 0, "value"), "many"),
        (("trial", "counts", 0, "value"), float("inf")),
        (("trial", "counts", 0, "value"), -1),
        (("trial", "counts", 0, "day"), None),
        (("tables",), None),
        (("tables", "means"), 3),
        (("tables", "means", 0), "row"),
        (("findings",), None),
    ],
)
def test_what_cannot_be_run_again_is_refused(record, path, value, tmp_path):
    file = tmp_path / "record.json"
    file.write_text(json.dumps(edited(record, path, value)), encoding="utf-8")
    result = RUN.invoke(app, ["rerun", str(file)])
    assert result.exit_code == 1
    assert "The record lacks or garbles a part" in result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)


@pytest.mark.parametrize(
    "path",
    [
        ("tables", "anova", 0, "sum_sq"),
        ("tables", "comparisons", 0, "p_adjusted"),
        ("tables", "control", 0, "percent"),
        ("tables", "pest_days", 0, "pest_days"),
        ("findings", 0, "text"),
        ("findings", 0, "front"),
    ],
)
def test_a_changed_result_is_named(record, path, tmp_path):
    file = tmp_path / "record.json"
    file.write_text(json.dumps(edited(record, path, 123.456)), encoding="utf-8")
    result = RUN.invoke(app, ["rerun", str(file)])
    assert result.exit_code == 1
    table = "findings" if path[0] == "findings" else path[1]
    assert f"{table}, row 1" in result.output


def test_a_change_below_the_last_digits_that_machines_agree_on_is_none(record):
    again = copy.deepcopy(record)
    again["tables"]["anova"][0]["sum_sq"] *= 1.0 + 1e-12
    assert rerun(again).same
    again["tables"]["anova"][0]["sum_sq"] *= 1.0 + 1e-8
    assert not rerun(again).same


def test_a_changed_count_changes_every_table_that_rests_on_it(record):
    again = copy.deepcopy(record)
    again["trial"]["counts"][-1]["value"] += 5
    tables = {difference.table for difference in rerun(again).differences}
    assert {"anova", "means", "comparisons"} <= tables


def test_a_changed_setting_shows(record):
    again = copy.deepcopy(record)
    again["settings"]["comparison"] = "bonferroni"
    columns = {(item.table, item.column) for item in rerun(again).differences}
    assert ("comparisons", "method") in columns


def test_deep_nesting_is_no_record(tmp_path):
    file = tmp_path / "record.json"
    file.write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(TrialError):
        read_record(file)


@pytest.mark.parametrize("text", ["2", "a = 2 against 9", "a = 2 against 2", 7])
def test_a_contrast_that_is_none_is_refused(record, text):
    with pytest.raises(TrialError, match="contrast"):
        trial_from_record(edited(record, ("settings", "contrasts"), [text]))
    kept = trial_from_record(edited(record, ("settings", "contrasts"), ["2 against 3"]))
    assert kept.settings.contrasts == ("2 against 3",)
