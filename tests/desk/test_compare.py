"""One cell, one setting, one version changed: the cause is named."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit
from trialkit.cli import app
from trialkit.desk import compare
from trialkit.desk.comparison_text import comparison_lines, comparison_page

RUN = CliRunner()


@pytest.fixture(scope="module")
def trial() -> trialkit.Trial:
    return trialkit.read_trial(trialkit.example_trial("spider_mite_glasshouse"))


@pytest.fixture(scope="module")
def report(trial: trialkit.Trial, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    trialkit.report_trial(trial, out, formats=("pdf",))
    return out


@pytest.fixture(scope="module")
def changed_cell(trial: trialkit.Trial) -> trialkit.Trial:
    counts = trial.counts.copy()
    place = counts.index[(counts["day"] == counts["day"].max()) & counts["value"].notna()][0]
    counts.loc[place, "value"] = counts.loc[place, "value"] * 10 + 3
    return replace(trial, counts=counts)


def test_a_report_and_the_trial_behind_it_are_the_same(report: Path) -> None:
    found = compare(report, trialkit.example_trial("spider_mite_glasshouse"))
    assert found.same, comparison_lines(found)
    assert "The same" in comparison_lines(found)[0]
    assert found.compared > 1000


def test_one_cell_is_named(
    report: Path, changed_cell: trialkit.Trial, trial: trialkit.Trial
) -> None:
    found = compare(report / "record.json", changed_cell)
    assert not found.same
    assert len(found.data) == 1
    change = found.data[0]
    assert change.where.startswith("counts, plot ")
    assert "day 28" in change.where
    old = trial.counts["value"]
    assert change.old in set(old)
    assert found.numbers > 10
    assert not found.settings
    assert any("The one cause: counts, plot" in line for line in comparison_lines(found)) == bool(
        found.conclusions
    )


def test_one_setting_is_named(trial: trialkit.Trial) -> None:
    found = compare(trial, trial.with_settings(comparison="lsd"))
    assert [change.where for change in found.settings] == ["settings, comparison"]
    assert not found.data
    assert found.conclusions
    page = comparison_page(found)
    assert "dunnett" in page
    assert "http" not in page


def test_one_version_is_named(report: Path, tmp_path: Path) -> None:
    record = json.loads((report / "record.json").read_text(encoding="utf-8"))
    record["environment"]["numpy"] = "1.0"
    (tmp_path / "record.json").write_text(json.dumps(record), encoding="utf-8")
    found = compare(report, tmp_path / "record.json")
    assert [change.where for change in found.versions] == ["environment, numpy"]
    assert found.alike
    assert not found.same
    assert "agree, but other versions worked them out" in " ".join(comparison_lines(found))


def test_a_warning_on_one_side_is_named(report: Path, tmp_path: Path) -> None:
    record = json.loads((report / "record.json").read_text(encoding="utf-8"))
    warning = record["problems"].pop()
    (tmp_path / "record.json").write_text(json.dumps(record), encoding="utf-8")
    found = compare(report, tmp_path / "record.json")
    assert [(item.old, item.new) for item in found.warnings] == [(warning["what"], None)]
    assert not found.same


def test_an_edited_title_is_found(report: Path, tmp_path: Path) -> None:
    text = (report / "record.json").read_text(encoding="utf-8")
    title = "Spider mites on glasshouse cucumbers, spring 2025"
    assert title in text
    (tmp_path / "record.json").write_text(text.replace(title, "Another title"), encoding="utf-8")
    found = compare(report, tmp_path / "record.json")
    assert found.second.edited == ("data", "record")
    assert not found.same
    again = trialkit.rerun(trialkit.read_record(tmp_path / "record.json"))
    assert again.edited
    assert not again.same
    assert trialkit.rerun(trialkit.read_record(report / "record.json")).same


def test_the_foot_carries_the_digest(report: Path) -> None:
    from pypdf import PdfReader

    record = json.loads((report / "record.json").read_text(encoding="utf-8"))
    digest = record["digest"]["record"]
    text = PdfReader(str(report / "report.pdf")).pages[0].extract_text()
    assert digest[:12] in "".join(text.split())


def test_on_the_command_line(report: Path, tmp_path: Path) -> None:
    folder = tmp_path / "trial"
    shutil.copytree(trialkit.example_trial("spider_mite_glasshouse"), folder)
    same = RUN.invoke(app, ["compare", str(report), str(folder)])
    assert same.exit_code == 0, same.output
    toml = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(toml.replace("[analysis]", "[analysis]\nalpha = 0.1"))
    page = tmp_path / "page.html"
    other = RUN.invoke(app, ["compare", str(report), str(folder), "--page", str(page)])
    assert other.exit_code == 1
    assert "settings, alpha" in other.output
    assert "settings, alpha" in page.read_text(encoding="utf-8")
    assert RUN.invoke(app, ["compare", str(report), str(tmp_path / "no")]).exit_code == 2
    (tmp_path / "bad.json").write_text("{")
    assert RUN.invoke(app, ["compare", str(report), str(tmp_path / "bad.json")]).exit_code == 1
