"""Other routes to the same numbers, and other paths to the conclusions."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit
from random_trials.laying_out import lay_out
from trialkit.cli import app
from trialkit.desk.second_route import second_route, second_route_lines
from trialkit.desk.sensitivity import sensitivity_lines

RUN = CliRunner()


def record_of(trial: trialkit.Trial, folder: Path) -> Path:
    quick = trial.with_settings(supporting=False)
    return trialkit.report_trial(quick, folder, formats=()).paths[-1]


@pytest.fixture(scope="module")
def wheat(tmp_path_factory: pytest.TempPathFactory) -> Path:
    trial = trialkit.read_trial(trialkit.example_trial("leaf_disease_wheat"))
    return record_of(trial, tmp_path_factory.mktemp("wheat"))


@pytest.mark.parametrize("name", ["leaf_disease_wheat", "spider_mite_glasshouse"])
@pytest.mark.parametrize("comparison", ["lsd", "holm", "scheffe", "tukey"])
def test_general_libraries_give_the_same(name: str, comparison: str, tmp_path: Path) -> None:
    trial = trialkit.read_trial(trialkit.example_trial(name))
    found = second_route(
        trialkit.read_record(record_of(trial.with_settings(comparison=comparison), tmp_path))
    )
    assert found.same, second_route_lines(found)
    columns = {(item.table, item.column): item.compared for item in found.tables}
    assert columns["anova", "F"] >= 10
    assert columns["comparisons", "p_adjusted"] >= 100
    assert any("percent control" in text for text in found.cannot)


def test_a_number_that_is_wrong_in_the_record_is_found(wheat: Path) -> None:
    record = json.loads(wheat.read_text(encoding="utf-8"))
    row = next(row for row in record["tables"]["anova"] if row["source"] == "treatment")
    row["F"] *= 1.01
    found = second_route(record)
    assert not found.same
    worst = max(found.tables, key=lambda item: item.largest)
    assert (worst.table, worst.column) == ("anova", "F")
    assert worst.largest == pytest.approx(0.01 / 1.01)


def test_the_command_tells_both_routes(wheat: Path) -> None:
    done = RUN.invoke(app, ["rerun", str(wheat), "--second-route"])
    assert done.exit_code == 0, done.output
    assert "Second route" in done.output
    assert "all agrees" in done.output


def test_fragile_conclusions_come_first(wheat: Path) -> None:
    found = trialkit.sensitivity(wheat)
    fragile = [item.fragile for item in found.standings]
    assert fragile == sorted(fragile, reverse=True)
    assert {"transform sqrt", "comparison tukey", "control by henderson-tilton"} <= set(found.paths)
    assert any(path.startswith("without plot") for path in found.paths)
    lines = sensitivity_lines(found)
    assert any(line.startswith("Fragile") for line in lines) == any(fragile)


def test_a_conclusion_that_one_block_makes_falls_without_it() -> None:
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    block = {plot.id for plot in trial.plots if plot.block == "1"}
    two = {plot.id for plot in trial.plots if plot.treatment == "3"}
    counts = trial.counts.copy()
    # Only in block 1 had treatment 3 anything, and much of it.
    mine = counts["variable"].eq("larvae") & counts["plot"].isin(two) & counts["day"].gt(0)
    counts.loc[mine, "value"] = 0.0
    counts.loc[mine & counts["plot"].isin(block), "value"] = 900.0
    found = trialkit.sensitivity(replace(trial, counts=counts))
    assert "without block 1" in found.paths
    ours = [item for item in found.standings if "without block 1" in item.falls + item.turns]
    assert ours


@pytest.mark.parametrize("seed", range(12))
def test_random_trials_go_the_second_route(seed: int, tmp_path: Path) -> None:
    trial = trialkit.read_trial(lay_out(tmp_path / "trial", seed))
    found = second_route(trialkit.read_record(record_of(trial, tmp_path / "out")))
    assert found.same or not found.tables, second_route_lines(found)
