"""The command line in odd places: other encodings, long names, interrupted runs, strange texts."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import html5lib
import openpyxl
import pytest
from typer.testing import CliRunner

import trialkit
from reading.folders import SOUND, changed, write_folder
from trialkit.cli import app

RUN = CliRunner()
PROGRAM = [sys.executable, "-c", "from trialkit.cli import main; main()"]


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        capture_output=True,
        env=os.environ | environment,
        timeout=120,
    )


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_help_starts_without_the_heavy_libraries():
    """Measured in the program itself, not by what a test runner has loaded."""
    code = (
        "import sys\n"
        "sys.argv = ['trialkit', '--help']\n"
        "from trialkit.cli import main\n"
        "try:\n"
        "    main()\n"
        "except SystemExit as end:\n"
        "    assert not end.code\n"
        "heavy = 'numpy pandas scipy statsmodels matplotlib plotnine openpyxl jinja2'.split()\n"
        "print([name for name in heavy if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


@pytest.mark.parametrize("command", [(), ("check",), ("report",), ("rerun",)])
def test_every_help_has_an_example_that_names_the_command(command):
    shown = RUN.invoke(app, [*command, "--help"], terminal_width=80).output
    _, _, examples = shown.partition("Example")
    assert f"trialkit {' '.join(command)}" in examples
    assert max(len(line) for line in shown.splitlines()) <= 80


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "latin-1"])
def test_output_goes_to_files_of_any_encoding(encoding, tmp_path):
    folder = write_folder(tmp_path / "trial", counts_csv=SOUND["counts.csv"].replace(",0,", ",-1,"))
    done = run("check", folder, PYTHONIOENCODING=encoding)
    assert done.returncode == 0, done.stderr
    minus = "\N{MINUS SIGN}" if encoding == "utf-8" else "-"
    assert f"days {minus}1, 7" in done.stdout.decode(encoding)


def test_names_too_long_for_the_system_are_wrong_usage(tmp_path):
    folder = write_folder(tmp_path / "trial")
    for arguments in (
        ["check", "a" * 5000],
        ["rerun", "a" * 5000],
        ["report", str(folder), "--out", str(tmp_path / ("a" * 500))],
    ):
        result = RUN.invoke(app, arguments)
        assert result.exit_code == 2
        assert isinstance(result.exception, SystemExit)


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    folder = write_folder(tmp_path / "trial")
    result = RUN.invoke(app, ["report", str(folder), "--out", str(folder / "plots.csv" / "out")])
    assert result.exit_code == 1
    assert "could not be written" in result.output


def test_out_that_is_a_file_is_wrong_usage(tmp_path):
    folder = write_folder(tmp_path / "trial")
    result = RUN.invoke(app, ["report", str(folder), "--out", str(folder / "plots.csv")])
    assert result.exit_code == 2
    assert (folder / "plots.csv").read_text(encoding="utf-8") == SOUND["plots.csv"]


@pytest.mark.parametrize("formats", ["html", "xlsx", "XLSX, html", "html,html"])
def test_only_what_was_asked_for_is_written(formats, tmp_path):
    folder = write_folder(tmp_path / "trial")
    out = tmp_path / "out"
    result = RUN.invoke(app, ["report", str(folder), "--out", str(out), "--formats", formats])
    assert result.exit_code == 0
    files = {"html": "report.html", "xlsx": "tables.xlsx"}
    wanted = {files[name.strip().lower()] for name in formats.split(",")} | {"record.json"}
    assert set(contents(out)) == wanted


def test_problems_leave_earlier_files_alone(tmp_path):
    out = tmp_path / "out"
    good = write_folder(tmp_path / "good")
    bad = write_folder(tmp_path / "bad", counts_csv=changed("counts.csv", "12,7,4", "12,7,x"))
    assert RUN.invoke(app, ["report", str(good), "--out", str(out)]).exit_code == 0
    before = contents(out)
    result = RUN.invoke(app, ["report", str(bad), "--out", str(out)])
    assert result.exit_code == 1
    assert contents(out) == before


def test_an_interrupt_leaves_the_old_files_whole(tmp_path, monkeypatch):
    """Stopped by hand while the second file is being moved into place."""
    folder = write_folder(tmp_path / "trial")
    out = tmp_path / "out"
    assert RUN.invoke(app, ["report", str(folder), "--out", str(out)]).exit_code == 0
    whole, move, moved = contents(out), Path.replace, []

    def interrupted(self: Path, target: Path) -> Path:
        if moved:
            raise KeyboardInterrupt
        moved.append(target)
        return move(self, target)

    monkeypatch.setattr(Path, "replace", interrupted)
    result = RUN.invoke(app, ["report", str(folder), "--out", str(out)])
    assert result.exit_code not in (0, 2)
    left = contents(out)
    assert set(left) == set(whole)  # no temporary file stays behind
    assert len(moved) == 1
    for name, content in left.items():
        assert content == whole[name] or name == moved[0].name
    json.loads(left["record.json"])


ODD = {
    "2": "<script>alert(1)</script>",
    "3": "=1+1",
    "4": "../x",
    "5": "\N{BUG} & \N{SNOWMAN}",
    "6": "@SUM(A1)",
    "7": "{{ 7 * 7 }} {% raw %}",
    "8": '"><img src=x onerror=alert(1)>',
}


@pytest.fixture(scope="module")
def odd_workbook(tmp_path_factory):
    """A trial whose treatments, variable, title and site carry texts that would do harm."""
    folder = tmp_path_factory.mktemp("odd")
    book = openpyxl.Workbook()
    trial = book.active
    trial.title = "Trial"
    for row in (
        ("key", "value"),
        ("title", "<b>Odd</b> =1+1 \N{BUG}"),
        ("design", "rcbd"),
        ("untreated", "1"),
        ("site", "<script>alert(2)</script>"),
        ("notes", "../x and {{ 7 * 7 }}"),
        ("variables.bugs.label", "<i>Bugs</i>"),
        ("variables.bugs.kind", "count"),
        ("variables.bugs.role", "pest"),
    ):
        trial.append(row)
    sheet = book.create_sheet("Treatments")
    sheet.append(("treatment", "name", "role"))
    for row, (name, role) in enumerate(
        [("Untreated", "untreated"), *((text, "test") for text in ODD.values())], start=2
    ):
        sheet.append((str(row - 1), None, role))
        cell = sheet.cell(row, 2)
        cell.value, cell.data_type = name, "s"  # "=1+1" as text, not as a formula
    plots, counts = book.create_sheet("Plots"), book.create_sheet("Counts")
    plots.append(("plot", "block", "treatment"))
    counts.append(("plot", "days_after", "bugs"))
    for block in (1, 2, 3):
        for treatment in range(1, len(ODD) + 2):
            plots.append((f"{block}{treatment}", block, treatment))
            counts.append((f"{block}{treatment}", 7, (block * 7 + treatment * 3) % 11 + 1))
    path = folder / "odd.xlsx"
    book.save(path)
    out = folder / "out"
    result = RUN.invoke(app, ["report", str(path), "--out", str(out)])
    assert result.exit_code == 0, result.output
    return folder, out


def test_odd_texts_of_a_workbook_stay_text_in_the_report(odd_workbook):
    folder, out = odd_workbook
    page = html5lib.parse((out / "report.html").read_text(encoding="utf-8"), treebuilder="dom")
    for tag in ("script", "img", "i", "b"):
        for node in page.getElementsByTagName(tag):
            assert "alert" not in node.toxml()
            assert "Bugs" not in node.toxml()
            assert "Odd" not in node.toxml()
    shown = " ".join(text_of(page).split())
    for text in ODD.values():
        assert text in shown
    assert "{{ 7 * 7 }}" in shown
    assert sorted(path.name for path in folder.iterdir()) == ["odd.xlsx", "out"]
    names = {"report.html", "report.docx", "report.pdf", "tables.xlsx", "record.json"}
    assert set(contents(out)) == names


def text_of(node) -> str:
    if node.nodeType == node.TEXT_NODE:
        return node.data
    return "".join(text_of(child) for child in node.childNodes)


def test_odd_texts_of_a_workbook_stay_text_in_the_tables(odd_workbook):
    _, out = odd_workbook
    book = openpyxl.load_workbook(out / "tables.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell.value for cell in cells if cell.data_type == "f"]
    texts = {cell.value for cell in cells if isinstance(cell.value, str)}
    for text in ODD.values():
        assert any(text in found for found in texts)


def test_odd_texts_of_a_workbook_survive_the_record(odd_workbook):
    _, out = odd_workbook
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    names = {row["id"]: row["name"] for row in record["trial"]["treatments"]}
    assert {key: names[key] for key in ODD} == ODD
    assert RUN.invoke(app, ["rerun", str(out / "record.json")]).exit_code == 0


@pytest.mark.parametrize("name", ["None", "NA", "007", "1e3", "nan", "TRUE", "0"])
def test_ids_stay_as_they_are_written(name, tmp_path):
    folder = write_folder(
        tmp_path / "trial",
        treatments_csv=SOUND["treatments.csv"].replace("2,Velsin", f"{name},Velsin"),
        plots_csv=SOUND["plots.csv"].replace("A,2", f"A,{name}").replace("B,2", f"B,{name}"),
    )
    out = tmp_path / "out"
    result = RUN.invoke(app, ["report", str(folder), "--out", str(out), "--formats", "xlsx"])
    assert result.exit_code == 0, result.output
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    assert [row["treatment"] for row in record["tables"]["means"][:3]] == ["1", name, "3"]
    assert trialkit.read_trial(folder).treatments[1].id == name
