"""Many trials in one run: each to its own folder, one that fails stops no other."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

import trialkit
import trialkit.run
from reading.folders import changed, write_folder
from trialkit.cli import app
from trialkit.many import report_trials
from trialkit.processes import folder_names
from trialkit.wording import WIDTH

RUN = CliRunner()


@pytest.fixture(scope="module")
def trials(tmp_path_factory):
    """Two sound trials about one with two problems."""
    root = tmp_path_factory.mktemp("trials")
    spoilt = changed("counts.csv", "12,7,4", "12,7,four") + "99,7,1\n"
    return [
        write_folder(root / "first"),
        write_folder(root / "spoilt", counts_csv=spoilt),
        write_folder(root / "third", counts_csv=changed("counts.csv", "12,7,4", "12,7,5")),
    ]


@pytest.fixture(scope="module")
def reported(trials, tmp_path_factory):
    """A run of all three from the command line on two processes, without figures."""
    out = tmp_path_factory.mktemp("reports")
    result = RUN.invoke(
        app,
        ["report", *map(str, trials), "--out", str(out), "--formats", "xlsx", "--jobs", "2"],
    )
    return out, result


def recorded(folder: Path) -> dict[str, object]:
    record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    assert record.pop("made")
    return record


def test_each_trial_has_its_own_folder(reported):
    out, _ = reported
    folders = sorted(path for path in out.iterdir() if path.is_dir())
    assert [folder.name for folder in folders] == ["first", "third"]
    assert {"overview.csv", "overview.html"} <= {path.name for path in out.iterdir()}
    for folder in folders:
        assert sorted(path.name for path in folder.iterdir()) == ["record.json", "tables.xlsx"]
    values = [recorded(out / name)["trial"]["counts"] for name in ("first", "third")]
    assert values[0] != values[1]


def test_one_that_fails_stops_no_other_and_shows_in_the_status(reported):
    _, result = reported
    assert result.exit_code == 1
    assert "2 of 3 trials written; 1 has problems." in result.output
    assert "four" in result.output
    assert "99" in result.output  # all its problems, not only the first
    assert result.output.count("nothing was written") == 1


def test_all_sound_trials_exit_with_0(trials, tmp_path):
    arguments = ["report", str(trials[0]), str(trials[2]), "--formats", "xlsx", "--jobs", "1"]
    result = RUN.invoke(app, [*arguments, "--out", str(tmp_path)])
    assert result.exit_code == 0
    assert result.output.splitlines()[-1] == "All 2 trials were written."
    quiet = RUN.invoke(app, [*arguments, "--out", str(tmp_path), "--quiet"])
    assert (quiet.exit_code, quiet.output) == (0, "")


def test_lines_fit_the_terminal(reported):
    out, result = reported
    lines = [line for line in result.output.splitlines() if str(out.parent) not in line]
    assert max(len(line) for line in lines) <= WIDTH + 2


def test_a_trial_gives_the_same_alone_and_among_others(reported, trials, tmp_path):
    out, _ = reported
    trialkit.report_trial(trials[0], tmp_path, formats=["xlsx"])
    assert recorded(tmp_path) == recorded(out / "first")


def test_number_of_processes_changes_nothing(trials, tmp_path):
    told: list[str] = []
    for jobs in (1, 2):
        found = report_trials(
            trials, tmp_path / str(jobs), formats=["xlsx"], jobs=jobs, progress=told.append
        )
        assert [item.name for item in found] == ["first", "spoilt", "third"]
        assert [item.written for item in found] == [True, False, True]
        assert {problem.place.row for problem in found[1].problems} >= {9, 14}
    assert recorded(tmp_path / "1" / "third") == recorded(tmp_path / "2" / "third")
    assert told == [f"{i} of 3 trials" for i in (1, 2, 3)] * 2


def test_tables_alone_draw_no_figure(trials, tmp_path):
    code = (
        "import sys, trialkit\n"
        "trialkit.report_trials(sys.argv[2:], sys.argv[1], formats=['xlsx'], jobs=1)\n"
        "print(sorted({'plotnine', 'matplotlib'} & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), str(trials[0])],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[]"
    assert (tmp_path / "first" / "tables.xlsx").exists()


def test_a_fault_of_ours_in_one_trial_is_told_and_costs_no_other(trials, tmp_path, monkeypatch):
    whole = trialkit.run.report_trial

    def fails_on_first(trial: Path, *rest, **named):
        if trial.name == "first":
            raise ZeroDivisionError("told")
        return whole(trial, *rest, **named)

    monkeypatch.setattr(trialkit.run, "report_trial", fails_on_first)
    found = report_trials([trials[0], trials[2]], tmp_path, formats=["xlsx"], jobs=1)
    assert [item.written for item in found] == [False, True]
    assert "ZeroDivisionError: told" in found[0].problems[0].what


def test_files_that_cannot_be_written_are_told(trials, tmp_path):
    (tmp_path / "first").write_text("in the way")
    found = report_trials([trials[0], trials[2]], tmp_path, formats=["xlsx"], jobs=1)
    assert [item.written for item in found] == [False, True]
    assert "could not be written" in found[0].problems[0].what


@pytest.mark.skipif(
    multiprocessing.get_start_method() != "fork", reason="a fresh process knows no patch"
)
def test_a_process_that_is_lost_is_told(trials, tmp_path, monkeypatch):
    monkeypatch.setattr(trialkit.run, "report_trial", lambda *_, **__: os._exit(9))
    found = report_trials([trials[0], trials[2]], tmp_path, jobs=2)
    assert [item.written for item in found] == [False, False]
    assert "ended before it was done" in found[0].problems[0].what


@pytest.mark.parametrize("more", [["no_such_trial"], ["--jobs", "0"], ["--formats", "papyrus"]])
def test_wrong_usage_exits_with_2_and_writes_nothing(more, trials, tmp_path):
    out = tmp_path / "out"
    arguments = ["report", str(trials[0]), str(trials[2]), "--out", str(out), *more]
    assert RUN.invoke(app, arguments).exit_code == 2
    assert not out.exists()


def test_trials_called_alike_get_the_name_of_the_folder_above(tmp_path):
    for site in ("north", "south"):
        (tmp_path / site).mkdir()
        (tmp_path / site / "plots.xlsx").touch()
    (tmp_path / "beetle.2025").mkdir()
    paths = [*(tmp_path / site / "plots.xlsx" for site in ("north", "south"))]
    assert folder_names(paths) == ["north-plots", "south-plots"]
    assert folder_names([tmp_path / "beetle.2025", paths[0]]) == ["beetle.2025", "plots"]
    assert folder_names([paths[0], paths[0]]) == ["north-plots", "north-plots-2"]
    assert folder_names([Path("/")]) == ["trial"]


@given(
    st.lists(
        st.lists(st.sampled_from(["a", "A", "a-a", "a-2", "b", ".."]), min_size=1, max_size=3),
        min_size=1,
        max_size=8,
    )
)
def test_names_of_folders_differ_and_stay_inside(parts):
    names = folder_names([Path("/no_such_place", *part) for part in parts])
    assert len({name.casefold() for name in names}) == len(parts)
    assert all(name not in {"", ".", ".."} and "/" not in name for name in names)
