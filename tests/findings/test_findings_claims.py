"""What findings claim, held against the table of claims, the comparisons and a known truth."""

from __future__ import annotations

from dataclasses import replace

import pytest

import trialkit
from known_truth.claims import EQUAL, NULL, ONE, SETTINGS, held_against_truth
from shipped import analysed

#: Questions that have rows of their own in the table of claims.
GATED = frozenset(
    (
        *("pest", "damage", "crop injury", "enemies", "yield", "return", "reference", "pairs"),
        *("fall", "rate", "carrier", "resurgence"),
    )
)


@pytest.fixture(scope="module", params=trialkit.example_names())
def told(request):
    analysis = analysed(request.param)
    return analysis, trialkit.make_findings(analysis)


def test_every_claim_has_a_test_behind_it(told):
    analysis, findings = told
    for item in findings:
        if not item.claim:
            assert item.p is None
            assert item.direction is None
            continue
        assert item.level is not None
        if item.p is not None:
            assert item.p <= item.level
        if item.question in GATED:
            rows = analysis.claims.query(
                "question == @item.question and variable == @item.variable"
            )
            rows = rows[rows["a"].isin(item.subjects) & rows["b"].isin(item.against)]
            assert (rows["p_adjusted"] == item.p).any()
            assert set(item.subjects) <= set(rows["a"])
            assert rows["direction"].eq(item.direction).any()


def test_page_1_reads_its_claims_at_levels_that_add_up(told):
    analysis, findings = told
    claims = analysis.claims
    for item in findings:
        if item.front and item.claim:
            assert item.p <= item.level <= analysis.trial.settings.alpha
    whole = claims[(claims["scope"] == "whole trial") & claims["level"].notna()]
    open_ = [
        float(own["level"].iloc[0])
        for _, own in whole.groupby(["question", "variable"])
        if (own["p_adjusted"] > own["level"]).any()
    ]
    assert sum(open_) <= analysis.trial.settings.alpha * (1 + 1e-9)


def test_marks_of_page_1_are_claims(told):
    analysis, _ = told
    front = analysis.claims[analysis.claims["front"].eq(True)]
    asked = {"yield": "yield", "return": "return", "enemies": "enemies"}
    for row in analysis.glance[analysis.glance["shown"].eq(True)].to_dict("records"):
        questions = [asked.get(row["question"], "pest"), "damage"]
        own = front[front["question"].isin(questions) & (front["a"] == row["treatment"])]
        assert not own.empty
        if row["question"] not in ("yield", "held_until"):
            assert row["lower"] > 0 or row["upper"] < 0


def test_no_sentence_denies_what_a_table_stars(told):
    analysis, findings = told
    starred = analysis.comparisons[analysis.comparisons["different"].eq(True)]
    for item in findings:
        if "differed significantly" in item.text or "was not shown to reduce" in item.text:
            rows = starred[starred["variable"] == item.variable]
            rows = rows[rows["measure"] != "count"]
            if item.subjects:
                rows = rows[rows["a"].isin(item.subjects) | rows["b"].isin(item.subjects)]
            elif item.question == "reference":
                continue
            assert rows.empty, item.text


def test_where_nothing_was_shown_nothing_is_claimed():
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    analysis = trialkit.analyse(trial)
    claims = analysis.claims.assign(shown=False, front=False, p_adjusted=0.7)
    comparisons = analysis.comparisons.assign(different=False)
    quiet = replace(analysis, claims=claims, comparisons=comparisons)
    front = [item for item in trialkit.make_findings(quiet) if item.front]
    assert not any(item.claim for item in front)
    assert front[0].text.startswith("Over the trial as a whole, no treatment differed")
    starred = replace(analysis, claims=claims)
    texts = [item.text for item in trialkit.make_findings(starred)]
    assert not any("no treatment differed" in text for text in texts)


SMALL = [SETTINGS[0], SETTINGS[3], SETTINGS[8]]


@pytest.mark.parametrize("setting", SMALL, ids=[item.name for item in SMALL])
def test_trials_in_which_nothing_differs_are_told_so(setting):
    """Of ten seeded trials one at most with anything false on page 1 (5 % each, at most)."""
    told = [held_against_truth(replace(setting, effects=NULL), seed) for seed in range(8)]
    assert sum(bool(item.false_front or item.false_marks) for item in told) <= 1


def test_one_good_product_is_told_and_no_other():
    told = [held_against_truth(replace(SETTINGS[0], effects=ONE), seed) for seed in range(8)]
    assert all(item.found for item in told)
    assert sum(bool(item.false_front or item.false_marks) for item in told) <= 1
    assert all(item.sentences <= 5 for item in told)


def test_products_that_do_the_same_are_not_ranked():
    told = [held_against_truth(replace(SETTINGS[0], effects=EQUAL), seed) for seed in range(8)]
    assert all(item.found for item in told)
    assert sum(bool(item.false_front or item.false_marks) for item in told) <= 1
