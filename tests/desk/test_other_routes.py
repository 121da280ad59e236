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
from trialkit.desk.sensitivity_text import sensitivity_lines, sensitivity_page

RUN = CliRunner()


def record_of(trial: trialkit.Trial, folder: Path) -> Path:
    quick = trial.with_settings(supporting=False)
    return trialkit.report_trial(quick, folder, formats=()).paths[-1]


@pytest.fixture(scope="module")
def wheat(tmp_path_factory: pytest.TempPathFactory) -> Path:
    trial = trialkit.read_trial(trialkit.example_trial("leaf_disease_wheat"))
    return record_of(trial, tmp_path_factory.mktemp("wheat"))


@pytest.mark.parametrize(
    ("name", "comparison"),
    [
        ("leaf_disease_wheat", "lsd"),
        ("leaf_disease_wheat", "holm"),
        ("leaf_disease_wheat", "dunnett"),
        ("leaf_disease_wheat", "snk"),
        ("leaf_disease_wheat", "duncan"),
        ("spider_mite_glasshouse", "scheffe"),
    ],
)
def test_general_libraries_give_the_same(name: str, comparison: str, tmp_path: Path) -> None:
    trial = trialkit.read_trial(trialkit.example_trial(name))
    found = second_route(
        trialkit.read_record(record_of(trial.with_settings(comparison=comparison), tmp_path))
    )
    assert found.same, second_route_lines(found)
    columns = {(item.table, item.column): item.compared for item in found.tables}
    assert columns["anova", "F"] >= 10
    assert columns["comparisons", "p_adjusted"] >= 50
    assert columns["means", "se"] >= 60
    assert columns["pest_days", "pest_days"] >= 50
    assert columns["control", "percent"] >= 50
    assert any("All persistence" in text for text in found.cannot)


@pytest.mark.parametrize(
    ("name", "model"), [("spider_mite_glasshouse", 20), ("fruit_moth_plum", 8)]
)
def test_counts_shares_covariates_and_courses_agree(name: str, model: int, tmp_path: Path) -> None:
    # Each route searches the dispersion of counts, and the correlation of shares, by itself.
    out = trialkit.report_trial(trialkit.example_trial(name), tmp_path, formats=()).paths[-1]
    found = second_route(trialkit.read_record(out))
    assert found.same, second_route_lines(found)
    columns = {(item.table, item.column): item for item in found.tables}
    assert columns["count_tests", "dispersion"].compared >= model
    assert columns["count_tests", "F"].largest < 1e-5
    assert columns["course_tests", "F"].compared >= 4
    assert columns["contrasts", "p"].compared >= 10
    if name == "spider_mite_glasshouse":
        assert columns["covariate", "slope"].compared == 5
        assert columns["adjusted_means", "se"].compared >= 25


@pytest.mark.parametrize(
    ("seed", "table", "column"),
    [(14, "recovered", "difference"), (10, "factor_differences", "se"),
     (11, "factor_comparisons", "difference"), (4, "comparisons", "difference")],
)  # fmt: skip
def test_random_effects_and_larger_units_agree(
    seed: int, table: str, column: str, tmp_path: Path
) -> None:
    trial = trialkit.read_trial(lay_out(tmp_path / "trial", seed))
    out = trialkit.report_trial(trial, tmp_path / "out", formats=()).paths[-1]
    found = second_route(trialkit.read_record(out))
    assert found.same, second_route_lines(found)
    assert any((item.table, item.column) == (table, column) for item in found.tables)


def test_a_number_that_is_wrong_in_the_record_is_found(wheat: Path) -> None:
    record = json.loads(wheat.read_text(encoding="utf-8"))
    row = next(row for row in record["tables"]["anova"] if row["source"] == "treatment")
    row["F"] *= 1.01
    found = second_route(record)
    assert not found.same
    (worst,) = [item for item in found.tables if not item.agrees]
    assert (worst.table, worst.column) == ("anova", "F")
    assert worst.largest == pytest.approx(0.01)


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


def test_a_record_is_not_analysed_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from trialkit.desk import sensitivity as module

    trial = trialkit.read_trial(trialkit.example_trial("fruit_moth_plum"))
    out = trialkit.report_trial(trial, tmp_path, formats=()).paths[-1]
    known = trialkit.sensitivity(trial)
    analysed: list[trialkit.Trial] = []

    def counted(given: trialkit.Trial) -> trialkit.Analysis:
        analysed.append(given)
        return trialkit.analyse(given)

    monkeypatch.setattr(module, "analyse", counted)
    found = trialkit.sensitivity(out)
    assert found == known
    held = {"the randomisation test", "the count model"}
    assert held < set(found.paths)
    assert len(analysed) == len(set(found.paths) - held)
    page = sensitivity_page(found)
    assert page.count("<tr>") == len(found.standings) + 1
    assert "http" not in page


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


@pytest.mark.parametrize("seed", range(0, 12, 2))
def test_random_trials_go_the_second_route(seed: int, tmp_path: Path) -> None:
    trial = trialkit.read_trial(lay_out(tmp_path / "trial", seed))
    found = second_route(trialkit.read_record(record_of(trial, tmp_path / "out")))
    assert found.same or not found.tables, second_route_lines(found)
