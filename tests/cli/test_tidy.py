"""A trial on the desk, written in the toolkit's own form."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pytest
from typer.testing import CliRunner

import trialkit
from reading.folders import SOUND, write_folder
from trialkit.cli import app
from trialkit.reading import read, read_trial

RUN = CliRunner()


def flat(folder: Path) -> Path:
    """The sound trial as one table with headings of its own."""
    plan = dict(line.split(",", 1) for line in SOUND["plots.csv"].splitlines()[1:])
    lines = ["Plot No,Rep,Trt,DAT,Hoppers,Observer"]
    for line in SOUND["counts.csv"].splitlines()[1:]:
        plot, day, value = line.split(",")
        block, treatment = plan[plot].split(",")
        lines.append(
            f"{plot},{block},{'untreated' if treatment == '1' else treatment},{day},{value},JK"
        )
    path = folder / "desk.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("out", ["tidy", "tidy.xlsx"])
@pytest.mark.parametrize("kind", ["folder", "flat"])
def test_what_is_written_reads_back_equal(tmp_path, out, kind):
    source = write_folder(tmp_path / "trial") if kind == "folder" else flat(tmp_path)
    result = RUN.invoke(app, ["tidy", str(source), "--out", str(tmp_path / out)])
    assert result.exit_code == 0, result.output
    again = read(tmp_path / out)
    assert again.trial == read_trial(source)
    assert again.problems == ()


@pytest.mark.parametrize("name", trialkit.example_names())
def test_examples_are_tidied(tmp_path, name):
    trial = read_trial(trialkit.example_trial(name))
    assert (
        RUN.invoke(
            app, ["tidy", str(trialkit.example_trial(name)), "--out", str(tmp_path / "out.xlsx")]
        ).exit_code
        == 0
    )
    assert read_trial(tmp_path / "out.xlsx") == trial


def test_the_list_says_what_was_taken_for_what(tmp_path):
    source = flat(tmp_path)
    RUN.invoke(app, ["tidy", str(source), "--out", str(tmp_path / "tidy")])
    with (tmp_path / "tidy" / "understood.csv").open(encoding="utf-8-sig") as stream:
        rows = {row["written"]: row["taken for"] for row in csv.DictReader(stream)}
    assert (rows["Trt"], rows["Rep"], rows["DAT"]) == ("treatment", "block", "days_after")
    RUN.invoke(app, ["tidy", str(source), "--out", str(tmp_path / "tidy.xlsx")])
    assert "Understood" in openpyxl.load_workbook(tmp_path / "tidy.xlsx").sheetnames


def test_nothing_is_written_over_the_trial_or_of_a_bad_one(tmp_path):
    trial = write_folder(tmp_path / "trial")
    for out in (trial, tmp_path):
        assert RUN.invoke(app, ["tidy", str(trial), "--out", str(out)]).exit_code == 2
    bad = write_folder(tmp_path / "bad", counts_csv=SOUND["counts.csv"].replace("20", "many"))
    result = RUN.invoke(app, ["tidy", str(bad), "--out", str(tmp_path / "out")])
    assert result.exit_code == 1
    assert "Nothing was written." in result.output
    assert not (tmp_path / "out").exists()
