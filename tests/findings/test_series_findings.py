"""Sentences about a series: every number from its tables, every claim from its claims."""

from __future__ import annotations

import re

import pytest

import made_series as made
import trialkit
from made_series import made_series
from trialkit.findings.sentences import Finding, write
from trialkit.findings.series_story import series_findings
from trialkit.series.matched import WHOLE, SeriesVariable
from trialkit.series.result import SeriesAnalysis
from trialkit.trial import VariableRole

NUMERAL = re.compile(r"\d[\d,]*(?:\.\d+)?")
HOW = (
    {},
    {"trials": 3, "treatments": 3},
    {"trials": 12, "treatments": 13, "seed": 5},
    {"trials": 1, "treatments": 4},
    {"effect": 0.0},
)


@pytest.fixture(scope="module", params=["example", *range(len(HOW))])
def told(request: pytest.FixtureRequest) -> tuple[SeriesAnalysis, tuple[Finding, ...]]:
    if request.param == "example":
        series = trialkit.combine(trialkit.example_series("bean_aphids"), jobs=1)
    else:
        series = made_series(**HOW[request.param])
    return series, series_findings(series)


def test_page_1_comes_first_and_is_short(told):
    _, findings = told
    front = [item.front for item in findings]
    assert 1 <= sum(front) <= 5
    assert front == sorted(front, reverse=True)
    for item in findings:
        assert len(item.text.split()) <= (25 if item.front else 27), item.text
        assert item.text.endswith(".")


def test_numbers_shown_are_the_numbers_of_the_tables(told):
    series, findings = told
    for finding in findings:
        left = finding.text
        left = re.sub(r"95% (CI|prediction)|days \d+–\d+", "", left)
        for number in finding.numbers:
            value = float(getattr(series, number.table)[number.column].iloc[number.row])
            assert write(value * number.times, number.style, number.decimals) == number.shown
            whole = rf"(?<![\d.]){re.escape(number.shown)}(?![\d]|\.\d)"
            left, removed = re.subn(whole, "", left, count=1)
            assert removed == 1, (number, finding.text)
        left = re.sub(r"\d+ of \d+ treatments", "", left)
        left = re.sub(r"Without \D* \d{4},", "", left)
        assert not NUMERAL.findall(left), (left, finding.text)


def test_claims_rest_on_the_claims_of_the_series(told):
    series, findings = told
    rows = series.series_claims
    for finding in findings:
        if not finding.claim or finding.question == "rate":
            continue
        flag = "front" if finding.front else "shown"
        own = rows[
            (rows["question"] == finding.question)
            & (rows["variable"] == finding.variable)
            & rows["a"].isin(finding.subjects)
            & rows["b"].isin(finding.against)
        ]
        days = re.search(r" on days (\S+)", finding.text)
        window = days[1].replace("–", "-") if days else WHOLE
        own = own[own["window"].eq(window) | own["window"].isna()]
        assert len(own) == len(finding.subjects) * len(finding.against)
        assert own[flag].eq(True).all()
        assert finding.p == own["p_adjusted"].max()
        assert finding.p <= finding.level
        if finding.direction:
            assert set(own["direction"]) == {finding.direction}


def test_a_rate_within_the_margin_is_claimed_by_its_interval(told):
    series, findings = told
    for finding in findings:
        if finding.question == "rate" and finding.claim:
            table = series.combined_differences
            own = table[
                table["a"].isin(finding.subjects)
                & table["b"].isin(finding.against)
                & (table["variable"] == finding.variable)
                & (table["measure"] == "pest_days")
            ]
            assert (own["points_lower"] > -own["margin"]).all()


def test_a_series_without_effect_makes_no_claim():
    for seed in range(5):
        findings = series_findings(made_series(effect=0.0, seed=seed))
        series = made_series(effect=0.0, seed=seed)
        shown = series.series_claims["shown"].eq(True).any()
        assert any(item.claim and item.question != "rate" for item in findings) == shown


def test_no_sentence_recommends_or_names_resistance(told):
    _, findings = told
    for finding in findings:
        assert not re.search(
            r"\b(should|must|recommend|apply|use|spray|equal|resist\w*)\b", finding.text.lower()
        ), finding.text


def test_every_pest_has_its_best_on_page_1_before_another_has_its_second(monkeypatch):
    pests = tuple(
        SeriesVariable(name=name, label=f"{name.capitalize()} per leaf", role=VariableRole.PEST)
        for name in ("mites", "thrips")
    )
    monkeypatch.setattr(made, "VARIABLES", (*pests, made.VARIABLES[2]))
    front = [item for item in series_findings(made_series()) if item.front and item.claim]
    assert [item.variable for item in front[:2]] == ["mites", "thrips"]
    assert all(len(item.subjects) == 1 for item in front[:2])
