"""The record: whole, free of NaN, equal to the trial it came from, and the same when run again."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

import trialkit
from shipped import analysed
from trialkit.analysis.schema import COLUMNS, TABLES
from trialkit.findings import make_findings
from trialkit.problems import TrialError
from trialkit.record import (
    make_record,
    read_record,
    rerun,
    rows_of,
    trial_from_record,
    write_record,
    writing,
)
from trialkit.rows import Tables

MADE = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
PROMISED = {
    "anova": "variable measure days_after transform source df sum_sq mean_sq F p",
    "means": "variable measure days_after treatment n mean mean_analysed se lower upper "
    "back_transformed letters",
    "comparisons": "variable measure days_after a b difference se p_adjusted method",
    "control": "variable days_after treatment method percent lower upper reason",
    "pest_days": "variable plot treatment pest_days",
    "persistence": "variable treatment target knockdown_percent peak_percent peak_day "
    "holds_until_day lower upper censored rebound_percent",
}


@pytest.fixture(scope="module", params=trialkit.example_names())
def kept(request, tmp_path_factory):
    analysis = analysed(request.param)
    findings = trialkit.make_findings(analysis)
    path = tmp_path_factory.mktemp("record") / "record.json"
    write_record(make_record(analysis, findings, MADE), path)
    return analysis.trial, analysis, path


def test_it_has_the_promised_keys_and_columns(kept):
    _, _, path = kept
    record = json.loads(path.read_text(encoding="utf-8"))
    assert record["format"] == 1
    assert set(record) == {
        "format", "trialkit", "made", "inputs", "settings", "trial", "environment", "tables",
        "findings", "problems", "digest",
    }  # fmt: skip
    for table, columns in PROMISED.items():
        assert set(columns.split()) <= set(COLUMNS[table])
        for row in record["tables"][table]:
            assert set(columns.split()) <= set(row)
    assert set(record["tables"]) == {name for name, table in TABLES.items() if table.recorded}
    assert all(len(item["sha256"]) == 64 for item in record["inputs"])


def test_no_nan_and_no_infinity(kept):
    _, _, path = kept

    def refuse(word):
        raise AssertionError(word)

    json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def test_the_trial_comes_back_equal(kept):
    trial, _, path = kept
    again = trial_from_record(read_record(path))
    assert again == trial
    assert again.inputs == trial.inputs


def test_numbers_keep_full_precision(kept):
    _, analysis, path = kept
    rows = read_record(path)["tables"]["means"]
    for name in ("mean", "mean_analysed", "se"):
        values = analysis.means[name].to_numpy()
        found = np.array([np.nan if row[name] is None else row[name] for row in rows])
        assert np.array_equal(found, values, equal_nan=True)


def test_rows_at_hand_give_the_same_record(kept):
    _, analysis, _ = kept
    tables = Tables(analysis)
    findings = make_findings(analysis, tables)
    assert findings == make_findings(analysis)
    assert make_record(analysis, findings, MADE, tables) == make_record(analysis, findings, MADE)


def test_written_piece_by_piece_it_is_the_same_record(kept, monkeypatch):
    _, analysis, _ = kept
    tables = Tables(analysis)
    whole = make_record(analysis, ["a finding"], MADE, tables)
    monkeypatch.setattr(writing, "_ROWS_AT_ONCE", 7)
    stream = io.BytesIO()
    digest = writing.spool_record(
        writing.record_parts(analysis, ["a finding"], MADE, tables), stream
    )
    assert stream.getvalue().decode("utf-8") == whole
    assert digest == writing.digest_in(whole) == json.loads(whole)["digest"]["record"]
    assert not writing.edited_parts(json.loads(whole))


def test_each_row_of_a_table_is_a_line_of_its_own(kept):
    _, analysis, path = kept
    lines = [line.strip().rstrip(",") for line in path.read_text(encoding="utf-8").split("\n")]
    tables = lines.index('"tables": {')
    for name, table in analysis.tables().items():
        rows = rows_of(table)
        if rows:
            start = lines.index(f'"{name}": [', tables) + 1
            assert [json.loads(line) for line in lines[start : start + len(rows)]] == rows


def test_cells_of_every_kind_are_written_as_json(kept):
    _, analysis, _ = kept
    texts = ['say "so", 5 %\n', None, "", "\u00b5 \u2028", "}, {", "null"]
    odd = pd.DataFrame(
        {
            "number": [1.5, float("nan"), float("inf"), -0.0, 2.0**53, 3.0],
            "text": texts,
            "flag": pd.Series([True, None, False, True, None, True], dtype=object),
            "mixed": pd.Series([1, 1.0, True, "1", None, 0.1], dtype=object),
            '5 % "of"': range(6),
        }
    )
    record = json.loads(make_record(replace(analysis, loss=odd), ['a "finding"'], MADE))
    found = record["tables"]["loss"]
    assert [row["number"] for row in found] == [1.5, None, None, 0, 2.0**53, 3]
    assert [row["text"] for row in found] == texts
    assert [row["flag"] for row in found] == [True, None, False, True, None, True]
    assert [row["mixed"] for row in found] == [1, 1, True, "1", None, 0.1]
    assert found[2]["mixed"] is True
    assert [row['5 % "of"'] for row in found] == list(range(6))
    assert record["findings"] == [{"text": 'a "finding"'}]


def test_run_again_gives_the_same(kept):
    _, _, path = kept
    agreement = rerun(read_record(path))
    assert agreement.same
    assert agreement.largest == 0.0
    assert agreement.compared > 500


@pytest.mark.parametrize("table", ["anova", "means", "control"])
def test_a_changed_number_is_found(kept, table):
    _, _, path = kept
    record = read_record(path)
    column = {"anova": "sum_sq", "means": "mean", "control": "percent"}[table]
    rows = record["tables"][table]
    place = next(i for i, row in enumerate(rows) if row[column])
    rows[place][column] *= 1.0 + 1e-6
    agreement = rerun(record)
    assert [(item.table, item.row, item.column) for item in agreement.differences] == [
        (table, place, column)
    ]


def test_a_changed_count_shows_in_the_results(kept):
    _, _, path = kept
    record = read_record(path)
    row = record["trial"]["counts"][0]
    # One unit more of those examined; other counts rise by five.
    row["value"] += 100 / row["examined"] if row.get("examined") else 5
    assert not rerun(record).same


def test_a_missing_row_is_found(kept):
    _, _, path = kept
    record = read_record(path)
    record["tables"]["means"].pop()
    assert not rerun(record).same


@pytest.mark.parametrize(
    "content", ["", "{", "[]", "{}", '{"trial": {}}', '{"format": 9, "trial": {}}', "\x00"]
)
def test_what_is_no_record_gets_a_plain_word(content, tmp_path):
    path = tmp_path / "record.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(TrialError) as caught:
        rerun(read_record(path))
    assert caught.value.problems[0].remedy


def test_a_garbled_part_gets_a_plain_word(kept):
    _, _, path = kept
    record = read_record(path)
    del record["trial"]["plots"][0]["treatment"]
    with pytest.raises(TrialError):
        rerun(record)


def test_an_assessment_without_a_day_has_none_in_the_record(tmp_path):
    path = tmp_path / "trial.csv"
    rows = [
        f"{b},{t},{9 + 7 * b % 5 + 20 * (t == 'Untreated')}"
        for b in (1, 2, 3, 4)
        for t in ("Untreated", "A", "B")
    ]
    path.write_text("\n".join(["block,treatment,larvae", *rows]))
    text = make_record(trialkit.analyse(path), [], datetime.now(UTC))
    record = json.loads(text)
    assert {row["day"] for row in record["trial"]["counts"]} == {None}
    assert {row["days_after"] for row in record["tables"]["means"]} == {None}
    assert rerun(record).same
