"""What the methods say of the tests that page 1 rests on."""

from __future__ import annotations

import pytest

from trialkit import Analysis, analyse, example_trial, make_findings, read_trial
from trialkit.report import compose
from trialkit.report.document import Document, Paragraph
from trialkit.report.glance_block import Glance


def _analysis(name: str) -> Analysis:
    return analyse(read_trial(example_trial(name)))


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
    assert "with the untreated, whose variance was its own" in text
    assert ("was the covariate for" in text) is before
    assert any("allow for values before treatment" in note for note in _notes(document)) is before
