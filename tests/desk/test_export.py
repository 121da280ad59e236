"""Exported scripts, run by themselves, give the numbers of the record."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit
from random_trials.laying_out import lay_out
from trialkit.cli import app
from trialkit.trial import Design

RUN = CliRunner()
COMMANDS = {"python": [sys.executable, "analysis.py"], "r": ["Rscript", "analysis.R"]}
needs_r = pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")
SCRIPTS = ["python", pytest.param("r", marks=needs_r)]


def trial_of(design: str, folder: Path) -> trialkit.Trial:
    if design in {"latin", "crd"}:
        name = {"latin": "leaf_disease_wheat", "crd": "spider_mite_glasshouse"}[design]
        return trialkit.read_trial(trialkit.example_trial(name))
    if design == "rcbd":
        return trialkit.read_trial(trialkit.example_trial("thrips_onion_field_office.xlsx"))
    for seed in range(60):
        trial = trialkit.read_trial(lay_out(folder / str(seed), seed))
        counted = not trial.counts["value"].isna().any() and trial.main_plots is None
        if trial.design is Design(design) and counted:
            return trial
    raise AssertionError("no random trial of that design")


def run_script(record: Path, script: str, out: Path) -> subprocess.CompletedProcess[str]:
    done = RUN.invoke(app, ["export", str(record), "--script", script, "--out", str(out)])
    assert done.exit_code == 0, done.output
    return subprocess.run(COMMANDS[script], cwd=out, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("script", SCRIPTS)
@pytest.mark.parametrize("design", ["crd", "rcbd", "latin", "split-plot", "strip-plot"])
def test_a_script_gives_the_numbers_of_the_record(design: str, script: str, tmp_path: Path) -> None:
    trial = trial_of(design, tmp_path).with_settings(supporting=False)
    record = trialkit.report_trial(trial, tmp_path / "report", formats=()).paths[-1]
    done = run_script(record, script, tmp_path / "script")
    assert done.returncode == 0, done.stdout[-500:] + done.stderr
    largest = re.search(r"Largest difference: (\S+)", done.stdout)
    assert largest is not None
    assert float(largest[1]) < 1e-6
    assert len(re.findall(r": F ", done.stdout)) >= 3


def test_a_script_tells_where_the_record_is_wrong(tmp_path: Path) -> None:
    trial = trial_of("crd", tmp_path).with_settings(supporting=False)
    record = trialkit.report_trial(trial, tmp_path / "report", formats=()).paths[-1]
    run_script(record, "python", tmp_path / "script")
    kept = tmp_path / "script" / "recorded.csv"
    lines = kept.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    cells[-2] = "99"
    kept.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
    done = subprocess.run(
        COMMANDS["python"], cwd=kept.parent, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
