"""From an empty folder to a report: start, plan, fill as a person would, analyse; every design."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from trialkit.analysis import analyse
from trialkit.planning import Planned, plan_trial, start_trial, write_plan
from trialkit.problems import Severity
from trialkit.reading import read, read_trial
from trialkit.run import report_trial
from trialkit.trial import Trial

APPLIED = date(2025, 6, 12)
KEYS: dict[str, Any] = {
    "title": "Larvae in peas",
    "applied": APPLIED,
    "crop": "peas",
    "plan.days": "-1, 3, 7",
    "plan.blocks": 3,
    "plan.seed": 11,
}
DESIGNS: dict[str, dict[str, Any]] = {
    "crd": {"design": "crd", "untreated": "1"},
    "rcbd": {"design": "rcbd", "untreated": "1", "plan.untreated_plots": 2, "plan.samples": 2},
    "latin": {"design": "latin", "untreated": "1"},
    "factorial": {"design": "rcbd", "untreated": "1", "analysis.factors": "product; dose"},
    "incomplete": {"design": "rcbd", "untreated": "1", "plan.block_size": 2},
    "split-plot": {"design": "split-plot", "untreated": "Albanone"},
    "strip-plot": {"design": "strip-plot", "untreated": "Albanone"},
}
VARIABLES = (
    {"variable": "larvae", "label": "Larvae per plant", "kind": "count", "role": "pest"},
    {
        "variable": "damage",
        "label": "Damaged pods",
        "kind": "percent",
        "role": "damage",
        "examined": "pods examined",
    },
    {"variable": "yield", "label": "Yield", "kind": "measurement", "role": "yield", "unit": "t/ha"},
)


@dataclass(frozen=True)
class Season:
    """A planned trial, its workbook and folder, and the workbook as an office program saves it."""

    planned: Planned
    book: Path
    tables: Path
    saved: Path


def treatments(name: str) -> list[dict[str, Any]]:
    if name.endswith("-plot"):
        return [
            {
                "treatment": f"{a}{b}",
                "name": f"Cultivar {a}, {b}",
                "main_factor": a,
                "sub_factor": b,
            }
            for a in ("Alba", "Nera")
            for b in ("Ostrel", "Tarnock", "none")
        ]
    if name == "factorial":
        return [
            {"treatment": "1", "name": "Untreated", "role": "untreated"},
            *(
                {
                    "treatment": str(i),
                    "name": f"{product} {dose}",
                    "role": "test",
                    "product": product,
                    "dose": dose,
                }
                for i, (product, dose) in enumerate(
                    ((p, d) for p in ("Ostrel", "Tarnock") for d in ("low", "full")), 2
                )
            ),
        ]
    names = ("Untreated", "Ostrel", "Tarnock", "Wimbrel")
    return [
        {
            "treatment": str(i),
            "name": text,
            "role": "untreated" if i == 1 else "test",
            "rate": None if i == 1 else 0.2,
            "rate_unit": None if i == 1 else "L/ha",
        }
        for i, text in enumerate(names, 1)
    ]


def fill_rows(sheet: Any, rows: Any) -> None:
    """Fill in a table; what it has no column for gets one, as a person would do."""
    heads = [cell.value for cell in sheet[1]]
    for key in (key for row in rows for key in row):
        if key not in heads:
            heads.append(key)
            sheet.cell(1, len(heads)).value = key
    for number, row in enumerate(rows, 2):
        for key, value in row.items():
            if value is not None:
                sheet.cell(number, heads.index(key) + 1).value = value


def started(folder: Path, name: str) -> Path:
    """A blank workbook, filled in as a person would."""
    path = folder / "peas.xlsx"
    start_trial(path)
    book = openpyxl.load_workbook(path)
    lines = {row[0].value: row[1] for row in book["Trial"].iter_rows(min_row=2)}
    for key, value in {**KEYS, **DESIGNS[name]}.items():
        lines[key].value = value
    fill_rows(book["Variables"], VARIABLES)
    fill_rows(book["Treatments"], treatments(name))
    book.save(path)
    return path


def count(path: Path, trial: Trial, days: tuple[int, ...], *, harvest: bool = True) -> None:
    """Fill the counting sheets of some days; one plot is lost on day 7."""
    rng = np.random.default_rng(3)
    order = {plot.id: plot.treatment for plot in trial.plots}
    book = openpyxl.load_workbook(path)
    for day in days:
        sheet = book[f"Counts {day} DAT"]
        head = next(row for row in sheet.iter_rows() if row[0].value == "plot")
        names = {cell.value: cell.column for cell in head}
        labels = {row[0].value: row[0].row for row in sheet.iter_rows(max_row=head[0].row - 1)}
        # Day 7 was counted a day late.
        when = APPLIED + timedelta(days=day + (day == 7))
        sheet.cell(labels["Date assessed"], 4).value = when
        sheet.cell(labels["Assessed by"], 4).value = "A. Kern"
        sheet.cell(labels["Growth stage"], 4).value = 31 + max(day, 0)
        for row in range(head[0].row + 1, sheet.max_row + 1):
            plot = str(sheet.cell(row, names["plot"]).value)
            if day == 7 and plot == trial.plots[2].id:
                sheet.cell(row, names["notes"]).value = "flooded"
                continue
            level = 20 if day < 0 or order[plot] in {"1", "Albanone", "Neranone"} else 4
            sheet.cell(row, names["larvae"]).value = int(rng.poisson(level))
            sheet.cell(row, names["damage"]).value = int(rng.binomial(40, level / 60))
            sheet.cell(row, names["pods examined"]).value = 40
    if harvest:
        sheet = book["Yield"]
        head = next(row for row in sheet.iter_rows() if row[0].value == "plot")
        column = next(cell.column for cell in head if cell.value == "yield")
        for row in range(head[0].row + 1, sheet.max_row + 1):
            sheet.cell(row, column).value = round(float(rng.normal(5, 0.4)), 2)
    events = book["Events"]
    for column, value in enumerate((APPLIED, "Rain two hours after spraying", "other"), 1):
        events.cell(2, column).value = value
    book.save(path)


@pytest.fixture(scope="module")
def seasons(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Season]:
    """Every design from a blank to a workbook that was filled in and saved by an office program."""
    folder = tmp_path_factory.mktemp("seasons")
    found = {}
    for name in DESIGNS:
        (folder / name).mkdir()
        planned = plan_trial(started(folder / name, name))
        book, tables, *_ = write_plan(planned, folder / name / "season", name=name)
        found[name] = Season(planned, book, tables, folder / "saved" / book.name)
        for form in (book, tables):
            empty = read_trial(form)
            assert empty.plots == planned.trial.plots
            assert empty.counts.empty
        count(book, planned.trial, (-1, 3, 7))
    office = shutil.which("soffice")
    if office is not None:  # all at once: the program takes longer to start than to save
        command = [office, f"-env:UserInstallation=file://{folder}/profile", "--headless"]
        command += [
            "--convert-to",
            "xlsx:Calc MS Excel 2007 XML",
            "--outdir",
            str(folder / "saved"),
        ]
        command += [str(item.book) for item in found.values()]
        subprocess.run(command, check=True, capture_output=True, timeout=300)
    return found


@pytest.mark.parametrize("name", DESIGNS)
def test_from_an_empty_folder_to_an_analysis(name: str, seasons: dict[str, Season]) -> None:
    planned, book = seasons[name].planned, seasons[name].book
    assert "Seed 11" in planned.statement
    trial = read_trial(book)
    samples = 2 if "plan.samples" in DESIGNS[name] else 1
    plots = len(planned.trial.plots)
    assert set(trial.counts["day"]) == {-1.0, 3.0, 8.0}
    counted = trial.counts.dropna(subset=["value"])
    assert len(counted) == 2 * samples * (3 * plots - 1)
    assert set(counted.query("variable == 'damage'")["examined"]) == {40.0}
    analysis = analyse(trial)
    assert {("larvae", 3.0), ("damage", 8.0)} <= set(
        zip(analysis.anova["variable"], analysis.anova["days_after"], strict=True)
    )
    assert "yield" in set(analysis.anova["measure"])
    told = trial.assessments.set_index("day")
    assert told.loc[3.0, "assessor"] == "A. Kern"
    assert told.loc[3.0, "growth_stage"] == "34"
    assert trial.events["what"].tolist() == ["Rain two hours after spraying"]


def test_half_filled_it_is_analysed_as_far_as_it_goes(tmp_path: Path) -> None:
    planned = plan_trial(started(tmp_path, "rcbd"))
    book, *_ = write_plan(planned, tmp_path / "season")
    count(book, planned.trial, (-1, 7), harvest=False)
    trial = read_trial(book)
    assert set(trial.counts["day"]) == {-1.0, 8.0}
    said = [problem for problem in trial.warnings if problem.kind == "not-counted"]
    assert len(said) == 1
    assert "day 3" in said[0].what
    assert trial.yields.empty
    assert {problem.kind for problem in trial.warnings} <= {"not-counted", "missing-plots"}
    assert set(analyse(trial).anova["days_after"].dropna()) == {-1.0, 8.0}


@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs an office program")
@pytest.mark.parametrize("name", DESIGNS)
def test_an_office_program_saves_it_and_the_report_is_written(
    name: str, seasons: dict[str, Season], tmp_path: Path
) -> None:
    season = seasons[name]
    found = read(season.saved)
    assert [p for p in found.problems if p.severity is Severity.ERROR] == []
    assert found.trial == read_trial(season.book)
    formats = ("xlsx",) if name == "rcbd" else ()
    written = report_trial(season.saved, tmp_path / "report", formats=formats)
    assert (tmp_path / "report" / "record.json").is_file()
    assert written.analysis.trial.plots == season.planned.trial.plots
    assert written.analysis.trial.design == season.planned.trial.design
    if name == "factorial":
        assert {"product", "dose"} <= set(written.analysis.factor_means["factor"])


def test_a_plan_does_not_write_over_counts(tmp_path: Path) -> None:
    planned = plan_trial(started(tmp_path, "rcbd"))
    write_plan(planned, tmp_path / "season")
    with pytest.raises(FileExistsError, match="may hold counts"):
        write_plan(planned, tmp_path / "season")


def test_an_earlier_trial_gives_treatments_and_settings(tmp_path: Path) -> None:
    first = read_trial(write_plan(plan_trial(started(tmp_path, "rcbd")), tmp_path / "one")[0])
    for target in (tmp_path / "next.xlsx", tmp_path / "next"):
        start_trial(target, source=first)
        again = plan_trial(target, seed=5, options={"plan.blocks": 4})
        assert again.trial.treatments == first.treatments
        assert again.trial.variables == first.variables
        assert again.trial.applied is None
        assert again.trial.plots != first.plots
        assert dict(again.trial.plan) | {"plan.seed": "", "plan.blocks": ""} == dict(first.plan) | {
            "plan.seed": "",
            "plan.blocks": "",
        }
