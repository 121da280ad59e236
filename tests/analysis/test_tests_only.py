"""Without what supports the tests: the tests, control and yield come out the same."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

import trialkit
from shipped import analysed
from trialkit.analysis.schema import COLUMNS, TABLES
from trialkit.record import read_record, rerun
from trialkit.report import compose

SAME = (
    "means", "comparisons", "anova", "control", "pest_days", "persistence", "reductions",
    "natural_enemies", "contrasts", "rates", "mixtures", "carrier", "loss", "money", "factor_means",
)  # fmt: skip
LEFT_OUT = (
    "diagnostics", "residuals", "count_models", "count_tests", "course_tests", "covariate",
    "adjusted_means", "samples", "neighbours", "rate_start",
)  # fmt: skip


@pytest.fixture(scope="module", params=trialkit.example_names())
def pair(request):
    whole = analysed(request.param)
    return whole, trialkit.analyse(whole.trial.with_settings(supporting=False))


def test_the_tests_are_the_same(pair) -> None:
    whole, lean = pair
    for name in SAME:
        left, right = getattr(whole, name), getattr(lean, name)
        columns = [name for name in left.columns if name != "p_randomised"]
        pd.testing.assert_frame_equal(left[columns], right[columns], check_exact=True)
    tested = ["variable", "measure", "transform", "F", "p", "df_error"]
    pd.testing.assert_frame_equal(whole.responses[tested], lean.responses[tested])


def test_the_rest_is_empty_and_has_its_columns(pair) -> None:
    _, lean = pair
    for name in LEFT_OUT:
        assert getattr(lean, name).empty
    for name in TABLES:
        assert list(getattr(lean, name).columns) == list(COLUMNS[name])


def test_report_says_what_is_not_there(pair) -> None:
    for analysis, said in zip(pair, (False, True), strict=True):
        document = compose(analysis, trialkit.make_findings(analysis))
        texts = [getattr(block, "text", "") for part in document.sections for block in part.blocks]
        assert any("were switched off" in text for text in texts) is said


def test_a_record_of_it_comes_out_the_same(tmp_path) -> None:
    trial = trialkit.read_trial(trialkit.example_trial("leaf_disease_wheat"))
    lean = replace(trial, settings=replace(trial.settings, supporting=False))
    written = trialkit.report_trial(lean, tmp_path, formats=())
    agreement = rerun(read_record(written.paths[-1]))
    assert agreement.compared > 1000
    assert not agreement.differences
