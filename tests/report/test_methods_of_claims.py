"""What the methods say of the tests that page 1 rests on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shipped import analysed
from trialkit import Analysis, analyse, example_trial, make_findings, read_trial
from trialkit.report import compose
from trialkit.report.document import Document, Paragraph
from trialkit.report.glance_block import Glance


def _analysis(name: str) -> Analysis:
    return analysed(name)


def _paragraphs(document: Document) -> list[str]:
    blocks = [block for section in document.sections for block in section.blocks]
    return [block.text for block in blocks if isinstance(block, Paragraph)]


def _notes(document: Document) -> list[str]:
    return [note for block in document.front if isinstance(block, Glance) for note in block.notes]


@pytest.mark.parametrize(
    ("name", "before"), [("leaf_beetle_potato", True), ("fruit_moth_plum", False)]
)
def test_the_test_over_the_trial_is_described(name: str, before: bool) -> None:
    analysis = _analysis(name)
    document = compose(analysis, make_findings(analysis))
    (text,) = [
        item for item in _paragraphs(document) if "rest on one test of each variable" in item
    ]
    assert "with a variance of its own for the untreated" in text
    assert ("was the covariate for" in text) is before
    assert any("allow for values before treatment" in note for note in _notes(document)) is before


def test_a_start_that_a_plot_lacks_is_not_said_to_be_allowed_for() -> None:
    trial = read_trial(example_trial("leaf_beetle_potato"))
    first = trial.plots[0].id
    counts = trial.counts
    gone = (counts["plot"] == first) & (counts["day"] <= 0)
    assert gone.any()
    analysis = analyse(replace(trial, counts=counts[~gone]))
    claims = analysis.claims
    assert not claims["with_start"].any()
    document = compose(analysis, make_findings(analysis))
    told = [*_paragraphs(document), *_notes(document)]
    assert not any("allow for values before" in text for text in told)
    assert not any("value before treatment was the covariate" in text for text in told)
