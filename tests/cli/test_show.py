"""The first page in the terminal."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from trialkit import example_trial
from trialkit.cli import app

RUN = CliRunner()


@pytest.mark.parametrize("name", ["leaf_beetle_potato", "spider_mite_glasshouse"])
def test_the_answer_fits_a_terminal_and_nothing_is_written(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = RUN.invoke(app, ["show", str(example_trial(name))])
    assert result.exit_code == 0
    lines = result.output.splitlines()
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("Treatment") for line in lines)
    assert any(line.startswith("Untreated") for line in lines)
    assert "label" in lines[-1] or "label" in lines[-2]
    assert list(tmp_path.iterdir()) == []


def test_a_bad_trial_is_told(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("nothing\n1\n")
    result = RUN.invoke(app, ["show", str(tmp_path / "x.csv")])
    assert result.exit_code == 1
    assert RUN.invoke(app, ["show", str(tmp_path / "no")]).exit_code == 2
