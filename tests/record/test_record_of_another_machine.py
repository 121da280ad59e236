"""A record that another machine made runs again on this one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import trialkit
from trialkit.record.again import compare_tables
from trialkit.record.reading import trial_from_record
from trialkit.record.writing import edited_parts, rows_of

#: Made once and kept; the processor, the system and the libraries here may be others.
KEPT = Path(__file__).parent / "kept" / "blocks.json"
#: Tables without draws, which no later version should give otherwise.
SETTLED = ("anova", "means", "comparisons", "pest_days", "responses")


@pytest.fixture(scope="module")
def record() -> dict[str, object]:
    return trialkit.read_record(KEPT)


def test_the_kept_record_was_not_edited(record: dict[str, object]) -> None:
    assert edited_parts(record) == ()


def test_its_tests_and_means_come_out_the_same(record: dict[str, object]) -> None:
    analysis = trialkit.analyse(trial_from_record(record))
    tables = json.loads(KEPT.read_text(encoding="utf-8"))["tables"]
    recorded = {
        name: [{key: row[key] for key in row if row[key] is not None} for row in tables[name]]
        for name in SETTLED
    }
    found = {
        name: [
            {key: new.get(key) for key in old}
            for old, new in zip(recorded[name], rows_of(analysis.tables()[name]), strict=True)
        ]
        for name in SETTLED
    }
    agreement = compare_tables(recorded, found)
    assert agreement.same, agreement.differences[:5]
    assert agreement.compared > 500
