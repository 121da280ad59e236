from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

import trialkit.report
from trialkit.analysis import Analysis
from trialkit.report import write_report

MADE = datetime(2025, 11, 25, 1, 2, tzinfo=UTC)


def test_writes_the_formats_asked_for(analysis: Analysis, tmp_path: Path) -> None:
    steps: list[str] = []
    paths = write_report(analysis, (), tmp_path / "out", progress=steps.append, made=MADE)
    names = ["report.html", "report.docx", "report.pdf", "tables.xlsx"]
    assert [path.name for path in paths] == names
    assert all(path.stat().st_size > 10_000 for path in paths)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(names)
    assert steps == ["Writing the tables", "Drawing the figures", "Writing the report"]
    assert write_report(analysis, (), tmp_path / "x", ["xlsx"]) == (tmp_path / "x" / "tables.xlsx",)


def test_same_input_same_bytes(analysis: Analysis, tmp_path: Path) -> None:
    formats = ["docx", "pdf", "xlsx", "csv"]
    first = write_report(analysis, (), tmp_path / "a", formats, made=MADE)
    second = write_report(analysis, (), tmp_path / "b", formats, made=MADE)
    assert len(first) > 20
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def test_unknown_format_is_refused(analysis: Analysis, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="docs"):
        write_report(analysis, (), tmp_path / "out", options=["html", "docs"])
    assert not (tmp_path / "out").exists()


def test_a_run_that_fails_leaves_the_old_files(
    analysis: Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "report.html").write_text("old")

    def fail(*_: object) -> bytes:
        raise MemoryError

    monkeypatch.setattr(trialkit.report, "workbook_bytes", fail)
    with pytest.raises(MemoryError):
        write_report(analysis, (), tmp_path)
    assert (tmp_path / "report.html").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_drawing_libraries_wait_until_a_figure_is_drawn() -> None:
    code = (
        "import sys, trialkit.report, trialkit.figures;"
        "print(sorted({'plotnine', 'matplotlib', 'jinja2'} & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
