"""The command line: thin, honest in its exit status, at most 80 columns wide."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit
from reading.folders import SOUND, changed, write_folder
from trialkit.cli import app
from trialkit.numerals import number
from trialkit.problems import warning
from trialkit.wording import WIDTH, problem_lines

RUN = CliRunner()
COMMANDS = ("check", "report", "rerun")
EXAMPLE = trialkit.example_trial("leaf_beetle_potato")


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    result = RUN.invoke(app, ["report", str(EXAMPLE), "--out", str(out)])
    return out, result


def test_help_names_the_commands_and_shows_examples():
    result = RUN.invoke(app, ["--help"])
    assert result.exit_code == 0
    assert all(name in result.output for name in COMMANDS)
    for name in COMMANDS:
        result = RUN.invoke(app, [name, "--help"])
        assert result.exit_code == 0
        assert f"trialkit {name} " in result.output.split("Example", 1)[1]


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "from trialkit.cli import app\n"
        "from typer.testing import CliRunner\n"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        "heavy = {'pandas', 'scipy', 'statsmodels', 'matplotlib', 'plotnine', 'openpyxl'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_report_writes_the_files_and_says_so(reported):
    out, result = reported
    assert result.exit_code == 0
    assert sorted(path.name for path in out.iterdir()) == [
        "record.json",
        "report.docx",
        "report.html",
        "report.pdf",
        "tables.xlsx",
    ]
    assert "What the trial shows" in result.output
    assert "report.html" in result.output.splitlines()[-5]


def test_lines_fit_the_terminal(reported):
    out, result = reported
    lines = [line for line in result.output.splitlines() if str(out) not in line]
    assert max(len(line) for line in lines) <= 80
    result = RUN.invoke(app, ["check", str(EXAMPLE)])
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_check_says_what_was_understood():
    short = RUN.invoke(app, ["check", str(EXAMPLE)])
    result = RUN.invoke(app, ["check", str(EXAMPLE), "--all"])
    assert (short.exit_code, result.exit_code) == (0, 0)
    for word in ("randomised blocks, 4 blocks", "32", "larvae", "counts.csv", "days"):
        assert word in result.output
    assert "plot: plot" in result.output
    assert "plot: plot" not in short.output


def test_one_cause_is_one_problem(tmp_path):
    text = SOUND["counts.csv"].replace("\n", "x\n").replace("hoppersx", "hoppers")
    folder = write_folder(tmp_path, counts_csv=text)
    result = RUN.invoke(app, ["check", str(folder)])
    assert result.exit_code == 1
    assert result.output.count("is no number") == 1
    assert "more places: rows 3, 4, 5, 6 and" in " ".join(result.output.split())
    assert len(result.output.splitlines()) < 20


def test_a_report_answers_first(tmp_path):
    result = RUN.invoke(app, ["report", str(EXAMPLE), "--out", str(tmp_path), "--formats", "xlsx"])
    assert result.exit_code == 0
    assert result.output.startswith("What the trial shows")
    assert "needs to be done" not in result.output


def test_many_bad_trials_are_told_in_few_lines(tmp_path):
    text = SOUND["counts.csv"].replace("\n", "x\n").replace("hoppersx", "hoppers")
    paths = [str(write_folder(tmp_path / str(i), counts_csv=text)) for i in range(4)]
    args = ["report", *paths, "--out", str(tmp_path / "out"), "--formats", "xlsx", "--jobs", "1"]
    result = RUN.invoke(app, args)
    assert result.exit_code == 1
    assert len(result.output.splitlines()) < 10 * len(paths)


def test_check_shows_all_problems_and_exits_with_1(tmp_path):
    folder = write_folder(
        tmp_path, counts_csv=changed("counts.csv", "12,7,4", "12,7,four") + "99,7,1\n"
    )
    result = RUN.invoke(app, ["check", str(folder)])
    assert result.exit_code == 1
    assert "four" in result.output
    assert "99" in result.output
    assert "row 9" in result.output


def test_nothing_is_written_when_there_are_problems(tmp_path):
    folder = write_folder(tmp_path / "trial", plots_csv=changed("plots.csv", "12,A,2", "12,A,8"))
    out = tmp_path / "out"
    result = RUN.invoke(app, ["report", str(folder), "--out", str(out)])
    assert result.exit_code == 1
    assert "Nothing was written" in result.output
    assert not out.exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["report", "no_such_trial", "--out", "x"],
        ["report", str(EXAMPLE)],
        ["report", str(EXAMPLE), "--out", "x", "--formats", "papyrus"],
        ["check"],
        ["check", "no_such_trial"],
        ["rerun", "no_such.json"],
        ["shout"],
    ],
)
def test_wrong_usage_exits_with_2(arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert RUN.invoke(app, arguments).exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_quiet_is_quiet(tmp_path):
    folder = write_folder(tmp_path / "trial")
    result = RUN.invoke(
        app, ["report", str(folder), "--out", str(tmp_path / "out"), "--quiet", "--formats", "xlsx"]
    )
    assert result.exit_code == 0
    assert "What the trial shows" not in result.output
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "record.json",
        "tables.xlsx",
    ]


def test_rerun_agrees_and_finds_a_change(reported, tmp_path):
    out, _ = reported
    assert RUN.invoke(app, ["rerun", str(out / "record.json")]).exit_code == 0
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    record["tables"]["means"][3]["mean"] += 1
    spoilt = tmp_path / "record.json"
    spoilt.write_text(json.dumps(record), encoding="utf-8")
    result = RUN.invoke(app, ["rerun", str(spoilt)])
    assert result.exit_code == 1
    assert "means, row 4, mean" in result.output


def test_a_failed_write_leaves_the_old_files_whole(tmp_path, monkeypatch):
    folder = write_folder(tmp_path / "trial")
    out = tmp_path / "out"
    assert RUN.invoke(app, ["report", str(folder), "--out", str(out), "--quiet"]).exit_code == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", fail)
    result = RUN.invoke(app, ["report", str(folder), "--out", str(out)])
    assert result.exit_code == 1
    assert "No space left" in result.output
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


HOSTILE = ("<script>alert(1)</script>", "=1+1", "../x", "\N{BUG} \N{EM DASH}", "\x1b[31mred")


@pytest.mark.parametrize("text", HOSTILE)
def test_text_of_a_file_stays_text(text, tmp_path):
    import openpyxl

    folder = write_folder(
        tmp_path / "trial",
        treatments_csv=SOUND["treatments.csv"].replace("Velsin", text),
    )
    out = tmp_path / "out"
    result = RUN.invoke(app, ["report", str(folder), "--out", str(out)])
    assert result.exit_code == 0
    assert "\x1b" not in result.output
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    book = openpyxl.load_workbook(out / "tables.xlsx")
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "trial"]


def test_module_runs_as_a_program(tmp_path):
    environment = os.environ | {"COLUMNS": "80"}
    done = subprocess.run(
        [sys.executable, "-c", "from trialkit.cli import main; main()", "--version"],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
    )
    assert done.stdout.startswith("trialkit ")


def test_no_line_ends_inside_a_number():
    """Thousands are set apart by a space that does not break, also where lines are wrapped."""
    for length in range(56, 78):
        what = "x" * length + f" {number(1234567.0, 7)} larvae"
        lines = problem_lines([warning("kind", what, "Look.")])
        assert any(number(1234567.0, 7) in line for line in lines)
        assert all(len(line) <= WIDTH for line in lines)
