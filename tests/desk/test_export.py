"""Exported scripts, run by themselves, give the numbers of the record."""

from __future__ import annotations

import re
import runpy
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit
from random_trials.laying_out import lay_out
from trialkit.cli import app
from trialkit.trial import Design

RUN = CliRunner()
COMMANDS = {
    "python": [sys.executable, "-W", "error", "analysis.py"],
    "r": ["Rscript", "analysis.R"],
}
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


def exported(trial: trialkit.Trial, folder: Path, script: str) -> Path:
    """A script with its tables, of the record of a trial."""
    record = trialkit.report_trial(trial, folder / "report", formats=()).paths[-1]
    out = folder / "script"
    done = RUN.invoke(app, ["export", str(record), "--script", script, "--out", str(out)])
    assert done.exit_code == 0, done.output
    return out


def by_itself(out: Path, script: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(COMMANDS[script], cwd=out, capture_output=True, text=True, check=False)


def said(out: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What a Python script prints, run in this process; all has to agree."""
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(out / "analysis.py"))
    text = capsys.readouterr().out
    assert ended.value.code == 0, text[-500:]
    return text


def first_days(trial: trialkit.Trial) -> trialkit.Trial:
    """The trial without its later days, which only take time."""
    early = trial.counts[trial.counts["day"] <= 3].reset_index(drop=True)
    return replace(trial, counts=early)


@pytest.mark.parametrize("design", ["crd", "rcbd", "latin", "split-plot", "strip-plot"])
def test_a_script_gives_the_numbers_of_the_record(
    design: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trial = trial_of(design, tmp_path).with_settings(supporting=False)
    text = said(exported(trial, tmp_path, "python"), capsys)
    assert len(re.findall(r": F ", text)) >= 3
    assert len(re.findall(r"mean of ", text)) >= 6
    assert len(re.findall(r" - \S+: SE ", text)) >= 3


@pytest.mark.parametrize("script", SCRIPTS)
@pytest.mark.parametrize("design", ["crd", "strip-plot"])
def test_a_script_runs_by_itself(design: str, script: str, tmp_path: Path) -> None:
    trial = first_days(trial_of(design, tmp_path)).with_settings(supporting=False)
    done = by_itself(exported(trial, tmp_path, script), script)
    assert done.returncode == 0, done.stdout[-500:] + done.stderr
    largest = re.search(r"Largest difference.*: (\S+)", done.stdout)
    assert largest is not None
    assert float(largest[1]) < 1e-6


@pytest.mark.parametrize("comparison", ["dunnett", "snk", "duncan", "sidak", "fdr", "scheffe"])
def test_every_procedure_is_written(
    comparison: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trial = first_days(trial_of("crd", tmp_path))
    trial = trial.with_settings(supporting=False, comparison=comparison)
    text = said(exported(trial, tmp_path, "python"), capsys)
    assert len(re.findall(rf": P, {comparison} ", text)) >= 10


@pytest.mark.parametrize("seed", [8, 14, 34])
def test_random_effects_are_fitted(
    seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Incomplete blocks recovered, and larger units of which plots are missing.
    trial = trialkit.read_trial(lay_out(tmp_path / "trial", seed))
    assert "Random effects" in said(exported(trial, tmp_path, "python"), capsys)


def test_a_script_tells_where_the_record_is_wrong(tmp_path: Path) -> None:
    trial = first_days(trial_of("crd", tmp_path)).with_settings(supporting=False)
    exported(trial, tmp_path, "python")
    kept = tmp_path / "script" / "tests.csv"
    lines = kept.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    cells[-2] = "99"
    kept.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
    done = subprocess.run(
        COMMANDS["python"], cwd=kept.parent, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
