"""Every number in a finding must stand in the tables, and nothing else may look like a number."""

from __future__ import annotations

import re

import numpy as np
import pytest

import trialkit
from shipped import analysed
from trialkit.findings.phrases import series
from trialkit.findings.sentences import day_list, write
from trialkit.trial import harvest_variable

NUMERAL = re.compile(r"\d[\d,]*(?:\.\d+)?(?:e[-+]?\d+)?")
EXAMPLES = trialkit.example_names()


@pytest.fixture(scope="module", params=EXAMPLES)
def told(request):
    analysis = analysed(request.param)
    return analysis, trialkit.make_findings(analysis)


def test_each_example_has_findings(told):
    _, findings = told
    assert len(findings) >= 8
    assert 3 <= sum(item.front for item in findings) <= 5
    assert [item.front for item in findings] == sorted((i.front for i in findings), reverse=True)


def test_numbers_shown_are_the_numbers_of_the_tables(told):
    analysis, findings = told
    for finding in findings:
        for number in finding.numbers:
            value = float(getattr(analysis, number.table)[number.column].iloc[number.row])
            assert np.isfinite(value)
            shown = write(value * number.times, number.style, number.decimals)
            assert shown == number.shown
            assert number.times >= 1.0
            assert number.shown in finding.text


def _known_words(analysis) -> list[str]:
    """Names and labels that may hold figures of their own, longest first."""
    trial = analysis.trial
    words = [item.label for item in trial.variables] + [item.name for item in trial.treatments]
    words += [item.label[:1].lower() + item.label[1:] for item in trial.variables]
    words += [f"({item.id})" for item in trial.treatments]
    words += [f"threshold of {item.threshold:g}" for item in trial.variables if item.threshold]
    words += ["additional 100 pest-days", "95% CI", "any of 3 responses"]
    words += [f"At {trial.settings.crop_price or 0:g} "]
    words += ["applications (1 and 2)", "applications (1, 2 and 3)"]
    words += [f"group {row}" for row in analysis.programmes["group"]]
    return sorted(words, key=len, reverse=True)


def test_no_numeral_without_a_place(told):
    """What is left once cited numbers, names, days and ids are taken out."""
    analysis, findings = told
    days = {f"{day:g}" for day in analysis.responses["days_after"].dropna().abs()}
    for finding in findings:
        text = re.sub(r"[Tt]reatments (?:\d+, )*\d+ and \d+", "", finding.text)
        for word in _known_words(analysis):
            text = text.replace(word, "")
        for number in finding.numbers:
            assert number.shown.lstrip("p <=") in finding.text
            whole = rf"(?<![\d.]){re.escape(number.shown)}(?![\d]|\.\d)"
            text, removed = re.subn(whole, "", text, count=1)
            assert removed == 1
        left = [item for item in NUMERAL.findall(text) if item not in days]
        assert not left, f"{left} in: {finding.text}"


def test_the_unit_of_a_sentence_is_that_of_its_table(told):
    """A size of a yield or return carries the unit of its variable, and no other."""
    analysis, findings = told
    trial = analysis.trial
    harvested = harvest_variable(trial)
    units = {item.name: item.unit for item in (*trial.variables, harvested)}
    for finding in findings:
        if finding.question == "yield" and finding.claim:
            unit = units[finding.variable]
            numbers = [item.shown for item in finding.numbers if item.column == "difference"]
            assert numbers
            assert f"{numbers[-1]} {unit}" in finding.text
        if finding.question == "return" and finding.claim:
            area = trial.settings.yield_unit.partition("/")[2]
            assert f"{trial.settings.currency}/{area}" in finding.text


def test_no_finding_recommends_an_application(told):
    _, findings = told
    for finding in findings:
        assert not re.search(r"\b(should|must|recommend|apply|use|spray)\b", finding.text.lower())


def test_no_finding_calls_treatments_equal_or_hedges(told):
    _, findings = told
    for finding in findings:
        assert not re.search(r"\b(equal|identical|the same as)\b", finding.text.lower())
        assert not re.search(r"chance|perhaps|by its interval", finding.text.lower())


def test_sentences_are_short(told):
    """25 words, not counting what stands in brackets and the words of names and labels."""
    analysis, findings = told
    for finding in findings:
        text = finding.text
        for word in [*_known_words(analysis), *(i.name for i in analysis.trial.variables)]:
            text = text.replace(word, "name")
        text = re.sub(r"\([^()]*\)", "", text)
        for sentence in re.split(r"(?<=[.:]) (?=[A-Z])", text):
            assert len(sentence.split()) <= 25, sentence


def test_series_and_days():
    assert series([]) == ""
    assert series(["a"]) == "a"
    assert series(["a", "b"]) == "a and b"
    assert series(["a", "b", "c"]) == "a, b and c"
    assert series(["a, full", "b"]) == "a, full and b"
    assert series(["a, full", "b", "c"]) == "a, full; b; and c"
    assert day_list([7.0]) == "day 7"
    assert day_list([3.0, 7.0, 14.0]) == "days 3, 7 and 14"
