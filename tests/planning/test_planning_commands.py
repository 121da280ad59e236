"""The commands before the first count: exit status, files, messages."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.reading import read_trial

RUN = CliRunner()
TOML = """\
title = "Larvae in peas"
design = "rcbd"
untreated = "1"
[variables.larvae]
kind = "count"
role = "pest"
[plan]
blocks = 3
days = "-1, 7"
plot_length = "10 m"
plot_width = "3 m"
[sprayer]
carrier = "200 L/ha"
dead_volume = "0.6 L"
"""
TREATMENTS = """\
treatment,name,role,rate,rate_unit
1,Untreated,untreated,,
2,Ostrel,test,1.5,L/ha
3,Tarnock,test,100,g/ha
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "peas"
    path.mkdir()
    (path / "trial.toml").write_text(TOML)
    (path / "treatments.csv").write_text(TREATMENTS)
    return path


def run(*words: object) -> tuple[int, str]:
    result = RUN.invoke(app, [str(word) for word in words])
    return result.exit_code, result.output


@pytest.mark.parametrize("name", ["start", "plan", "mix"])
def test_help_has_examples(name: str) -> None:
    code, text = run(name, "--help")
    assert code == 0
    assert f"trialkit {name} " in text.split("Example", 1)[1]


def test_start_writes_a_blank_and_never_over_anything(tmp_path: Path) -> None:
    for name in ("new.xlsx", "new"):
        code, text = run("start", tmp_path / name)
        assert code == 0
        assert "trialkit plan" in text
        code, text = run("start", tmp_path / name)
        assert code == 1
        assert "is there already" in text
    assert run("start", tmp_path / "x", "--from", tmp_path / "nothing")[0] == 2


def test_plan_writes_each_site_a_layout_of_its_own(folder: Path, tmp_path: Path) -> None:
    code, text = run(
        "plan", folder, "--out", tmp_path / "s", "--sites", "North, South", "--seed", 7
    )
    assert code == 0
    assert text.count("equally likely") == 2
    trials = [read_trial(tmp_path / "s" / site / "peas.xlsx") for site in ("North", "South")]
    assert [trial.site for trial in trials] == ["North", "South"]
    assert trials[0].plots != trials[1].plots
    names = {path.name for path in (tmp_path / "s" / "North").iterdir()}
    assert names == {
        "peas.xlsx", "peas", "field_map.svg", "field_map.html", "counting_sheets.html",
        "labels.csv", "labels_a4.html", "labels_letter.html", "labels_tubes_a4.html",
        "labels_tubes_letter.html",
    }  # fmt: skip
    code, text = run("plan", folder, "--out", tmp_path / "s", "--sites", "North")
    assert code == 1
    assert "may hold counts" in text


def test_a_planned_trial_is_taken_over_and_drawn_anew_only_if_asked(
    folder: Path, tmp_path: Path
) -> None:
    assert run("plan", folder, "--out", tmp_path / "a", "--seed", 1)[0] == 0
    code, text = run("plan", tmp_path / "a" / "peas.xlsx", "--out", tmp_path / "b")
    assert code == 0
    assert "taken over" in text
    first = read_trial(tmp_path / "a" / "peas.xlsx")
    assert read_trial(tmp_path / "b" / "peas.xlsx").plots == first.plots
    again = ("plan", tmp_path / "a" / "peas.xlsx", "--out", tmp_path / "c", "--again", "--seed", 2)
    assert run(*again)[0] == 0
    assert read_trial(tmp_path / "c" / "peas.xlsx").plots != first.plots


def test_plan_says_what_is_missing(folder: Path, tmp_path: Path) -> None:
    (folder / "trial.toml").write_text('title = "Peas"\ndesign = "rcbd"\n')
    code, text = run("plan", folder, "--out", tmp_path / "s")
    assert code == 1
    assert "blocks = 4" in text
    assert not (tmp_path / "s").exists()


def test_mix_prints_and_writes(folder: Path, tmp_path: Path) -> None:
    code, text = run("mix", folder, "--out", tmp_path / "m")
    assert code == 0
    assert "2 Ostrel: 18 mL of Ostrel in 2.4 L for 3 plots" in text
    assert "authorises nothing" in text
    with (tmp_path / "m" / "mix.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert [row["product"] for row in rows] == ["Ostrel", "Tarnock"]
    assert "re-entry" in (tmp_path / "m" / "mix.html").read_text(encoding="utf-8")


def test_what_was_left_becomes_the_actual_dose_of_the_trial(folder: Path, tmp_path: Path) -> None:
    # 2.4 L mixed, 1.8 L for three plots of 30 m2; with 0.78 L left nine tenths went out.
    code, text = run("mix", folder, "--left", "2=0.78 L; 3=600 mL")
    assert code == 0
    assert "2: 1.35 L/ha instead of 1.5" in text
    assert run("plan", folder, "--out", tmp_path / "s", "--seed", 1)[0] == 0
    doses = read_trial(tmp_path / "s" / "peas").doses
    assert doses["actual"].tolist() == pytest.approx([1.35, 100])
    for wrong in ("2", "2=0.4", "2=0.4 kg"):
        assert run("mix", folder, "--left", wrong)[0] == 2
    assert run("mix", folder, "--left", "9=1 L")[0] == 1


def test_units_that_do_not_fit_end_with_status_one(folder: Path) -> None:
    (folder / "treatments.csv").write_text(TREATMENTS.replace("g/ha", "g a.i./ha"))
    code, text = run("mix", folder)
    assert code == 1
    assert "column content" in text
