"""The tables of truth in the README are those of the script."""

import importlib
import sys
from pathlib import Path

import numpy as np
import pytest

EXAMPLES = Path(__file__).parents[2] / "example_trials"
README = (EXAMPLES / "README.md").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def beside_the_script(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(EXAMPLES))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)


def printed(section: str) -> list[list[str]]:
    text = README.split(f"## `{section}")[1].split("\n## ")[0]
    rows = [line for line in text.splitlines() if line.startswith("|")][2:]
    return [[cell.strip() for cell in row.strip("|").split("|")][1:] for row in rows]


def numbers(rows: list[list[str]]) -> list[list[float]]:
    return [[float(cell) for cell in row] for row in rows]


def day_held(days: np.ndarray, control: np.ndarray, target: float = 80.0) -> str:
    """Last day at or above the target, by straight lines between assessments."""
    peak = int(np.argmax(control))
    if control[peak] < target:
        return "never"
    if control[-1] >= target:
        return f"past {days[-1]}"
    return f"{np.interp(-target, -control[peak:], days[peak:]):.1f}"


def test_potato() -> None:
    module = importlib.import_module("_leaf_beetle_potato")
    control = 100.0 * module.larvae_control()[1:]
    rows = printed("leaf_beetle_potato")
    assert np.rint(control[:, 1:]).tolist() == numbers([row[:-1] for row in rows])
    days = np.array(module.DAYS)
    assert [day_held(days, row) for row in control] == [row[-1] for row in rows]


def test_plums() -> None:
    """Nothing is counted before treatment, so that no column is left out."""
    module = importlib.import_module("_fruit_moth_plum")
    control = np.array(module.CONTROL, dtype=float)
    assert control[1:].tolist() == numbers(printed("fruit_moth_plum"))
    # A plot of n units is worth n / (1 + (n - 1) * correlation) independent ones.
    assert round(100 / (1 + 99 * module.ALIKE)) == 34


@pytest.mark.parametrize(
    ("section", "module", "name"),
    [
        ("spider_mite_glasshouse", "_spider_mite_glasshouse", "MITE_CONTROL"),
        ("leaf_disease_wheat", "_leaf_disease_wheat", "CONTROL"),
        ("thrips_onion_field_office", "_thrips_onion", "CONTROL"),
        ("bean_aphids", "_bean_aphids", "CONTROL"),
    ],
)
def test_others(section: str, module: str, name: str) -> None:
    control = np.array(getattr(importlib.import_module(module), name), dtype=float)
    assert control[1:, 1:].tolist() == numbers(printed(section))
