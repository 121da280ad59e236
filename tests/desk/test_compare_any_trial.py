"""Random trials of every design with one cell, setting or version changed; hostile records."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import trialkit
from random_trials.laying_out import lay_out
from trialkit.desk import compare
from trialkit.desk.comparison_text import comparison_lines
from trialkit.desk.second_route import second_route

# Completely randomised, blocks, incomplete blocks, Latin square, split-plot, strip-plot, shares;
# several variables, samples, plots lost, some without yields.
SEEDS = (6, 19, 8, 9, 16, 5, 7)
SETTINGS: dict[str, Any] = {
    "alpha": 0.1,
    "comparison": "scheffe",
    "control_target": 60.0,
    "seed": 7,
}


@pytest.mark.parametrize("seed", SEEDS)
def test_the_one_cause_is_named(seed: int, tmp_path: Path) -> None:
    trial = trialkit.read_trial(lay_out(tmp_path / "trial", seed)).with_settings(supporting=False)
    record = trialkit.report_trial(trial, tmp_path / "out", formats=()).paths[-1]
    rng = np.random.default_rng(seed)

    counts = trial.counts.copy()
    known = counts.index[counts["value"].notna()]
    place = known[int(rng.integers(len(known)))]
    before = float(counts.loc[place, "value"])
    # A share of those examined stays one when it becomes none or all.
    counts.loc[place, "value"] = 0.0 if before > 50.0 else 100.0
    found = compare(record, replace(trial, counts=counts))
    assert not found.same
    assert not found.settings
    (change,) = found.data
    row = counts.loc[place]
    assert change.where.startswith(f"counts, plot {row['plot']}, day {row['day']:g}, variable")
    assert change.where.endswith(f"variable {row['variable']}, value") or "sample" in change.where
    assert change.new == pytest.approx(row["value"])
    if found.conclusions:
        assert any("The one cause: counts, plot" in line for line in comparison_lines(found))

    name = list(SETTINGS)[seed % len(SETTINGS)]
    assert getattr(trial.settings, name) != SETTINGS[name]
    found = compare(record, trial.with_settings(**{name: SETTINGS[name]}))
    assert not found.data
    assert [item.where for item in found.settings] == [f"settings, {name}"]

    kept = json.loads(record.read_text(encoding="utf-8"))
    kept["environment"]["scipy"] = "0.1"
    (tmp_path / "other.json").write_text(json.dumps(kept), encoding="utf-8")
    found = compare(record, tmp_path / "other.json")
    assert [item.where for item in found.versions] == ["environment, scipy"]
    assert found.alike
    assert not found.same


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    trial = trialkit.read_trial(trialkit.example_trial("spider_mite_glasshouse"))
    quick = trial.with_settings(supporting=False)
    return trialkit.report_trial(quick, tmp_path_factory.mktemp("out"), formats=()).paths[-1]


def spoilt(kept: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The record with one part of another shape, or of a later format."""
    made = []
    for part in ("settings", "trial", "tables"):
        made += [(f"{part} {junk!r}", {**kept, part: junk}) for junk in (None, 5, [1])]
    for table in ("glance", "comparisons", "responses", "reductions", "anova"):
        for junk in (5, [1], [{"x": 1}], [{"variable": {"a": 1}}]):
            tables = {**kept["tables"], table: junk}
            made.append((f"table {table} {junk!r}", {**kept, "tables": tables}))
    for part in ("counts", "plots", "treatments"):
        for junk in (5, [1], [{"plot": {"a": 1}, "id": [1]}]):
            made.append((f"{part} {junk!r}", {**kept, "trial": {**kept["trial"], part: junk}}))
    made += [("format 2", {**kept, "format": 2}), ("no format", {**kept, "format": None})]
    text = copy.deepcopy(kept)
    text["tables"]["anova"][0]["F"] = "<script>"
    return [*made, ("text for a number", text)]


def test_a_record_of_another_shape_gets_a_plain_answer(record: Path, tmp_path: Path) -> None:
    kept = json.loads(record.read_text(encoding="utf-8"))
    for number, (name, other) in enumerate(spoilt(kept)):
        path = tmp_path / "other.json"
        path.write_text(json.dumps(other), encoding="utf-8")
        acts = [
            lambda path=path: compare(record, path),
            lambda path=path: second_route(trialkit.read_record(path)),
            lambda path=path: trialkit.sensitivity(path),
            lambda path=path: trialkit.export_script(
                trialkit.read_record(path), tmp_path / "script", "r"
            ),
        ]
        for act in acts[: 1 if number % 8 else None]:  # reading takes time
            with pytest.raises(trialkit.TrialError) as told:
                act()
            assert told.value.problems[0].remedy, name


@pytest.mark.parametrize("part", ["environment", "findings", "problems"])
def test_parts_beside_the_numbers_are_checked_where_they_are_compared(
    part: str, record: Path, tmp_path: Path
) -> None:
    kept = json.loads(record.read_text(encoding="utf-8"))
    (tmp_path / "other.json").write_text(json.dumps({**kept, part: 5}), encoding="utf-8")
    with pytest.raises(trialkit.TrialError, match=part):
        compare(record, tmp_path / "other.json")


def test_a_record_cut_short_or_without_digests(record: Path, tmp_path: Path) -> None:
    text = record.read_text(encoding="utf-8")
    other = tmp_path / "other.json"
    other.write_text(text[: len(text) // 2], encoding="utf-8")
    with pytest.raises(trialkit.TrialError, match="could not be read"):
        compare(record, other)
    kept = json.loads(text)
    del kept["digest"]
    other.write_text(json.dumps(kept), encoding="utf-8")
    found = compare(record, other)
    assert found.same
    assert any("no digests" in line for line in comparison_lines(found))
