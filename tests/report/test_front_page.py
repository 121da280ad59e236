"""The first page: five sentences, a row a treatment, and what the glance table marks."""

from __future__ import annotations

import re

import pytest

import trialkit
from shipped import analysed
from trialkit.findings.front import MOST_SENTENCES
from trialkit.report import compose
from trialkit.report.document import Document, Findings, Table, Where
from trialkit.report.glance_block import Glance, Ink
from trialkit.report.parts.glance import MOST_ROWS
from trialkit.report.small_pictures import course_svg, span_svg
from trialkit.report_options import ReportOptions

EXAMPLES = ("leaf_beetle_potato", "leaf_disease_wheat", "fruit_moth_plum")
#: The aim for the largest example: tables of the report without its annex.
MOST_TABLES = 12


@pytest.fixture(scope="module")
def analyses() -> dict[str, trialkit.Analysis]:
    return {name: analysed(name) for name in EXAMPLES}


@pytest.fixture(scope="module")
def documents(analyses: dict[str, trialkit.Analysis]) -> dict[str, Document]:
    return {
        name: compose(analysis, trialkit.make_findings(analysis))
        for name, analysis in analyses.items()
    }


def _glance(document: Document) -> Glance:
    return next(block for block in document.front if isinstance(block, Glance))


@pytest.mark.parametrize("name", EXAMPLES)
def test_few_sentences_each_short(documents: dict[str, Document], name: str) -> None:
    said = next(block for block in documents[name].front if isinstance(block, Findings))
    assert 1 <= len(said.items) <= MOST_SENTENCES
    for item in said.items:  # numbers in brackets are read as one
        assert len(re.sub(r"\([^)]*\)", "", item).split()) <= 22, item
        assert len(item.split()) <= 28, item
    assert said.start == 0


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_treatment_has_a_row_and_the_untreated_stands_last(
    documents: dict[str, Document], analyses: dict[str, trialkit.Analysis], name: str
) -> None:
    rows = _glance(documents[name]).rows
    trial = analyses[name].trial
    assert len(rows) == min(len(trial.treatments), MOST_ROWS + 1)
    assert rows[-1].base
    assert not any(row.base for row in rows[:-1])


@pytest.mark.parametrize("name", EXAMPLES)
def test_full_ink_only_where_something_was_shown(
    documents: dict[str, Document], analyses: dict[str, trialkit.Analysis], name: str
) -> None:
    glance = analyses[name].glance
    shown = int(glance["shown"].eq(True).sum())
    inked = sum(
        cell.ink is not Ink.ESTIMATE for row in _glance(documents[name]).rows for cell in row.cells
    )
    assert inked <= shown
    quiet = compose(_unmarked(analyses[name]))
    cells = [cell for row in _glance(quiet).rows for cell in row.cells]
    assert {cell.ink for cell in cells} == {Ink.ESTIMATE}


def _unmarked(analysis: trialkit.Analysis) -> trialkit.Analysis:
    from dataclasses import replace

    return replace(analysis, glance=analysis.glance.assign(shown=False))


def test_the_report_is_as_short_as_it_is_meant_to_be(documents: dict[str, Document]) -> None:
    document = documents["leaf_beetle_potato"]
    main = [
        block
        for section in document.sections
        if section.where is Where.MAIN
        for block in section.blocks
        if isinstance(block, Table)
    ]
    assert len(main) <= MOST_TABLES
    numbers = [block.label for block in main]
    assert numbers == [f"Table {place}" for place in range(1, len(main) + 1)]


def test_lengths_and_forms(analyses: dict[str, trialkit.Analysis]) -> None:
    analysis = analyses["leaf_beetle_potato"]
    short = compose(analysis, options=ReportOptions(length="short"))
    assert all(section.where is not Where.ANNEX for section in short.sections)
    page = compose(analysis, options=ReportOptions(form="page"))
    assert page.front
    assert not page.sections
    table = compose(analysis, options=ReportOptions(form="table"))
    assert len(table.tables()) == 1
    assert not table.front
    with pytest.raises(ValueError, match="report, page, table"):
        ReportOptions(form="poster")


def test_small_pictures_are_whole_elements_with_words(documents: dict[str, Document]) -> None:
    from xml.etree import ElementTree

    for row in _glance(documents["leaf_beetle_potato"]).rows:
        for item, draw in ((row.course, course_svg), (row.span, span_svg)):
            if item is not None:
                element = ElementTree.fromstring(draw(item))
                assert element.get("aria-label") == item.alt
                assert len(element) >= 2
                assert "nan" not in draw(item)
