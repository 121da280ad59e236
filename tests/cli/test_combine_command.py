"""trialkit combine: page 1 in the terminal, the files of a series, series.toml, exit status."""

import json
import shutil

import pytest
from typer.testing import CliRunner

import trialkit
from trialkit.cli import app

EXAMPLE = trialkit.example_series("bean_aphids")
KEYS = ("crane_moor_2024", "crane_moor_2025", "withy_bottom_2025")
RUNNER = CliRunner()


def run(*words) -> tuple[int, str, str]:
    result = RUNNER.invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def trials(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trials")
    for key in KEYS:
        shutil.copytree(EXAMPLE / key, folder / key)
    return folder


@pytest.fixture(scope="module")
def written(tmp_path_factory, trials):
    out = tmp_path_factory.mktemp("series")
    code, told, _ = run("combine", trials, "--out", out, "--formats", "xlsx", "--jobs", 1)
    assert code == 0
    return out, told


def test_page_one_is_told_and_the_files_are_written(written):
    out, told = written
    assert {path.name for path in out.iterdir()} == {"tables.xlsx", "record.json"}
    assert max(map(len, told.splitlines())) <= 80
    assert "Larkmere" in told
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    assert record["format"] == "series 1"
    assert [row["key"] for row in record["inputs"]] == list(KEYS)


def test_without_a_folder_nothing_is_written(trials, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, told, _ = run("combine", trials, "--jobs", 1)
    assert code == 0
    assert "Written" not in told
    assert list(tmp_path.iterdir()) == []


def test_the_record_runs_again_and_is_compared(written, trials, tmp_path):
    out, _ = written
    code, told, _ = run("rerun", out / "record.json")
    assert code == 0
    assert "came out the same" in " ".join(told.split())
    changed = tmp_path / "trials"
    shutil.copytree(trials, changed)
    counts = changed / "withy_bottom_2025" / "counts.csv"
    lines = counts.read_text(encoding="utf-8").splitlines()
    cells = lines[60].split(",")
    cells[2] = str(int(cells[2]) + 400)
    lines[60] = ",".join(cells)
    counts.write_text("\n".join(lines) + "\n", encoding="utf-8")
    code, told, _ = run("compare", out / "record.json", changed)
    assert code == 1
    assert "trial withy_bottom_2025: as it was → other files" in " ".join(told.split())
    assert "crane_moor" not in told.split("Conclusions")[0].split("Versions")[0]
    code, told, _ = run("compare", out, trials)
    assert code == 0


def test_a_trial_and_a_series_are_not_compared(written, tmp_path):
    out, _ = written
    trialkit.report_trial(EXAMPLE / "crane_moor_2024", tmp_path, formats=())
    code, _, told = run("compare", out, tmp_path)
    assert code == 1
    assert "series of trials" in told
    code, _, told = run("sensitivity", out / "record.json")
    assert code == 1
    assert "record of several trials" in " ".join(told.split())


def test_start_writes_the_options_and_writes_over_nothing(trials, tmp_path):
    code, told, _ = run("combine", trials, "--start", "--out", tmp_path, "--jobs", 1)
    assert code == 0
    assert str(tmp_path / "series.toml") in told.replace("\n", "")
    assert 'reference = "Larkmere"' in (tmp_path / "series.toml").read_text(encoding="utf-8")
    code, _, told = run("combine", trials, "--start", "--out", tmp_path, "--jobs", 1)
    assert code == 1
    assert "is there already" in told
    code, _, told = run("combine", trials, "--start")
    assert code == 2


def test_problems_end_the_run(trials, tmp_path):
    bad = tmp_path / "series.toml"
    bad.write_text("target = 800\n")
    code, _, told = run("combine", trials, "--options", bad, "--out", tmp_path / "out")
    assert code == 1
    assert "series.toml, row 1" in told
    assert "Nothing was written." in told
    assert not (tmp_path / "out").exists()
    code, _, _ = run("combine", tmp_path / "nowhere")
    assert code == 2


def test_a_folder_may_hold_its_own_options(trials, tmp_path):
    shutil.copytree(trials, tmp_path / "trials")
    (tmp_path / "trials" / "series.toml").write_text('title = "Beans together"\n')
    code, told, _ = run("combine", tmp_path / "trials", "--jobs", 1)
    assert code == 0
    assert told.startswith("Beans together")
